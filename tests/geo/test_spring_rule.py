"""Ended by the spring: each year is the early or the late one, the line is chosen as told, nothing looks ahead."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geo.balance.simulate import WHEN
from geo.model_rules import ModelRules
from geo.options import OPTIONS
from geo.rating.outcome import shortfall
from geo.rating.rule import ZoneRules
from geo.rating.spring_rule import (
    CURVES,
    LINES,
    best_lines,
    by_rule,
    ends_early,
    spring_outcomes,
    water_on_early_date,
)
from geo.season import CHECKS, Calendar, SeasonIndex
from tests.water import CALENDAR, champion_weather, pinned_settings, profile, run, seasons_of, soils_of

RULES = ZoneRules()
EARLY, LATE = OPTIONS.index("overwinter_early"), OPTIONS.index("overwinter_late")

# Six years on a soil that holds 200 mm; enough is 100 mm. Growth in kg/ha.
SIX = pd.DataFrame(
    {
        "april": [40, 70, 90, 110, 150, 190],
        "stubble": [90, 130, 120, 140, 160, 190],
        "early": [80, 105, 110, 125, 150, 180],
        "late": [60, 70, 85, 95, 120, 175],
        "early_growth": [500, 600, 700, 800, 900, 1000],
        "late_growth": [900, 1400, 1900, 2400, 2900, 3400],
    },
    dtype=float,
)


def six_years() -> tuple[xr.Dataset, SeasonIndex]:
    """Return the six years as a run of one unit; all water lies in the first foot."""
    n = len(SIX)
    paw = np.zeros((1, 4, n, len(CHECKS), 4), np.float32)
    for option, column in (("stubble", "stubble"), ("overwinter_early", "early"), ("overwinter_late", "late")):
        paw[0, OPTIONS.index(option), :, CHECKS.index("planting"), 0] = SIX[column]
        paw[0, OPTIONS.index(option), :, CHECKS.index("first_april"), 0] = SIX["april"]
    mass = np.zeros((1, 4, n, len(WHEN)), np.float32)
    mass[0, LATE, :, WHEN.index("freeze")] = SIX["early_growth"]
    mass[0, LATE, :, WHEN.index("end")] = SIX["late_growth"]
    found = xr.Dataset(
        {
            "paw_mm": (("unit", "option", "season", "check", "layer"), paw),
            "biomass_kg_ha": (("unit", "option", "season", "when"), mass),
            "stored_mm": (("unit", "option", "season", "step"), np.zeros((1, 4, n, 43), np.float32)),
        },
        coords={"option": list(OPTIONS), "check": list(CHECKS), "when": list(WHEN), "step": np.arange(43) * 7},
    )
    harvest = np.arange(n) * 365 + 200
    days = {"harvest": 0, "mid_november": 118, "first_april": 255, "early_termination": 255, "stop": 299}
    index = {name: harvest + days.get(name, 0) for name in SeasonIndex.__dataclass_fields__}
    return found, SeasonIndex(**index)


# Worked by hand. At half of capacity the first three years (40, 70, 90 mm, all below 100) end early, so that planting
# water is 80, 105, 110 | 95, 120, 175. Short is only the fourth (stubble 140, cover 95); the first: stubble 90, too.
# Gaps 10, 25, 10, 45, 40, 15: mean 145 / 6. Growth (500 + 600 + 700 + 2400 + 2900 + 3400) / 6 = 1750.
@pytest.mark.parametrize(
    ("line", "early_years", "short", "gap", "growth"),
    [
        pytest.param(0.0, 0, 3, 225, 12900, id="never early"),
        pytest.param(0.2, 0, 3, 225, 12900, id="40 mm is not less than 40 mm"),
        pytest.param(0.3, 1, 3, 205, 12500, id="the driest year"),
        pytest.param(0.4, 2, 2, 170, 11700, id="two years"),
        pytest.param(0.5, 3, 1, 145, 10500, id="half of capacity"),
        pytest.param(0.6, 4, 0, 115, 8900, id="four years"),
        pytest.param(0.8, 5, 0, 85, 6900, id="all but the wettest"),
        pytest.param(np.inf, 6, 0, 80, 4500, id="always early"),
    ],
)
def test_six_years_by_hand(line, early_years, short, gap, growth):
    found, seasons = six_years()
    model = replace(ModelRules(), dry_spring_share=line)
    out = spring_outcomes(found, np.array([200.0]), seasons, RULES, model).isel(unit=0)
    assert float(out["spring_rule_early_years"]) == pytest.approx(early_years / 6)
    assert float(out["spring_rule_shortfall_years"]) == pytest.approx(short / 6)
    assert float(out["spring_rule_gap_mm"]) == pytest.approx(gap / 6)
    assert float(out["spring_rule_growth_kg_ha"]) == pytest.approx(growth / 6)
    assert float(out["early_growth_kg_ha"]) == 750.0
    assert float(out["late_growth_kg_ha"]) == 2150.0


# The curves of the six years; late: 3 of 6 short, mean gap 37.5 mm.
@pytest.mark.parametrize(
    ("rules", "gain", "asked", "line"),
    [
        pytest.param({}, 0.1, True, 0.5, id="one year in six is within 0.2: the lowest line that is, grows most"),
        pytest.param({"shortfall_max": 0.35}, 0.1, True, 0.4, id="two years are allowed"),
        pytest.param(
            {"shortfall_max": 0.1}, 0.1, True, 0.7, id="no year is allowed; 0.6 and 0.7 split no year: higher"
        ),
        pytest.param({"planting_gap_max_mm": 15.0}, 0.1, True, 0.9, id="the gap decides; 0.8 and 0.9 split no year"),
        pytest.param({"shortfall_max": 0.5}, 0.1, True, np.nan, id="late is within limits"),
        pytest.param({}, 1.4, True, np.nan, id="1750 is not 140 % more than 750"),
        pytest.param({}, 1.3, True, 0.5, id="but it is 130 % more"),
        pytest.param({}, 0.1, False, np.nan, id="nobody asked"),
        pytest.param({"planting_gap_max_mm": 5.0}, 0.1, True, np.nan, id="no line keeps the gap"),
    ],
)
def test_the_line_of_the_six_years(rules, gain, asked, line):
    found, seasons = six_years()
    out = spring_outcomes(found, np.array([200.0]), seasons, RULES)
    values = {name: out[name].values.astype(float) for name in (*CURVES, "early_growth_kg_ha")}
    values |= {"late_shortfall": np.array([0.5]), "late_gap_mm": np.array([37.5]), "capacity_mm": np.array([200.0])}
    model = replace(ModelRules(), spring_gain_min=gain)
    row = best_lines(values, replace(RULES, **rules), model, np.array([asked])).iloc[0]
    np.testing.assert_allclose(row["spring_line_share"], line)
    np.testing.assert_allclose(row["spring_line_mm"], 200.0 * line)
    assert row.isna().all() == np.isnan(line)


water = arrays(float, (3, 12), elements=st.floats(0, 250))
share = st.sampled_from([*LINES, 0.0, 1.0])


@given(water, water, water, water, share, st.floats(20, 150))
def test_laws_of_any_years(april, stubble, early, late, line, target):
    """Whatever the years: a selection, nested in the line, between the best and the worst of both ends."""
    capacity = np.array([100.0, 180.0, 240.0])
    chosen = ends_early(april, capacity, line)
    left = by_rule(chosen, early, late)
    assert ((left == early) | (left == late)).all()
    np.testing.assert_array_equal(left[chosen], early[chosen])
    np.testing.assert_array_equal(left[~chosen], late[~chosen])
    for other in LINES:
        inside, outside = sorted((line, other))
        assert (ends_early(april, capacity, inside) <= ends_early(april, capacity, outside)).all()
    ends = [shortfall(stubble, end, np.array(target)) for end in (early, late)]
    ruled = shortfall(stubble, left, np.array(target))
    assert ((ends[0] & ends[1]) <= ruled).all(), "short at both ends is short by the rule"
    assert (ruled <= (ends[0] | ends[1])).all(), "short by the rule is short at one end"
    np.testing.assert_array_equal(by_rule(ends_early(april, capacity, 0.0), early, late), late)
    np.testing.assert_array_equal(by_rule(ends_early(april, capacity, np.inf), early, late), early)


@given(
    arrays(float, (20, len(LINES)), elements=st.floats(0, 1)),
    arrays(float, (20, len(LINES)), elements=st.floats(-20, 90)),
    arrays(float, (20, len(LINES)), elements=st.floats(0, 5000)),
    arrays(float, (20, 3), elements=st.floats(0, 1)),
)
def test_a_line_that_is_named_beats_both_dates(short, gap, growth, fixed):
    values = {
        "line_early_years": short, "line_shortfall_years": short, "line_gap_mm": gap, "line_growth_kg_ha": growth,
        "early_growth_kg_ha": 4000 * fixed[:, 0], "late_shortfall": fixed[:, 1], "late_gap_mm": 90 * fixed[:, 2],
        "capacity_mm": np.full(20, 200.0),
    }  # fmt: skip
    rows = best_lines(values, RULES, ModelRules(), np.ones(20, bool))
    good = (short < 0.2005) & (gap < 38.15) & (growth >= 1.1 * values["early_growth_kg_ha"][:, None])
    good &= growth > values["early_growth_kg_ha"][:, None]
    late_fits = (values["late_shortfall"] < 0.2005) & (values["late_gap_mm"] < 38.15)
    for k, row in rows.iterrows():
        if late_fits[k] or not good[k].any():
            assert row.isna().all()
            continue
        assert row["spring_line_growth_kg_ha"] == growth[k][good[k]].max()
        assert row["spring_line_shortfall_years"] < 0.2005
        assert row["spring_line_gap_mm"] < 38.15
        assert row["spring_line_mm"] == pytest.approx(200.0 * row["spring_line_share"])


def test_unknown_ground_has_no_line():
    values = {name: np.full((2, len(LINES)), np.nan) for name in CURVES}
    values |= dict.fromkeys(
        ("early_growth_kg_ha", "late_shortfall", "late_gap_mm", "capacity_mm"), np.full(2, np.nan)
    )
    assert best_lines(values, RULES, ModelRules(), np.ones(2, bool)).isna().all(axis=None)


@pytest.mark.parametrize(
    ("early_date", "days_before"),
    [
        pytest.param((4, 1), 0, id="on the check date: its own water"),
        pytest.param((4, 3), 2, id="two days after the check: still the check, later than the week"),
        pytest.param((3, 31), 2, id="a day before the check: the day of the week before, 252 days after 20 July"),
        pytest.param((3, 20), 5, id="243 days after harvest: day 238"),
    ],
)
def test_only_what_is_known_on_that_day_counts(early_date, days_before):
    """The water is that of the growing cover, some days before the date; later water may be anything."""
    calendar = replace(CALENDAR, early_termination=early_date, planting=(5, 15))
    weather = champion_weather((1990, 1993))  # 1992 is a leap year: its season is left out of the day counts
    seasons, soils = seasons_of(weather, calendar), soils_of(profile("silt loam"), profile("sand"))
    found = run(weather, soils, pinned_settings(), calendar)
    known = water_on_early_date(found, seasons)
    shifted = replace(calendar, early_termination=_shifted(early_date, days_before))
    exact = run(weather, soils, pinned_settings(), shifted, ladder_days=(0,))
    assert known.shape == (2, len(seasons))
    age = seasons.early_termination - seasons.harvest
    broken = found.copy(deep=True)
    for s in range(len(seasons)):
        broken["stored_mm"].values[:, :, s, int(np.searchsorted(found["step"].values, age[s], side="right")) :] = (
            np.nan
        )
    np.testing.assert_array_equal(water_on_early_date(broken, seasons), known)
    at = _water_at(exact, weather, shifted)
    plain = seasons.year != 1991  # the spring of 1992 has a 29 February
    np.testing.assert_allclose(known[:, plain], at[:, plain], atol=1e-3)


def _shifted(date: tuple[int, int], days: int) -> tuple[int, int]:
    then = pd.Timestamp(1991, *date) - pd.Timedelta(days=days)
    return then.month, then.day


def _water_at(found: xr.Dataset, weather: xr.Dataset, calendar: Calendar) -> np.ndarray:
    """Return the late option's water on the early date, made exact by a first-April check on that very day."""
    moved = replace(calendar, first_april=calendar.early_termination)
    again = run(weather, soils_of(profile("silt loam"), profile("sand")), pinned_settings(), moved)
    assert found.sizes["season"] == again.sizes["season"]
    return again["paw_mm"].sel(option="overwinter_late", check="first_april").sum("layer").values


