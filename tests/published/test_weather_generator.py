"""The generator against its published structure and against long daily records."""

from __future__ import annotations

import numpy as np
import pytest

from geo.weather.generator import GeneratorSettings, Slow, generate_daily
from geo.weather.month_curve import MONTH_OF_DAY
from geo.weather.residuals import (
    RESIDUAL_A,
    RESIDUAL_B,
    default_tmax_sd,
    default_tmin_sd,
    residual_series,
)
from geo.weather.wet_days import (
    GENG_PERSISTENCE,
    draw_wet_days,
    estimate_wet_day_fraction,
    geng_gamma,
)
from tests.geo.climates import annual_sums, normals_of
from tests.open_climate import annual_precip, champion, lebanon_normals, record_normals, records


def wet_days(f: float, uniform: np.ndarray) -> np.ndarray:
    """Return the wet days of one cell whose every day has the wet share f."""
    year = np.full((1, 365), f)
    return draw_wet_days(uniform, year, np.ones(uniform.size), np.full_like(year, GENG_PERSISTENCE))[0]


@pytest.mark.parametrize(
    ("f", "mean_mm", "after_dry", "after_wet", "scale", "shape", "sd_mm"),
    [
        pytest.param(0.200, 5.00, 0.150, 0.400, 6.99, 0.715, 5.91, id="Geng et al. 1986, f .200 m 5.00"),
        pytest.param(9 / 31, 6.67, 0.218, 0.468, 10.04, 0.664, 8.18, id="Geng et al. 1986, f 9/31 m 6.67"),
        pytest.param(4 / 31, 3.00, 0.097, 0.347, 3.33, 0.901, 3.16, id="Geng et al. 1986, f 4/31 m 3.00"),
        pytest.param(5 / 31, 2.00, 0.121, 0.371, 2.22, 0.901, 2.11, id="Geng et al. 1986, f 5/31 m 2.00"),
    ],
)
def test_geng_relations(
    f: float, mean_mm: float, after_dry: float, after_wet: float, scale: float, shape: float, sd_mm: float
) -> None:
    k, theta = geng_gamma(np.array(mean_mm))
    for first, chance in ((0.999, after_dry), (0.0, after_wet)):
        assert wet_days(f, np.array([first, chance - 0.0006]))[1]
        assert not wet_days(f, np.array([first, chance + 0.0006]))[1]
    assert float(theta) == pytest.approx(scale, abs=0.011)
    assert float(k) == pytest.approx(shape, abs=0.0011)
    assert float(theta * np.sqrt(k)) == pytest.approx(sd_mm, abs=0.011)


@pytest.mark.parametrize("f", [0.02, 0.1, 0.29, 0.5, 0.9], ids=lambda f: f"Richardson 1981 stationary share {f}")
def test_stationary_share_is_the_wet_day_fraction(f: float) -> None:
    days = 365 * 1000
    off = np.sqrt(f * (1.0 - f) / days * (1.0 + GENG_PERSISTENCE) / (1.0 - GENG_PERSISTENCE))
    assert wet_days(f, np.random.default_rng(1).random(days)).mean() == pytest.approx(f, abs=4.0 * off)


def test_matrices_reproduce_the_published_correlations() -> None:
    """Richardson 1981: A, B from M0, M1 (correlations 0.633, 0.186, -0.193; from memory, matched by computation)."""
    m0 = np.array([[1, 0.633, 0.186], [0.633, 1, -0.193], [0.186, -0.193, 1]])
    m1 = np.array([[0.621, 0.445, 0.087], [0.563, 0.674, -0.100], [0.015, -0.091, 0.251]])
    a = m1 @ np.linalg.inv(m0)
    np.testing.assert_allclose(RESIDUAL_A, a, atol=0.0025)
    np.testing.assert_allclose(RESIDUAL_B, np.linalg.cholesky(m0 - a @ m1.T), atol=0.0015)


