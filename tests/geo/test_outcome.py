"""Paired outcomes: shortfall years, gaps, recovery, the latest safe date, and what the weather says."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geo.balance.simulate import killing_freeze, pack_days
from geo.options import COVERS, OPTIONS
from geo.rating.outcome import (
    STATS,
    TARGETS,
    cell_climate,
    outcomes_for_rule,
    shortfall,
    unit_outcomes,
)
from geo.rating.places import latest_safe_day
from geo.rating.rule import ZoneRules
from geo.rating.verdicts import test_values
from tests.geo.invented_run import (
    CAPACITY,
    EACH,
    PLANTING_DAY,
    RULES,
    invented_climate,
    invented_run,
    outcomes_of,
    three_units,
)
from tests.water import champion_weather, pinned_settings, profile, run, seasons_of, soils_of


@pytest.mark.parametrize(
    ("stubble", "option", "short"),
    [
        pytest.param(110.0, 90.0, True, id="the cover took it"),
        pytest.param(100.0, 99.9, True, id="stubble just meets the target"),
        pytest.param(110.0, 100.0, False, id="both meet it"),
        pytest.param(90.0, 50.0, False, id="stubble misses it too: the drought's doing"),
        pytest.param(90.0, 110.0, False, id="the cover left more"),
    ],
)
def test_shortfall_is_the_covers_own_doing(stubble, option, short):
    assert shortfall(np.array(stubble), np.array(option), np.array(100.0)) == short


@given(arrays(float, (2, 20), elements=st.floats(0, 300)), st.floats(1, 300))
def test_shortfall_years_by_counting(water, target):
    stubble, option = water
    counted = sum(1 for a, b in zip(stubble, option, strict=True) if a >= target > b)
    assert shortfall(stubble, option, np.array(target)).sum() == counted
    assert not shortfall(stubble, stubble, np.array(target)).any(), "stubble never falls short of itself"


def test_numbers_side_by_side_add_up():
    """Stubble less cover is the gap, also of a site of two soils; the spread is that of the yearly differences."""
    found = invented_run()
    out = outcomes_of(found, [(0, 0, 0.75), (0, 1, 0.25), (1, 1, 1.0), (2, 2, 1.0)])
    water = found["paw_mm"].sum("layer")
    mean = out.sel(stat="mean")
    for check, name in (("planting", "planting_gap_mm"), ("mid_november", "fall_gap_mm")):
        at = water.sel(check=check)
        yearly = (at.sel(option="stubble") - at).transpose("unit", "option", "season").values
        wanted = np.stack([yearly.mean(axis=2), *np.quantile(yearly, (0.1, 0.9), axis=2)], axis=2)
        assert STATS == ("mean", "p10", "p90")
        np.testing.assert_allclose(out[name].values[1:3], wanted[1:], atol=1e-3)
        np.testing.assert_allclose(out[name].values[0], 0.75 * wanted[0] + 0.25 * wanted[1], atol=1e-3)
    planting = mean["planting_water_mm"]
    gap = planting.sel(option="stubble") - planting
    np.testing.assert_allclose(mean["planting_gap_mm"][:3], gap[:3], atol=1e-3)
    np.testing.assert_allclose(out["paw_layer_mm"].sel(check="planting").sum("layer")[:3], planting[:3], atol=1e-3)
    assert (planting[:3] <= out["capacity_mm"][:3] + 1e-3).all()


def test_shortfall_by_target_and_at_the_study_target():
    found = invented_run()
    out = outcomes_of(found, EACH)
    water = found["paw_mm"].sum("layer").sel(check="planting").transpose("unit", "option", "season").values
    for j, share in enumerate(TARGETS):
        target = share * CAPACITY[:, None]
        for o in range(len(OPTIONS)):
            wanted = ((water[:, 0] >= target) & (water[:, o] < target)).mean(axis=1)
            np.testing.assert_allclose(out["shortfall_by_target"].values[:3, o, j], wanted, atol=1e-6)
    np.testing.assert_allclose(
        out["shortfall_years"].values[:3], out["shortfall_by_target"].sel(target=0.5, method="nearest").values[:3]
    )
    assert TARGETS[0] == 0.10
    assert TARGETS[-1] == 0.90
    assert len(TARGETS) == 17


def test_each_component_keeps_its_own_target():
    """A map unit of a deep and a shallow soil: each year of each component is judged by its own capacity."""
    found = invented_run()
    out = outcomes_of(found, [(0, 0, 0.75), (0, 1, 0.25)])
    single = outcomes_of(found, EACH)
    np.testing.assert_allclose(
        out["shortfall_years"].values[0],
        0.75 * single["shortfall_years"].values[0] + 0.25 * single["shortfall_years"].values[1], atol=1e-6,
    )  # fmt: skip
    assert out["capacity_mm"].values[0] == pytest.approx(0.75 * 200 + 0.25 * 80)


def test_winter_and_season_shares():
    found = invented_run()
    out = outcomes_of(found, EACH)
    living, cover = found["living_share"].values, found["ground_cover"].sel(when="freeze").values
    np.testing.assert_allclose(
        out["winterkill_years"].values[:3, 1:], (living <= 0.05).mean(axis=2)[:, 1:], atol=1e-6
    )
    np.testing.assert_allclose(out["survival_years"].values[:3, 1:], (living >= 0.5).mean(axis=2)[:, 1:], atol=1e-6)
    np.testing.assert_allclose(out["cover_ok_years"].values[:3, 1:], (cover >= 0.3).mean(axis=2)[:, 1:], atol=1e-6)
    for name in ("winterkill_years", "survival_years", "cover_ok_years"):
        assert np.isnan(out[name].sel(option="stubble")).all(), "stubble has no stand"


def test_recovery():
    found = invented_run()
    water = found["paw_mm"]
    water.loc[{"option": "winter_killed", "check": "mid_november"}] = (
        water.sel(option="stubble", check="mid_november") - 10.0
    )
    water.loc[{"option": "winter_killed", "check": "planting"}] = water.sel(option="stubble", check="planting") - 2.5
    water.loc[{"option": "overwinter_early", "check": "mid_november"}] = (
        water.sel(option="stubble", check="mid_november") - 1.0
    )
    out = outcomes_of(found, EACH)
    np.testing.assert_allclose(out["recovery"].sel(option="winter_killed")[:3], 0.75, atol=1e-4)
    assert np.isnan(out["recovery"].sel(option="overwinter_early")).all(), "a gap of 4 mm is too small to speak of"
    assert np.isnan(out["recovery"].sel(option="stubble")).all()


def test_dry_and_wet_springs():
    found, climate = invented_run(), invented_climate()
    out = outcomes_of(found, EACH)
    water = found["paw_mm"].sum("layer").sel(check="planting").transpose("unit", "option", "season").values
    for unit, cell in ((0, 0), (1, 0), (2, 1)):
        order = np.argsort(climate.spring_precip_mm[cell])
        gap = water[unit, 0] - water[unit]
        np.testing.assert_allclose(out["dry_spring_gap_mm"].values[unit], gap[:, order[:3]].mean(axis=1), atol=1e-3)
        np.testing.assert_allclose(out["wet_spring_gap_mm"].values[unit], gap[:, order[-3:]].mean(axis=1), atol=1e-3)


def test_a_site_without_rated_soil_is_missing():
    out = outcomes_of(invented_run(), EACH)
    last = out.isel(site=-1)
    for name in ("planting_water_mm", "planting_gap_mm", "shortfall_years", "capacity_mm", "latest_termination_day"):
        assert np.isnan(last[name]).all(), name


def test_the_cheap_part_holds_all_that_the_rule_reads():
    found = invented_run()
    cell = three_units(EACH).units["cell"].to_numpy()
    full = unit_outcomes(found, CAPACITY, cell, invented_climate(), RULES, PLANTING_DAY)
    np.testing.assert_array_equal(test_values(full), test_values(outcomes_for_rule(found, CAPACITY, RULES)))


@pytest.mark.parametrize(
    ("gap", "short", "day"),
    [
        pytest.param([0, 10, 20, 30], [0, 0, 0, 0], 130.0, id="all safe"),
        pytest.param([50, 60, 70, 80], [0, 0, 0, 0], np.nan, id="none safe"),
        pytest.param([0, 10, 28.1, 48.1], [0, 0, 0, 0], 125.0, id="the gap is met half way"),
        pytest.param([0, 0, 0, 0], [0.0, 0.1, 0.1, 0.3], 125.0, id="shortfall years are met half way"),
        pytest.param([0, 10, 28.1, 48.1], [0.0, 0.0, 0.1, 0.5], 122.5, id="the first test to fail counts"),
        pytest.param([0, 38.1, 100, 100], [0, 0.2, 0.2, 0.2], 110.0, id="exactly at the limit passes"),
        pytest.param([0, 60, 10, 10], [0, 0, 0, 0], 100 + 10 * 38.1 / 60, id="safe again later does not count"),
        pytest.param([np.nan, 0, 0, 0], [0, 0, 0, 0], np.nan, id="unknown"),
        pytest.param([28.1, 48.1, 48.1, 48.1], [0.2 + 1e-12] * 4, 105.0, id="rounding at one test moves no date"),
    ],
)
def test_latest_safe_day(gap, short, day):
    found = latest_safe_day(
        np.array([100.0, 110.0, 120.0, 130.0]), np.array([gap], float), np.array([short], float), RULES
    )
    np.testing.assert_allclose(found, [day])


@given(
    arrays(float, (4, 5), elements=st.floats(-20, 120)),
    arrays(float, (4, 5), elements=st.floats(0, 1)),
    st.floats(0, 60),
)
def test_latest_safe_day_is_inside_the_ladder_and_never_earlier_under_looser_rules(gap, short, more):
    days = np.array([65.0, 79.0, 93.0, 107.0, 121.0])
    strict = latest_safe_day(days, gap, short, RULES)
    loose = latest_safe_day(days, gap, short, ZoneRules(planting_gap_max_mm=RULES.planting_gap_max_mm + more))
    known = ~np.isnan(strict)
    assert ((strict[known] >= 65.0) & (strict[known] <= 121.0)).all()
    assert (loose[known] >= strict[known] - 1e-9).all()


def test_ladder_of_a_real_run_agrees_with_the_late_option():
    weather = champion_weather((1990, 2000))
    soils = soils_of(profile("silt loam"), profile("sand"), profile("loam"))
    seasons = seasons_of(weather)
    found = run(weather, soils, pinned_settings(), ladder_days=(-30, 0))
    freezes = killing_freeze(pack_days(weather), seasons)
    climate = cell_climate(weather, seasons, freezes)
    by_unit = unit_outcomes(found, soils["capacity_mm"].sum(axis=1), np.zeros(3, int), climate, RULES, PLANTING_DAY)
    out = by_unit.sel(stat="mean")
    assert list(out["ladder"].values) == [91, 121]
    for option, day in (("overwinter_early", 91), ("overwinter_late", 121)):
        gap = out["planting_gap_mm"].sel(option=option)
        np.testing.assert_allclose(out["termination_gap_mm"].sel(ladder=day)[:3], gap[:3], atol=1e-3)
        np.testing.assert_allclose(
            out["termination_shortfall"].sel(ladder=day)[:3], out["shortfall_years"].sel(option=option)[:3], atol=1e-6
        )
    assert (out["shortfall_years"].sel(option=list(COVERS))[:3] >= 0).all()


@pytest.fixture(scope="module")
def years() -> tuple[xr.Dataset, pd.DataFrame]:
    weather = champion_weather((1990, 2000))
    table = pd.DataFrame({n: weather[n].values for n in ("year", "month", "day")}).assign(
        **{n: weather[n].values[0] for n in ("precip_mm", "tmin_c", "tmax_c", "et0_mm")}
    )
    return weather, table.set_index(pd.to_datetime(table[["year", "month", "day"]]))


def test_weather_numbers_by_the_calendar(years):
    """Against pandas date slices."""
    weather, table = years
    seasons = seasons_of(weather)
    freezes = killing_freeze(pack_days(weather), seasons)
    found = cell_climate(weather, seasons, freezes)
    mean = 0.5 * (table["tmin_c"] + table["tmax_c"])
    annual = []
    for s, year in enumerate(seasons.year):
        autumn = table.loc[f"{year}-08-02" : f"{year + 1}-03-31"]
        frost = autumn.index[autumn["tmin_c"] <= -2.2][0]
        assert found.freeze_day[0, s] == (frost - pd.Timestamp(frost.year, 1, 1)).days + 1 - (
            frost.is_leap_year and frost.month > 2
        )
        heat = (mean.loc[f"{year}-07-20" : frost - pd.Timedelta(days=1)] - 4.4).clip(lower=0).sum()
        assert found.heat_gdd[0, s] == pytest.approx(heat, rel=1e-6)
        spring = table.loc[f"{year + 1}-04-01" : f"{year + 1}-04-30", "precip_mm"].sum()
        assert found.spring_precip_mm[0, s] == pytest.approx(spring, abs=1e-3)
        end = pd.Timestamp(year + 1, 4, 30)
        annual.append(table.loc[end - pd.Timedelta(days=364) : end, ["precip_mm", "et0_mm"]].sum())
    assert found.annual_precip_mm[0] == pytest.approx(np.mean([a["precip_mm"] for a in annual]), rel=1e-6)
    assert found.annual_et0_mm[0] == pytest.approx(np.mean([a["et0_mm"] for a in annual]), rel=1e-6)


def test_annual_numbers_of_one_season_are_those_of_one_year(years):
    """A season lasts longer than a year; its wet early summer must not count twice."""
    weather, _ = years
    short = weather.isel(time=slice(0, 730))
    seasons = seasons_of(short)
    assert len(seasons) == 1
    found = cell_climate(short, seasons, killing_freeze(pack_days(short), seasons))
    stop = int(seasons.stop[0])
    assert found.annual_precip_mm[0] == pytest.approx(float(short["precip_mm"][0, stop - 365 : stop].sum()), rel=1e-6)


def test_a_gap_between_seasons_leaves_the_numbers_known(years):
    weather, _ = years
    broken = weather.copy(deep=True)
    broken["precip_mm"].values[0, 10:30] = np.nan
    broken["tmin_c"].values[0, 10:30] = np.nan
    seasons = seasons_of(weather)
    one, two = (cell_climate(w, seasons, killing_freeze(pack_days(w), seasons)) for w in (weather, broken))
    for name in ("freeze_day", "heat_gdd", "spring_precip_mm", "annual_precip_mm", "annual_et0_mm"):
        np.testing.assert_allclose(getattr(one, name), getattr(two, name), err_msg=name)


def test_a_place_without_frost_has_no_freeze_day():
    weather = champion_weather((1990, 1994))
    warm = weather.assign(tmin_c=weather["tmin_c"] + 60.0, tmax_c=weather["tmax_c"] + 60.0)
    seasons = seasons_of(warm)
    climate = cell_climate(warm, seasons, killing_freeze(pack_days(warm), seasons))
    assert np.isinf(climate.freeze_day).all()
    soils = soils_of(profile("loam"))
    found = run(warm, soils, pinned_settings())
    out = unit_outcomes(found, soils["capacity_mm"].sum(axis=1), np.zeros(1, int), climate, RULES, PLANTING_DAY)
    assert out["first_freeze_day"].isnull().all()
    assert out["heat_after_harvest_gdd"].notnull().all()
