"""The generator gives back the normals, varies from year to year, and repeats itself by seed."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geo.errors import StudyError
from geo.season import MONTH_DAYS
from geo.weather.generator import GeneratorSettings, Slow, generate_daily
from geo.weather.monthly_normals import wet_day_fraction
from tests.geo.climates import CLIMATES, annual_sums, monthly_mean, monthly_precip, normals_of, wet_share

NAMES = list(CLIMATES)


@pytest.fixture(scope="module", params=[1, 2024], ids=["seed 1", "seed 2024"])
def long_draw(request: pytest.FixtureRequest) -> xr.Dataset:
    return generate_daily(normals_of(*CLIMATES.values()), years=200, seed=request.param)


@pytest.fixture(scope="module")
def thirty_years() -> xr.Dataset:
    return generate_daily(normals_of(*CLIMATES.values()), years=30, seed=7)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_two_hundred_years_reproduce_the_normals(long_draw: xr.Dataset, name: str) -> None:
    cell = NAMES.index(name)
    normal = CLIMATES[name]
    precip = np.asarray(normal["precip_mm"], dtype=float)
    np.testing.assert_allclose(monthly_precip(long_draw)[cell], precip, rtol=0.05, atol=1e-9)
    np.testing.assert_allclose(monthly_mean(long_draw, "tmin_c")[cell], normal["tmin_c"], atol=0.3)
    np.testing.assert_allclose(monthly_mean(long_draw, "tmax_c")[cell], normal["tmax_c"], atol=0.3)
    asked = normal.get("wet_day_fraction") or wet_day_fraction(normals_of(normal))[0]
    np.testing.assert_allclose(wet_share(long_draw)[cell], asked, atol=0.02)
    dry_months = precip == 0
    assert (monthly_precip(long_draw)[cell][dry_months] == 0).all()


@pytest.mark.slow
def test_unfitted_draw_is_unbiased_too() -> None:
    """Without the final fit the generator itself is close: the fit corrects luck, not a bias."""
    normals = normals_of(*CLIMATES.values())
    draws = [generate_daily(normals, 200, seed, GeneratorSettings(fit=False)) for seed in (1, 2, 3)]
    annual = np.mean([annual_sums(d).mean(axis=1) for d in draws], axis=0)
    np.testing.assert_allclose(annual, normals["precip_mm"].sum("month"), rtol=0.06)
    for name in ("tmin_c", "tmax_c"):
        means = np.mean([monthly_mean(d, name) for d in draws], axis=0)
        np.testing.assert_allclose(means, normals[name], atol=0.5)


def test_years_differ(thirty_years: xr.Dataset) -> None:
    annual = annual_sums(thirty_years)
    spread = annual.std(axis=1, ddof=1) / annual.mean(axis=1)
    named = dict(zip(NAMES, spread, strict=True))
    for name in ("high plains, dry", "plains, wet east", "winter rain, rainless summer", "cold north, wet all year"):
        assert 0.10 <= named[name] <= 0.35, named
    assert 0.2 <= named["desert margin"] <= 0.6, named
    heat = monthly_mean(thirty_years.sel(time=thirty_years["year"] == 1), "tmax_c")
    assert np.abs(heat - monthly_mean(thirty_years, "tmax_c")).max() > 1.0


@pytest.mark.slow
def test_slow_factor_widens_years_and_links_dry_to_warm() -> None:
    normals = normals_of(CLIMATES["high plains, dry"])
    plain = generate_daily(normals, 300, 5, GeneratorSettings(slow=Slow(log_sd=0.0)))
    slow = generate_daily(normals, 300, 5)

    def spread(weather: xr.Dataset) -> float:
        annual = annual_sums(weather)[0]
        return float(annual.std() / annual.mean())

    def link(weather: xr.Dataset) -> float:
        july = weather.isel(cell=0, time=(weather["month"] == 7).values)
        by_year = july.groupby("year")
        return float(np.corrcoef(by_year.mean()["tmax_c"], by_year.mean()["precip_mm"])[0, 1])

    assert spread(slow) > spread(plain) + 0.02
    assert link(slow) < link(plain) - 0.05


def test_same_seed_same_days_other_seed_other_days() -> None:
    normals = normals_of(CLIMATES["high plains, dry"])
    first, again, other = (generate_daily(normals, 12, seed) for seed in (11, 11, 12))
    xr.testing.assert_identical(first, again)
    assert not np.array_equal(first["precip_mm"], other["precip_mm"])


def test_cells_share_their_luck() -> None:
    """Equal neighbours get equal weather; a cell does not depend on which others are drawn."""
    dry, wet = CLIMATES["high plains, dry"], CLIMATES["plains, wet east"]
    both = generate_daily(normals_of(dry, wet, dry), 15, 3)
    alone = generate_daily(normals_of(dry), 15, 3)
    np.testing.assert_array_equal(both["precip_mm"][0], both["precip_mm"][2])
    np.testing.assert_array_equal(both["precip_mm"][0], alone["precip_mm"][0])
    annual = annual_sums(both)
    assert np.corrcoef(annual[0], annual[1])[0, 1] > 0.6


def test_layout(thirty_years: xr.Dataset) -> None:
    assert thirty_years.sizes == {"cell": len(CLIMATES), "time": 30 * 365}
    for name, unit in (("precip_mm", "mm"), ("tmin_c", "degC"), ("tmax_c", "degC"), ("et0_mm", "mm")):
        assert thirty_years[name].dtype == np.float32
        assert thirty_years[name].attrs["units"] == unit
        assert bool(np.isfinite(thirty_years[name]).all())
    assert thirty_years["year"].values[[0, -1]].tolist() == [1, 30]
    assert int(((thirty_years["month"] == 2) & (thirty_years["day"] == 29)).sum()) == 0
    assert {"latitude", "longitude", "elevation_m"} <= set(thirty_years.coords)
    assert thirty_years.attrs["seed"] == 7
    assert float((thirty_years["tmax_c"] - thirty_years["tmin_c"]).min()) >= 0.5
    assert float(thirty_years["precip_mm"].min()) == 0.0
    assert float(thirty_years["et0_mm"].min()) >= 0.0


def test_no_steps_at_month_ends() -> None:
    weather = generate_daily(normals_of(CLIMATES["high plains, dry"]), 400, 2)
    course = weather["tmin_c"][0].values.reshape(400, 365).mean(axis=0)
    ends = np.cumsum(MONTH_DAYS)[:-1]
    steps = np.abs(course[ends] - course[ends - 1])
    assert steps.max() < 0.9  # sampling noise of 400 years is about 0.25 C; the months differ by up to 7 C


@pytest.mark.parametrize("years", [1, 5])
def test_short_draws_are_not_forced_to_the_normals(years: int) -> None:
    normals = normals_of(CLIMATES["high plains, dry"])
    weather = generate_daily(normals, years, 9)
    assert weather.sizes["time"] == 365 * years
    assert np.abs(monthly_precip(weather) - normals["precip_mm"].values).max() > 5.0


class TestReferenceEt:
    """Which ET0 a generated day gets."""

    normals = normals_of(CLIMATES["high plains, dry"])

    def test_temperatures_only(self) -> None:
        weather = generate_daily(self.normals, 10, 1)
        assert weather.attrs["et0_method"] == "Hargreaves-Samani (FAO-56 eq 52)"
        assert 1000 < float(weather["et0_mm"].sum()) / 10 < 1400

    def test_own_monthly_et0_is_kept(self) -> None:
        own = np.array([[47, 53, 89, 112, 145, 179, 202, 179, 142, 101, 64, 46.0]])
        weather = generate_daily(self.normals.assign(et0_mm=(("cell", "month"), own)), 30, 1)
        np.testing.assert_allclose(monthly_mean(weather, "et0_mm") * MONTH_DAYS, own, rtol=0.01)
        assert "monthly means as in the normals" in weather.attrs["et0_method"]
        assert float(weather["et0_mm"][0, weather["month"] == 7].std()) > 0.5

    def test_wind_makes_it_penman_monteith(self) -> None:
        calm, windy = (
            generate_daily(self.normals.assign(wind_m_s=(("cell", "month"), np.full((1, 12), u))), 10, 1)
            for u in (1.5, 4.0)
        )
        assert windy.attrs["et0_method"].startswith("Penman-Monteith (FAO-56 eq 6) with monthly wind_m_s")
        assert float(windy["et0_mm"].mean()) > 1.15 * float(calm["et0_mm"].mean())

    def test_monthly_sun_and_vapour_are_used(self) -> None:
        month = ("cell", "month")
        full = self.normals.assign(
            wind_m_s=(month, np.full((1, 12), 3.0)),
            solar_mj_m2_day=(month, [[8.5, 12, 16.5, 20.5, 23, 26, 26, 23, 18.5, 13.5, 9.5, 7.5]]),
            vapour_pressure_kpa=(month, [[0.3, 0.33, 0.4, 0.55, 0.85, 1.2, 1.45, 1.4, 0.95, 0.6, 0.4, 0.3]]),
        )
        weather = generate_daily(full, 20, 1)
        damp = generate_daily(full.assign(vapour_pressure_kpa=full["vapour_pressure_kpa"] * 1.2), 20, 1)
        dim = generate_daily(full.assign(solar_mj_m2_day=full["solar_mj_m2_day"] * 0.8), 20, 1)
        annual = float(weather["et0_mm"].sum()) / 20
        assert 1150 < annual < 1600
        assert float(damp["et0_mm"].sum()) / 20 < annual - 20
        assert float(dim["et0_mm"].sum()) / 20 < annual - 50


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda n: n.drop_vars("tmin_c"), "'tmin_c' is missing"),
        (lambda n: n.assign(precip_mm=n["precip_mm"] - 20), "negative"),
        (lambda n: n.assign(tmax_c=n["tmin_c"]), "not above its minimum"),
        (lambda n: n.assign(tmax_c=n["tmax_c"].where(n["month"] != 3)), "no value"),
        (lambda n: n.isel(month=slice(0, 11)), "12 months"),
    ],
    ids=["missing", "negative rain", "swapped", "gap", "eleven months"],
)
def test_bad_normals_stop_with_a_message(change: object, message: str) -> None:
    with pytest.raises(StudyError, match=message):
        generate_daily(change(normals_of(CLIMATES["high plains, dry"])), 10, 1)  # type: ignore[operator]


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(
    precip=arrays(np.float64, 12, elements=st.one_of(st.just(0.0), st.floats(0.1, 400))),
    tmin=arrays(np.float64, 12, elements=st.floats(-35, 27)),
    spread=arrays(np.float64, 12, elements=st.floats(3, 20)),
    share=st.one_of(st.none(), arrays(np.float64, 12, elements=st.floats(0, 1))),
    seed=st.integers(0, 2**32),
)
def test_any_climate(
    precip: np.ndarray, tmin: np.ndarray, spread: np.ndarray, share: np.ndarray | None, seed: int
) -> None:
    table = {"precip_mm": precip, "tmin_c": tmin, "tmax_c": tmin + spread}
    if share is not None:
        table["wet_day_fraction"] = share
    weather = generate_daily(normals_of(table), 12, seed)  # type: ignore[arg-type]
    assert bool(np.isfinite(weather.to_array()).all())
    assert float((weather["tmax_c"] - weather["tmin_c"]).min()) >= 0.4999
    assert float(weather["precip_mm"].min()) >= 0
    assert float(weather["et0_mm"].min()) >= 0
    assert (monthly_precip(weather)[0][precip == 0] == 0).all()
    np.testing.assert_allclose(monthly_mean(weather, "tmin_c")[0], tmin, atol=0.3)
