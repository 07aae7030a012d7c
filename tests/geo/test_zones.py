"""The zone rule against the same rule written down plainly, one place at a time."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from geo.errors import StudyError
from geo.options import COVERS, OPTIONS
from geo.rating import (
    FACTOR_OF_TEST,
    RECOMMENDED_OPTION,
    TESTS,
    ZONE_CODES,
    ZONE_NAMES,
    Judged,
    Limits,
    ZoneRules,
    judge,
)
from tests.water import tables

RULES = ZoneRules()
NUMBERS = ("cover", "winter", "gap", "short")


def plain_rule(site: dict[str, dict[str, float]], rules: ZoneRules, rated: bool, water: bool) -> dict[str, Any]:
    """Classify one place by the words of the rule, without arrays, in decimal numbers."""
    needed = [site[c][k] for c in COVERS for k in NUMBERS]
    none: dict[str, Any] = {"zone": "not_rated", "test": "", "option": "", "margin": math.nan, "answer": ""}
    if not rated or any(math.isnan(v) for v in needed):
        return none

    def rounded(value: float, step: str) -> Decimal:
        return Decimal(math.floor(value / float(step) + 0.5)) * Decimal(step)

    def margins(cover: str) -> dict[str, Decimal]:
        winter_min = rules.winterkill_min if cover == "winter_killed" else rules.survival_min
        v = site[cover]
        found = {}
        for test, value, limit, step, floor, sign in (
            ("season", v["cover"], rules.season_min, "0.001", "0.01", 1),
            ("winter", v["winter"], winter_min, "0.001", "0.01", 1),
            ("gap", v["gap"], rules.planting_gap_max_mm, "0.1", "1.0", -1),
            ("shortfall", v["short"], rules.shortfall_max, "0.001", "0.01", -1),
        ):
            if test in ("gap", "shortfall") and not water:
                found[test] = Decimal("Infinity")
                continue
            least = rounded(limit, step)
            found[test] = sign * (rounded(value, step) - least) / max(least, Decimal(floor))
        return found

    margin = {c: margins(c) for c in COVERS}
    killed, early, late = (min(margin[c].values()) >= 0 for c in COVERS)
    wet = ("gap", "shortfall")
    leaves_water = [c for c in COVERS if all(margin[c][t] >= 0 for t in wet)]
    limits: tuple[str, ...]
    if killed and late:
        zone, answer, among, limits = "either", "winter_killed", [], ()
    elif killed and early:
        zone, answer, among, limits = "winter_killed_or_early", "winter_killed", ["overwinter_late"], TESTS
    elif killed:
        zone, answer, among, limits = "winter_killed", "winter_killed", ["overwinter_early"], TESTS
    elif early or late:
        answer = "overwinter_early" if early else "overwinter_late"
        zone, among, limits = "overwintering", ["winter_killed"], TESTS
    elif leaves_water:
        zone, answer, among, limits = "stubble_season", "stubble", leaves_water, ("season", "winter")
    else:
        zone, answer, among, limits = "stubble_water", "stubble", list(COVERS), wet
    option = max(among, key=lambda c: min(margin[c][t] for t in limits)) if among else ""  # the first of equals
    test = min(limits, key=lambda t: margin[option][t]) if option else ""
    size = min(margin[option][t] for t in limits) if answer == "stubble" else min(margin[answer].values())
    return {"zone": zone, "test": test, "option": option, "margin": float(size), "answer": answer}


def outcomes_of(sites: list[dict[str, dict[str, float]]]) -> xr.Dataset:
    """Build the outcomes that the rule reads; the kind of winter test that an option does not take is NaN."""
    n = len(sites)
    names = ("cover_ok_years", "winterkill_years", "survival_years", "shortfall_years", "planting_gap_mm")
    data = {name: np.full((n, len(OPTIONS)), np.nan) for name in names}
    for i, site in enumerate(sites):
        for o, option in enumerate(OPTIONS[1:], start=1):
            v = site[option]
            data["cover_ok_years"][i, o] = v["cover"]
            data["winterkill_years" if option == "winter_killed" else "survival_years"][i, o] = v["winter"]
            data["shortfall_years"][i, o] = v["short"]
            data["planting_gap_mm"][i, o] = v["gap"]
    return xr.Dataset(
        {k: (("site", "option"), v) for k, v in data.items()},
        coords={"site": np.arange(n), "option": list(OPTIONS)},
    )


def judged(outcomes: xr.Dataset, rules: ZoneRules = RULES, rated: Any = True, *, water: bool = True) -> Judged:
    n = outcomes.sizes["site"]
    limits = Limits.of(rules, rules, np.full(n, not water))
    return judge(outcomes, limits, np.broadcast_to(rated, n))


def site_of(**changes: dict[str, float]) -> dict[str, dict[str, float]]:
    """Return a site on which every option passes with room to spare, with some numbers changed."""
    good = {"cover": 0.95, "winter": 1.0, "gap": 5.0, "short": 0.02}
    return {c: {**good, **changes.get(c, {})} for c in COVERS}


# thresholds themselves, their neighbours, missing, and anything in between
shares = st.one_of(st.sampled_from([0.0, 0.2, 0.5, 0.7, 0.9, 1.0, 0.6995, 0.8994, math.nan]), st.floats(0.0, 1.0))
gaps = st.one_of(st.sampled_from([-5.0, 0.0, 38.1, 38.14, 38.15, 38.2, math.nan]), st.floats(-40.0, 150.0))
numbers = st.fixed_dictionaries({"cover": shares, "winter": shares, "gap": gaps, "short": shares})
sites = st.fixed_dictionaries(dict.fromkeys(COVERS, numbers))
rule_sets = st.builds(
    ZoneRules,
    season_min=st.sampled_from([0.5, 0.7, 0.95]), winterkill_min=st.sampled_from([0.5, 0.9, 1.0]),
    survival_min=st.sampled_from([0.5, 0.7, 1.0]), planting_gap_max_mm=st.sampled_from([0.0, 38.1, 150.0]),
    shortfall_max=st.sampled_from([0.0, 0.2, 0.6]),
)  # fmt: skip


@given(st.lists(st.tuples(sites, st.booleans()), min_size=1, max_size=8), rule_sets, st.booleans())
def test_arrays_and_plain_words_agree(cases, rules, water):
    table = judged(outcomes_of([s for s, _ in cases]), rules, np.array([r for _, r in cases]), water=water).table
    for i, (site, rated) in enumerate(cases):
        wanted, got = plain_rule(site, rules, rated, water), table.iloc[i]
        assert (got["zone"], got["limiting_test"], got["limiting_option"], got["recommended_option"]) == (
            wanted["zone"],
            wanted["test"],
            wanted["option"],
            wanted["answer"],
        )
        assert got["zone_code"] == ZONE_CODES[wanted["zone"]]
        assert got["limiting_factor"] == ({"": ""} | dict(zip(TESTS, FACTOR_OF_TEST, strict=True)))[wanted["test"]]
        if math.isinf(wanted["margin"]) or math.isnan(wanted["margin"]):
            assert math.isnan(got["margin"])
        else:
            assert got["margin"] == pytest.approx(wanted["margin"], rel=1e-12, abs=1e-12)


@given(st.lists(sites, min_size=1, max_size=6), rule_sets, st.booleans())
def test_a_zone_says_only_what_its_tests_do(found, rules, water):
    """Every statement that the name of a zone makes is true of the verdicts, on every place."""
    result = judged(outcomes_of(found), rules, water=water)
    passed = result.verdicts["passed"]
    fits = {c: passed.sel(cover=c).all("test").values for c in COVERS}
    leaves = passed.sel(test=["gap", "shortfall"]).all("test").any("cover").values
    for k, zone in enumerate(result.table["zone"]):
        killed, early, late = (bool(fits[c][k]) for c in COVERS)
        meaning = {
            "stubble_water": not (killed or early or late) and not leaves[k],
            "stubble_season": not (killed or early or late) and leaves[k],
            "winter_killed": killed and not early and not late,
            "winter_killed_or_early": killed and early and not late,
            "either": killed and late,
            "overwintering": not killed and (early or late),
            "not_rated": True,
        }
        assert meaning[zone]
        option, test = result.table["limiting_option"].iloc[k], result.table["limiting_test"].iloc[k]
        if option:
            assert not bool(passed.sel(cover=option, test=test)[k]), "what limits has failed"


THIRSTY, COLD, POOR = {"gap": 80.0, "short": 0.5}, {"winter": 0.2}, {"cover": 0.3}
ZONES = [
    (
        "stubble_water",
        site_of(winter_killed=THIRSTY, overwinter_early=THIRSTY, overwinter_late=THIRSTY),
        True,
        "water",
    ),
    ("stubble_season", site_of(winter_killed=POOR, overwinter_early=POOR, overwinter_late=POOR), True, "season"),
    ("stubble_season", site_of(winter_killed=COLD, overwinter_early=COLD, overwinter_late=COLD), True, "winter"),
    ("winter_killed", site_of(overwinter_early=THIRSTY, overwinter_late=THIRSTY), True, "water"),
    ("winter_killed", site_of(overwinter_early=COLD, overwinter_late=COLD), True, "winter"),
    ("winter_killed_or_early", site_of(overwinter_late=THIRSTY), True, "water"),
    ("either", site_of(), True, ""),
    (
        "stubble_season",
        site_of(winter_killed=THIRSTY, overwinter_early=COLD, overwinter_late={**COLD, **THIRSTY}),
        True,
        "winter",
    ),
    ("stubble_water", site_of(**dict.fromkeys(COVERS, {**THIRSTY, **POOR})), True, "water"),
    ("overwintering", site_of(winter_killed=POOR), True, "season"),
    ("overwintering", site_of(winter_killed=COLD, overwinter_late=THIRSTY), True, "winter"),
    ("not_rated", site_of(), False, ""),
    ("not_rated", site_of(winter_killed={"gap": math.nan}), True, ""),
]


@pytest.mark.parametrize(
    ("zone", "site", "rated", "factor"), ZONES, ids=[f"{z[0]}, limited by {z[3] or 'nothing'}" for z in ZONES]
)
def test_zones_and_what_limits_them(zone, site, rated, factor):
    row = judged(outcomes_of([site]), rated=rated).table.iloc[0]
    assert row["zone"] == zone
    assert row["limiting_factor"] == factor
    assert (row["limiting_option"] == "") == (zone in ("either", "not_rated"))


def test_every_zone_can_be_reached():
    assert {z[0] for z in ZONES} == set(ZONE_CODES)
    assert set(RECOMMENDED_OPTION) == set(ZONE_CODES)
    assert sorted(ZONE_NAMES) == list(range(1, 8)), "from dry to wet, not rated last; 0 is outside"


def test_recommended_option_passes_its_own_tests():
    for zone, site, rated, _ in ZONES:
        found = judged(outcomes_of([site]), rated=rated)
        option = found.table["recommended_option"].iloc[0]
        assert option == RECOMMENDED_OPTION[zone]
        if option not in ("", "stubble"):
            assert found.verdicts["passed"].sel(cover=option).all(), zone
    late_only = judged(outcomes_of([site_of(winter_killed=POOR, overwinter_early=POOR)]))
    assert late_only.table["recommended_option"].tolist() == ["overwinter_late"]


def test_water_is_bought_on_irrigated_ground():
    """A thirsty cover passes under irrigation; one that winter kills too late still fails; missing stays missing."""
    thirsty = site_of(winter_killed=THIRSTY, overwinter_early=THIRSTY, overwinter_late=THIRSTY)
    both = outcomes_of(
        [thirsty, site_of(winter_killed={**THIRSTY, **COLD}), site_of(winter_killed={"gap": math.nan})]
    )
    dry, wet = (judged(both, water=w) for w in (True, False))
    assert dry.table["zone"].tolist() == ["stubble_water", "overwintering", "not_rated"]
    assert wet.table["zone"].tolist() == ["either", "overwintering", "not_rated"]
    water = wet.verdicts.sel(cover="winter_killed", test=["gap", "shortfall"])
    assert water["waived"][0].all()
    assert water["passed"][0].all()
    assert np.isnan(water["margin"]).all()


def test_verdicts_show_number_limit_and_margin():
    tests = judged(outcomes_of([site_of(winter_killed={"gap": 19.05, "short": 0.3})])).verdicts.squeeze("site")
    gap, short = (tests.sel(cover="winter_killed", test=t) for t in ("gap", "shortfall"))
    assert float(gap["value"]) == pytest.approx(19.1), "to the tenth of a millimetre, halves upwards"
    assert float(gap["limit"]) == pytest.approx(38.1)
    assert float(gap["margin"]) == pytest.approx(19.0 / 38.1)
    assert bool(gap["passed"])
    assert float(short["margin"]) == pytest.approx(-0.5)
    assert not bool(short["passed"])
    assert float(short["share"]) == 0.0
    assert float(tests.sel(cover="winter_killed", test="winter")["limit"]) == pytest.approx(RULES.winterkill_min)
    assert float(tests.sel(cover="overwinter_late", test="winter")["limit"]) == pytest.approx(RULES.survival_min)


@given(st.lists(sites, min_size=1, max_size=5), st.floats(0.0, 100.0), st.floats(0.0, 0.4))
def test_looser_water_rules_never_take_an_option_away(found, more_gap, more_short):
    outcomes = outcomes_of(found)
    loose = replace(
        RULES,
        planting_gap_max_mm=RULES.planting_gap_max_mm + more_gap,
        shortfall_max=RULES.shortfall_max + more_short,
    )
    strict_passed, loose_passed = (judged(outcomes, r).verdicts["passed"] for r in (RULES, loose))
    assert (loose_passed >= strict_passed).all()


def test_the_gap_of_the_rule_is_the_mean():
    plain = outcomes_of([site_of(winter_killed={"gap": 30.0})])
    stats = plain["planting_gap_mm"].expand_dims(stat=["mean", "p10", "p90"], axis=-1) + xr.DataArray(
        [0.0, -50.0, 50.0], dims="stat"
    )
    value = judged(plain.assign(planting_gap_mm=stats)).verdicts["value"].sel(cover="winter_killed", test="gap")
    assert float(value.squeeze()) == pytest.approx(30.0)


def test_rules_come_from_the_shared_table():
    rules = ZoneRules.from_table(tables().rules)
    assert set(tables().rules) == set(asdict(rules))
    for name, row in tables().rules.items():
        assert getattr(rules, name) == row["value"]
        assert row["low"] <= row["value"] <= row["high"]
        assert row["source"]
        assert row["unit"]


@pytest.mark.parametrize(
    ("change", "what"),
    [({"planting_gap_max_mm": -1.0}, "outside its range"), ({"shortfall_max": 0.9}, "outside its range"),
     ({"gap": 1.0}, "no rule called")],
)  # fmt: skip
def test_rules_outside_their_range_are_refused(change, what):
    with pytest.raises(StudyError, match=what) as caught:
        ZoneRules.from_table(tables().rules, **change)
    assert caught.value.where == f"rule {next(iter(change))}"
    assert caught.value.fix


def test_a_study_changes_one_rule_only():
    rules = ZoneRules.from_table(tables().rules, planting_gap_max_mm=50.0)
    assert rules == replace(ZoneRules.from_table(tables().rules), planting_gap_max_mm=50.0)
