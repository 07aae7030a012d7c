"""Laws that must hold for any weather, soil and setting: water closes, order holds, runs do not touch each other."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from geo.balance.kernel.lanes import LANES, SNOW, WATER, pad_mix
from geo.balance.kernel.records import FLUXES, N_SUB, STATE
from geo.balance.kernel.season_run import any_day, run_in
from geo.balance.parameters import BalanceSettings, Mix
from geo.balance.simulate import pack_days, simulate
from geo.season import SeasonIndex
from tests.laws.plain_python import cases
from tests.water import (
    TEXTURES,
    champion_weather,
    invented_weather,
    on_a_lane,
    pack_lanes,
    profile,
    run,
    seasons_of,
    settings,
    soils_of,
    tables,
    total,
    without_cover,
)

ROOT = Path(__file__).resolve().parents[2]
CLOSES_MM = 1e-6

weathers = st.builds(invented_weather, st.integers(0, 10_000), rain=st.floats(0.2, 2.5), warmth=st.floats(-10.0, 8.0))
profiles = st.builds(profile, st.sampled_from(sorted(TEXTURES)), feet=st.floats(0.3, 4.0))


@st.composite
def any_settings(draw: st.DrawFn) -> BalanceSettings:
    """Every scalar anywhere inside its own range, mixes thinned, with or without the contested bonus."""
    scalars = tables().scalars
    used = settings().changed(
        **{name: draw(st.floats(float(row["low"]), float(row["high"]))) for name, row in scalars.items()}
    )

    def thin(mix: Mix) -> Mix:
        return Mix(mix.groups, draw(st.floats(0.1, 1.0)), draw(st.sampled_from([0.0, 0.3])))

    return BalanceSettings(used.parameters, thin(used.winter_killed), thin(used.overwinter))


def fixed_residue(used: BalanceSettings) -> BalanceSettings:
    """Return settings under which nothing that grows or rots answers to water."""
    return without_cover(used).changed(straw_decay_per_day=0.0)


@given(weathers, st.lists(profiles, min_size=1, max_size=4), any_settings())
def test_water_closes_every_day(weather, rows, used):
    result = run(weather, soils_of(*rows), used)
    assert result.attrs["closure_mm"] <= CLOSES_MM
    for name in FLUXES:
        assert (result[name] >= 0.0).all(), name


@given(weathers, st.lists(profiles, min_size=1, max_size=4), any_settings())
def test_season_ledger_closes(weather, rows, used):
    """Rain from the record = losses + gain, over the whole season, from the published numbers alone."""
    soils = soils_of(*rows)
    soils["dry_mm"] = 0.0  # nothing below the wilting point, so that the reported water is all the water
    result = run(weather, soils, used)
    seasons = seasons_of(weather)
    for s in range(len(seasons)):
        one = result.isel(season=s)
        fell = weather["precip_mm"].values[0, seasons.harvest[s] : seasons.stop[s]].sum()
        np.testing.assert_allclose(one["precip_mm"], fell, rtol=1e-5)
        lost = sum(one[name] for name in FLUXES[1:])
        gained = total(one["paw_mm"]).sel(check="planting") - one["stored_mm"].sel(step=0)
        snow_left = fell - lost - gained
        assert (snow_left >= -0.02).all()
        if weather["tmin_c"].values[0, seasons.stop[s] - 20 : seasons.stop[s]].min() > 2.0:
            assert (snow_left <= 0.02).all()


@given(weathers, st.lists(profiles, min_size=1, max_size=4), any_settings())
def test_everything_stays_inside_its_bounds(weather, rows, used):
    soils = soils_of(*rows)
    result = run(weather, soils, used)
    by_foot = np.stack([soils["capacity_mm"][:, :2].sum(axis=1), *soils["capacity_mm"][:, 2:].T], axis=1)
    paw = result["paw_mm"].transpose("unit", "layer", ...).values
    assert not np.isnan(paw).any()
    assert (paw >= 0.0).all()
    assert (paw <= by_foot.reshape(*by_foot.shape, 1, 1, 1) + 1e-4).all()
    assert ((result["ground_cover"] >= 0.0) & (result["ground_cover"] <= 1.0)).all()
    assert ((result["living_share"] >= 0.0) & (result["living_share"] <= 1.0 + 1e-6)).all()
    assert (result["biomass_kg_ha"] >= 0.0).all()
    assert (result["transpiration_mm"].sel(option="stubble") == 0.0).all()
    assert (result["biomass_kg_ha"].sel(option="stubble") == 0.0).all()


def test_water_closes_over_a_million_unit_days(champion):
    rows = [profile(t, feet=f) for t in TEXTURES for f in (1.5, 3.0, 4.0)]
    result = run(champion, soils_of(*rows))
    assert result.attrs["unit_days"] >= 1_000_000
    assert result.attrs["closure_mm"] <= CLOSES_MM
    seasons = seasons_of(champion)
    counted = int((seasons.stop - seasons.start).sum()) * 4 * len(rows)
    assert result.attrs["unit_days"] == counted


def daily_total(soil: np.ndarray, days: np.ndarray, start: int, used: BalanceSettings, n: int) -> np.ndarray:
    """Return soil water and snow under stubble after each day, from the start of the run-in."""
    state = np.zeros(1, STATE)
    on_a_lane(state, soil, lambda block: run_in(block, days, start, used.parameters[0]))
    return bare_days(state, soil, days, start, used, n)


def bare_days(
    state: np.ndarray, soil: np.ndarray, days: np.ndarray, start: int, used: BalanceSettings, n: int
) -> np.ndarray:
    """Run bare days from a state at harvest; return soil water and snow after each."""
    block, nothing_sown = pack_lanes(state, soil), pad_mix(used.overwinter.groups)[:0]
    out = np.empty(n)
    for t in range(n):
        any_day(block, days[start + 135 + t], nothing_sown, used.parameters[0], np.array([1.0, 0.0]), t)
        out[t] = block[WATER : WATER + N_SUB * LANES : LANES].sum() + block[SNOW]
    return out


@st.composite
def rainier(draw: st.DrawFn) -> tuple[xr.Dataset, xr.Dataset]:
    """Return a record and the same with more rain on some days."""
    weather = draw(weathers)
    n = weather.sizes["time"]
    more = draw(st.lists(st.tuples(st.integers(60, n - 1), st.floats(0.1, 60.0)), min_size=1, max_size=6))
    other = weather.copy(deep=True)
    for position, depth in more:
        other["precip_mm"].values[0, position] += depth
    return weather, other


@given(rainier(), profiles, any_settings())
def test_more_rain_never_means_less_water_under_stubble(pair, row, used):
    """Soil water plus snow on every day, and stored water at planting; residue held fixed, all melt let in."""
    soil, bare = soils_of(row), fixed_residue(used).changed(frozen_infiltration=1e9)
    less, more = (daily_total(soil, pack_days(w)[0], 65, bare, 285) for w in pair)
    assert (more - less).min() >= -1e-9
    few, many = (total(run(w, soil, bare)["paw_mm"]).sel(check="planting", option="stubble") for w in pair)
    assert (many - few).min() >= -1e-4


@given(rainier(), profiles, any_settings())
def test_a_deeper_pack_on_frozen_ground_costs_next_to_nothing(pair, row, used):
    """The share of melt that enters falls as the pack grows (Zhao and Gray 1997): hundredths of a millimetre."""
    soil, bare = soils_of(row), fixed_residue(used)
    less, more = (daily_total(soil, pack_days(w)[0], 65, bare, 285) for w in pair)
    assert (more - less).min() >= -0.1
    few, many = (total(run(w, soil, bare)["paw_mm"]).sel(check="planting", option="stubble") for w in pair)
    assert (many - few).min() >= -0.1


@given(rainier(), profiles)
def test_rotting_straw_is_the_only_way_for_rain_to_cost_water(pair, row):
    """Wet straw rots and then shades less. That may cost a few millimetres, never more."""
    soil, bare = soils_of(row), without_cover(settings())
    few, many = (total(run(w, soil, bare)["paw_mm"]).sel(check="planting", option="stubble") for w in pair)
    assert (many - few).min() >= -6.0


@given(weathers, profiles, any_settings(), st.lists(st.floats(0.0, 40.0), min_size=3, max_size=3))
def test_more_capacity_below_the_first_foot_never_holds_less(weather, row, used, extra):
    small = soils_of({**row, "root_limit_mm": 1219.2})
    large = small.copy()
    large["capacity_mm"][0, 2:] += extra
    bare = fixed_residue(used)
    less, more = (run(weather, s, bare)["stored_mm"].sel(option="stubble") for s in (small, large))
    assert float((more - less).min()) >= -1e-4


@given(weathers, profiles, any_settings(), st.floats(0.0, 0.9))
def test_more_capacity_below_the_surface_never_holds_less_on_ground_that_does_not_freeze(weather, row, used, part):
    """In the first foot a wetter soil takes in less melt while it is frozen, so that law is for thawed ground.

    Both start from the same water at harvest: a small grain before it empties a larger first foot in another order.
    """
    small = soils_of(row)
    large = small.copy()
    pores = small["foot_saturated_mm"] - small["foot_wilting_mm"] - small["capacity_mm"][:, :2].sum(axis=1)
    large["capacity_mm"][:, 1] += part * pores
    bare = fixed_residue(used).changed(frozen_infiltration=1e9)
    days, state = pack_days(weather)[0], np.zeros(1, STATE)
    on_a_lane(state, small, lambda block: run_in(block, days, 65, bare.parameters[0]))
    less, more = (bare_days(state, soil, days, 65, bare, 285) for soil in (small, large))
    assert (more - less).min() >= -1e-9


def assert_same(a: xr.Dataset, b: xr.Dataset) -> None:
    for name in a.data_vars:
        np.testing.assert_array_equal(a[name].values, b[name].values, err_msg=str(name))


@given(weathers, st.lists(profiles, min_size=2, max_size=6), st.randoms(use_true_random=False))
def test_order_of_units_does_not_matter(weather, rows, random):
    order = list(range(len(rows)))
    random.shuffle(order)
    soils = soils_of(*rows)
    assert_same(run(weather, soils).isel(unit=order), run(weather, soils[order]))


@given(weathers, st.lists(profiles, min_size=2, max_size=4), st.integers(0, 3))
def test_a_unit_alone_equals_the_same_unit_in_a_batch(weather, rows, which):
    which %= len(rows)
    soils = soils_of(*rows)
    assert_same(run(weather, soils).isel(unit=[which]), run(weather, soils[which : which + 1]))


def test_a_season_alone_equals_the_same_season_in_a_record():
    weather = champion_weather((1990, 1996))
    soils = soils_of(profile("silt loam"), profile("sand"))
    seasons = seasons_of(weather)
    cell = np.zeros(2, int)
    whole = simulate(weather, seasons, soils, cell, settings())
    for s in range(len(seasons)):
        one = SeasonIndex(**{name: getattr(seasons, name)[s : s + 1] for name in SeasonIndex.__dataclass_fields__})
        alone = simulate(weather, one, soils, cell, settings())
        kept = whole.isel(season=[s], step=slice(alone.sizes["step"]))
        assert_same(kept, alone)


def test_a_unit_takes_the_weather_of_its_own_cell():
    dry, wet = champion_weather((1990, 1994)), champion_weather((1990, 1994), rain_factor=1.6)
    both = xr.concat([dry, wet], "cell", coords="minimal", compat="override")
    soils = soils_of(profile("silt loam"), profile("silt loam"), profile("sand"))
    seasons = seasons_of(both)
    together = simulate(both, seasons, soils, np.array([1, 0, 1]), settings())
    for unit, weather in ((0, wet), (1, dry), (2, wet)):
        alone = simulate(weather, seasons, soils[unit : unit + 1], np.zeros(1, int), settings())
        assert_same(together.isel(unit=[unit]), alone)


@given(weathers, profiles, any_settings())
def test_a_cover_that_never_comes_up_is_stubble(weather, row, used):
    """No option has an advantage or a cost that does not come from its plants."""
    result = run(weather, soils_of(row), without_cover(used))
    stubble = result.sel(option="stubble")
    for option in result["option"].values[1:]:
        np.testing.assert_array_equal(result["stored_mm"].sel(option=option), stubble["stored_mm"])
        for name in FLUXES:
            np.testing.assert_array_equal(result[name].sel(option=option), stubble[name])
        checks = ["mid_november", "first_april", "planting"]
        np.testing.assert_array_equal(
            result["paw_mm"].sel(option=option, check=checks), stubble["paw_mm"].sel(check=checks)
        )
        assert not result["emerged"].sel(option=option).any()
    planting = total(stubble["paw_mm"]).sel(check="planting")
    for rung in result["rung"].values:
        np.testing.assert_allclose(result["ladder_paw_mm"].sel(rung=rung), planting, atol=1e-4)


@given(weathers, profiles)
def test_forks_of_the_overwintering_cover_agree(weather, row):
    """The rung at planting is the late option; the rung on the early date is the early option."""
    result = run(weather, soils_of(row), ladder_days=(-30, -15, 0))
    planting = total(result["paw_mm"]).sel(check="planting")
    late, early = (planting.sel(option=f"overwinter_{name}") for name in ("late", "early"))
    np.testing.assert_allclose(result["ladder_paw_mm"].sel(rung=0), late, atol=1e-4)
    np.testing.assert_allclose(result["ladder_paw_mm"].sel(rung=-30), early, atol=1e-4)
    before = result["step"].values < 250
    np.testing.assert_array_equal(
        result["stored_mm"].sel(option="overwinter_early").isel(step=before),
        result["stored_mm"].sel(option="overwinter_late").isel(step=before),
    )


@pytest.mark.slow
def test_compiled_code_and_plain_python_agree(tmp_path):
    """The same season in the interpreter, in a process of its own with the compiler off."""
    out = tmp_path / "plain.npz"
    subprocess.run(
        [sys.executable, "-m", "tests.laws.plain_python", str(out)],
        cwd=ROOT, env={**os.environ, "NUMBA_DISABLE_JIT": "1"}, check=True, timeout=300,
    )  # fmt: skip
    compiled = cases()
    with np.load(out) as plain:
        assert set(plain.files) == set(compiled)
        for name, values in compiled.items():
            close = 1e-6 * np.nanmax(np.abs(values), initial=1.0) if values.dtype == np.float32 else 1e-9
            np.testing.assert_allclose(plain[name], values, rtol=0.0, atol=close, err_msg=name)
    assert max(np.nanmax(v) for n, v in compiled.items() if n.endswith("flux")) > 100.0