def test_a_real_run_is_made_of_its_own_years():
    """Champion record: every year's water is the early or the late option's, and ten lines lie between both ends."""
    weather = champion_weather((1982, 2002))
    soils = soils_of(profile("silt loam"), profile("sandy loam"), profile("loam", feet=2.0))
    seasons, found = seasons_of(weather), run(weather, soils, pinned_settings())
    capacity = soils["capacity_mm"].sum(axis=1)
    known = water_on_early_date(found, seasons)
    assert (known <= capacity[:, None] + 1e-3).all()
    planting = found["paw_mm"].sel(check="planting").sum("layer").transpose("unit", "option", "season").values
    models = {line: replace(ModelRules(), dry_spring_share=line) for line in (0.0, 0.5, np.inf)}
    ends = {k: spring_outcomes(found, capacity, seasons, RULES, model) for k, model in models.items()}
    for line, option in ((0.0, LATE), (np.inf, EARLY)):
        gap = (planting[:, 0] - planting[:, option]).mean(axis=1)
        np.testing.assert_allclose(ends[line]["spring_rule_gap_mm"], gap, atol=1e-3)
        mean = planting[:, option].mean(axis=1)
        np.testing.assert_allclose(ends[line]["spring_rule_water_mm"], mean, atol=1e-3)
        short = shortfall(planting[:, 0], planting[:, option], 0.5 * capacity[:, None]).mean(axis=1)
        np.testing.assert_allclose(ends[line]["spring_rule_shortfall_years"], short, atol=1e-6)
    half = ends[0.5]
    for name in ("early_years", "shortfall_years", "gap_mm", "growth_kg_ha"):
        np.testing.assert_array_equal(half[f"spring_rule_{name}"], half[f"line_{name}"].sel(line=0.5))
    early = half["line_early_years"].values
    assert (np.diff(early, axis=1) >= 0.0).all()
    assert early.min() < early.max()
    np.testing.assert_array_equal(ends[0.0]["spring_rule_growth_kg_ha"], half["late_growth_kg_ha"])
    np.testing.assert_array_equal(ends[np.inf]["spring_rule_growth_kg_ha"], half["early_growth_kg_ha"])