def test_matrix_facts() -> None:
    """Recomputed facts of the self-consistent Richardson matrices (other digits circulate)."""
    moduli = np.sort(np.abs(np.linalg.eigvals(RESIDUAL_A)))[::-1]
    np.testing.assert_allclose(moduli, [0.688, 0.392, 0.235], atol=0.0006)
    assert (np.triu(RESIDUAL_B, 1) == 0).all()
    product = [[0.610, 0.256, 0.186], [0.256, 0.513, -0.139], [0.186, -0.139, 0.935]]
    np.testing.assert_allclose(RESIDUAL_B @ RESIDUAL_B.T, product, atol=0.0006)
    x = np.array([-0.3513, -1.754, 0.6244])
    np.testing.assert_allclose(RESIDUAL_A @ x, [-0.3513, -1.0041, 0.2229], atol=0.00006)
    np.testing.assert_allclose(RESIDUAL_B @ [1, -0.5, 0.2], [0.781, 0.0095, 0.5831], atol=0.00006)


def test_sampled_residuals() -> None:
    """Richardson 1981: lag-0 correlations 0.63, 0.19, -0.19; unit variance; persistence 0.62 and 0.67."""
    x = residual_series(60_000, np.random.default_rng(1))
    lag0 = np.corrcoef(x.T)
    np.testing.assert_allclose([lag0[0, 1], lag0[0, 2], lag0[1, 2]], [0.63, 0.19, -0.19], atol=0.05)
    np.testing.assert_allclose(x.std(axis=0), 1.0, atol=0.05)
    np.testing.assert_allclose(
        [np.corrcoef(x[1:, i], x[:-1, i])[0, 1] for i in range(3)], [0.621, 0.674, 0.251], atol=0.05
    )


def test_generated_days_carry_the_residual_correlation() -> None:
    """Tmax and Tmin of generated days, on the normals of the Champion record without the slow factor."""
    normals = normals_of(record_normals(champion()))
    weather = generate_daily(normals, 60, 4, GeneratorSettings(slow=Slow(log_sd=0.0)))
    july = weather.isel(cell=0, time=(weather["month"] == 7).values)
    dry = july["precip_mm"].values == 0
    assert np.corrcoef(july["tmax_c"][dry], july["tmin_c"][dry])[0, 1] == pytest.approx(0.63, abs=0.06)


@pytest.mark.slow
def test_spread_of_years_matches_nine_records() -> None:
    """Annual precipitation of nine Nebraska records (GHCN-Daily, Champion): recorded CV 0.21 to 0.29, mean 0.244.

    Plain generator 0.197; with the slow factor 0.243 (mean of nine stations, six seeds). The fit is on the mean of
    the stations, not on each.
    """
    tables = records()
    recorded = {name: (s := annual_precip(t)).std() / s.mean() for name, t in tables.items()}
    assert np.mean(list(recorded.values())) == pytest.approx(0.244, abs=0.002)
    normals = normals_of(*(record_normals(t) for t in tables.values()))

    def spread(settings: GeneratorSettings) -> np.ndarray:
        draws = [annual_sums(generate_daily(normals, 200, seed, settings)) for seed in range(4)]
        return np.mean([d.std(axis=1, ddof=1) / d.mean(axis=1) for d in draws], axis=0)

    plain = spread(GeneratorSettings(slow=Slow(log_sd=0.0)))
    slow = spread(GeneratorSettings())
    assert plain.mean() < 0.21
    assert slow.mean() == pytest.approx(np.mean(list(recorded.values())), abs=0.015)
    np.testing.assert_allclose(slow, list(recorded.values()), atol=0.04)


def test_daily_spread_and_monthly_swings_match_nine_records() -> None:
    """Daily SD of temperatures is kept; the SD of monthly means follows from persistence (nine Nebraska records)."""
    tables = records()
    normals = normals_of(*(record_normals(t) for t in tables.values()))
    weather = generate_daily(normals, 200, 3)
    for ours, theirs in (("tmax_c", "tmax"), ("tmin_c", "tmin")):
        daily = weather[ours].groupby("month").std("time").transpose("cell", "month")
        np.testing.assert_allclose(daily, normals[ours.replace("_c", "_sd_c")], rtol=0.12)
        recorded = np.mean([t.groupby(["year", "month"])[theirs].mean().unstack().std() for t in tables.values()])
        years = weather[ours].values.reshape(len(tables), 200, 365)
        drawn = np.mean([years[:, :, m == MONTH_OF_DAY].mean(axis=2).std(axis=1) for m in range(12)])
        assert drawn == pytest.approx(recorded, rel=0.12)


def test_stand_ins_where_they_were_fitted() -> None:
    """Nine Nebraska records: wet-day fraction unbiased, 21 % off in the typical station month; SD within 1.6 C."""
    errors = []
    for table in records().values():
        n = record_normals(table)
        per_day = n["precip_mm"] / np.bincount(MONTH_OF_DAY)
        estimate = estimate_wet_day_fraction(per_day, (n["tmin_c"] + n["tmax_c"]) / 2)
        errors.append(np.log(estimate / n["wet_day_fraction"]))
        assert np.abs(default_tmax_sd(n["tmax_c"]) - n["tmax_sd_c"]).max() < 1.6
        assert np.abs(default_tmin_sd(n["tmin_c"]) - n["tmin_sd_c"]).max() < 1.6
    pooled = np.concatenate(errors)
    assert abs(pooled.mean()) < 0.02
    assert pooled.std() < 0.23


def test_stand_ins_far_from_where_they_were_fitted() -> None:
    """NOAA 1991-2020 normals, Lebanon NH, held out: wet days 7 to 36 % too few, maxima up to 3.2 C too wide."""
    n = lebanon_normals()
    ratio = (
        estimate_wet_day_fraction(n["precip_mm"] / np.bincount(MONTH_OF_DAY), (n["tmin_c"] + n["tmax_c"]) / 2)
        / n["wet_day_fraction"]
    )
    assert ratio.min() > 0.6
    assert ratio.max() < 1.0
    assert np.abs(default_tmin_sd(n["tmin_c"]) - n["tmin_sd_c"]).max() < 1.1
    assert 3.0 < np.abs(default_tmax_sd(n["tmax_c"]) - n["tmax_sd_c"]).max() < 3.5


def test_dry_spells_and_big_rains_match_nine_records() -> None:
    """Nine Nebraska records: longest dry spell of the year within 15 %, largest daily rain of the year within 25 %.

    Neither was fitted. The drawn largest rains are lower by 8 % on the mean of the records.
    """

    def longest_spell(rain: np.ndarray) -> float:
        breaks = [np.flatnonzero(np.concatenate([[True], year >= 0.2539, [True]])) for year in rain]
        return float(np.mean([np.diff(b).max() - 1 for b in breaks]))

    tables = records()
    weather = generate_daily(normals_of(*(record_normals(t) for t in tables.values())), 100, 1)
    drawn = weather["precip_mm"].values.reshape(len(tables), 100, 365)
    spells, peaks = [], []
    for cell, table in enumerate(tables.values()):
        by_year = [g["precip"].to_numpy() for _, g in table.groupby("year") if g["precip"].notna().all()]
        spells.append(longest_spell(drawn[cell]) / longest_spell(by_year))  # type: ignore[arg-type]
        peaks.append(drawn[cell].max(axis=1).mean() / np.mean([year.max() for year in by_year]))
    np.testing.assert_allclose(spells, 1.0, atol=0.15)
    np.testing.assert_allclose(peaks, 1.0, atol=0.25)
    assert np.mean(spells) == pytest.approx(1.0, abs=0.05)
    assert np.mean(peaks) == pytest.approx(0.92, abs=0.05)
