"""The zone rule against the same rule written down plainly, one site at a time."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from typing import Any

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from geo.errors import StudyError
from geo.options import COVERS, OPTIONS
from geo.rating.zone_codes import RECOMMENDED_OPTION, TESTS, ZONE_CODES, ZONE_NAMES
from geo.rating.zones import ZoneRules, classify, zone_tests
from tests.water import tables

RULES = ZoneRules()
NUMBERS = ("cover", "winter", "gap", "short")


def plain_rule(
    site: dict[str, dict[str, float]], rules: ZoneRules, rated_share: float, water: bool
) -> dict[str, Any]:
    """Classify one site by the words of the rule, without arrays."""
    needed = [site[c][k] for c in COVERS for k in NUMBERS]
    none: dict[str, Any] = {"zone": "not_rated", "factor": "", "option": "", "margin": math.nan}
    if rated_share < rules.rated_share_min - 1e-9 or any(math.isnan(v) for v in needed):
        return none

    def margins(cover: str) -> dict[str, float]:
        winter_min = rules.winterkill_min if cover == "winter_killed" else rules.survival_min
        v = site[cover]
        found = {
            "season": (v["cover"] - rules.season_min) / max(rules.season_min, 0.01),
            "winter": (v["winter"] - winter_min) / max(winter_min, 0.01),
            "gap": (rules.planting_gap_max_mm - v["gap"]) / max(rules.planting_gap_max_mm, 1.0),
            "shortfall": (rules.shortfall_max - v["short"]) / max(rules.shortfall_max, 0.01),
        }
        return found if water else {**found, "gap": math.inf, "shortfall": math.inf}

    def passes(cover: str) -> bool:
        winter_min = rules.winterkill_min if cover == "winter_killed" else rules.survival_min
        v = site[cover]
        dry = v["cover"] >= rules.season_min - 1e-9 and v["winter"] >= winter_min - 1e-9
        wet = v["gap"] <= rules.planting_gap_max_mm + 1e-9 and v["short"] <= rules.shortfall_max + 1e-9
        return dry and (wet or not water)

    margin = {c: margins(c) for c in COVERS}
    worst = {c: min(TESTS, key=lambda t: margin[c][t]) for c in COVERS}  # the first of equals
    killed, early, late = (passes(c) for c in COVERS)
    factor = {"season": "season", "winter": "winter", "gap": "water", "shortfall": "water"}
    nearest = max(COVERS, key=lambda c: margin[c][worst[c]])
    if killed and late:
        zone, limiting, stands = "either", "", "winter_killed"
    elif killed and early:
        zone, limiting, stands = "winter_killed_or_early", "overwinter_late", "winter_killed"
    elif killed:
        zone, limiting, stands = "winter_killed", "overwinter_early", "winter_killed"
    elif early or late:
        zone, limiting = "overwintering", "winter_killed"
        stands = "overwinter_early" if early else "overwinter_late"
    else:
        zone = "stubble_water" if factor[worst[nearest]] == "water" else "stubble_season"
        limiting, stands = nearest, nearest
    return {
        "zone": zone, "option": limiting, "factor": factor[worst[limiting]] if limiting else "",
        "margin": margin[stands][worst[stands]],
    }  # fmt: skip


def outcomes_of(sites: list[dict[str, dict[str, float]]]) -> xr.Dataset:
    """Build the outcomes that the rule reads; the kind of winter test that an option does not take is NaN."""
    n = len(sites)
    names = ("cover_ok_years", "winterkill_years", "survival_years", "shortfall_years")
    data = {name: np.full((n, len(OPTIONS)), np.nan) for name in names}
    gap = np.zeros((n, len(OPTIONS), 3))
    for i, site in enumerate(sites):
        for o, option in enumerate(OPTIONS[1:], start=1):
            v = site[option]
            data["cover_ok_years"][i, o] = v["cover"]
            data["winterkill_years" if option == "winter_killed" else "survival_years"][i, o] = v["winter"]
            data["shortfall_years"][i, o] = v["short"]
            gap[i, o] = v["gap"] - 20.0, v["gap"], v["gap"] + 20.0
        data["shortfall_years"][i, 0] = 0.0
    return xr.Dataset(
        {**{k: (("site", "option"), v) for k, v in data.items()},
         "planting_gap_mm": (("site", "option", "quantile"), gap)},
        coords={"site": np.arange(n), "option": list(OPTIONS), "quantile": [0.25, 0.5, 0.75]},
    )  # fmt: skip


def site_of(**changes: dict[str, float]) -> dict[str, dict[str, float]]:
    """Return a site on which every option passes with room to spare, with some numbers changed."""
    good = {"cover": 0.95, "winter": 1.0, "gap": 5.0, "short": 0.02}
    return {c: {**good, **changes.get(c, {})} for c in COVERS}


# thresholds themselves, their neighbours, missing, and anything in between
shares = st.one_of(
    st.sampled_from([0.0, 0.2, 0.5, 0.7, 0.9, 1.0, 0.7 - 5e-10, 0.9 - 5e-10, math.nan]), st.floats(0.0, 1.0)
)
gaps = st.one_of(st.sampled_from([-5.0, 0.0, 38.1, 38.1 + 5e-10, 38.2, math.nan]), st.floats(-40.0, 150.0))
numbers = st.fixed_dictionaries({"cover": shares, "winter": shares, "gap": gaps, "short": shares})
sites = st.fixed_dictionaries(dict.fromkeys(COVERS, numbers))
rule_sets = st.builds(
    ZoneRules,
    season_min=st.sampled_from([0.5, 0.7, 0.95]), winterkill_min=st.sampled_from([0.5, 0.9, 1.0]),
    survival_min=st.sampled_from([0.5, 0.7, 1.0]), planting_gap_max_mm=st.sampled_from([0.0, 38.1, 150.0]),
    shortfall_max=st.sampled_from([0.0, 0.2, 0.6]), rated_share_min=st.sampled_from([0.1, 0.5, 1.0]),
)  # fmt: skip


@given(
    st.lists(st.tuples(sites, st.sampled_from([0.0, 0.3, 0.5, 1.0])), min_size=1, max_size=8),
    rule_sets,
    st.booleans(),
)
def test_arrays_and_plain_words_agree(cases, rules, water):
    outcomes = outcomes_of([s for s, _ in cases])
    table = classify(outcomes, rules, np.array([r for _, r in cases]), water_tests=water).table
    for i, (site, rated) in enumerate(cases):
        wanted = plain_rule(site, rules, rated, water)
        got = table.iloc[i]
        assert (got["zone"], got["limiting_factor"], got["limiting_option"]) == (
            wanted["zone"],
            wanted["factor"],
            wanted["option"],
        )
        assert got["zone_code"] == ZONE_CODES[wanted["zone"]]
        if math.isnan(wanted["margin"]):
            assert math.isnan(got["margin"])
        else:
            assert got["margin"] == pytest.approx(wanted["margin"], rel=1e-9, abs=1e-9)


THIRSTY, COLD, POOR = {"gap": 80.0, "short": 0.5}, {"winter": 0.2}, {"cover": 0.3}
ZONES = [
    (
        "stubble_water",
        site_of(winter_killed=THIRSTY, overwinter_early=THIRSTY, overwinter_late=THIRSTY),
        1.0,
        "water",
    ),
    ("stubble_season", site_of(winter_killed=POOR, overwinter_early=POOR, overwinter_late=POOR), 1.0, "season"),
    ("stubble_season", site_of(winter_killed=COLD, overwinter_early=COLD, overwinter_late=COLD), 1.0, "winter"),
    ("winter_killed", site_of(overwinter_early=THIRSTY, overwinter_late=THIRSTY), 1.0, "water"),
    ("winter_killed", site_of(overwinter_early=COLD, overwinter_late=COLD), 1.0, "winter"),
    ("winter_killed_or_early", site_of(overwinter_late=THIRSTY), 1.0, "water"),
    ("either", site_of(), 1.0, ""),
    ("overwintering", site_of(winter_killed=POOR), 1.0, "season"),
    ("overwintering", site_of(winter_killed=COLD, overwinter_late=THIRSTY), 1.0, "winter"),
    ("not_rated", site_of(), 0.4, ""),
    ("not_rated", site_of(winter_killed={"gap": math.nan}), 1.0, ""),
]


@pytest.mark.parametrize(
    ("zone", "site", "rated", "factor"), ZONES, ids=[f"{z[0]}, limited by {z[3] or 'nothing'}" for z in ZONES]
)
def test_zones_and_what_limits_them(zone, site, rated, factor):
    row = classify(outcomes_of([site]), RULES, np.array([rated])).table.iloc[0]
    assert row["zone"] == zone
    assert row["limiting_factor"] == factor
    assert (row["limiting_option"] == "") == (zone in ("either", "not_rated"))


def test_every_zone_can_be_reached():
    assert {z[0] for z in ZONES} == set(ZONE_CODES)
    assert set(RECOMMENDED_OPTION) == set(ZONE_CODES)
    assert sorted(ZONE_NAMES) == list(range(1, 8)), "from dry to wet, not rated last; 0 is outside"


def test_recommended_option_passes_its_own_tests():
    """The option that a zone recommends has passed every test, unless only the later date passes."""
    for zone, site, rated, _ in ZONES:
        option = RECOMMENDED_OPTION[zone]
        if option in ("", "stubble"):
            continue
        passed = zone_tests(outcomes_of([site]), RULES)["passed"].sel(option=option).all()
        assert passed, zone
        assert rated >= RULES.rated_share_min


def test_water_is_bought_on_irrigated_ground():
    """A thirsty cover passes under irrigation; one that winter kills too late still fails; missing stays missing."""
    thirsty = site_of(winter_killed=THIRSTY, overwinter_early=THIRSTY, overwinter_late=THIRSTY)
    both = outcomes_of(
        [thirsty, site_of(winter_killed={**THIRSTY, **COLD}), site_of(winter_killed={"gap": math.nan})]
    )
    dry, wet = (classify(both, RULES, water_tests=w).table["zone"].tolist() for w in (True, False))
    assert dry == ["stubble_water", "overwintering", "not_rated"]
    assert wet == ["either", "overwintering", "not_rated"]
    margins = zone_tests(both, RULES, water_tests=False)["margin"].sel(
        option="winter_killed", test=["gap", "shortfall"]
    )
    assert np.isinf(margins[0]).all()


def test_tests_show_number_threshold_and_margin():
    tests = zone_tests(outcomes_of([site_of(winter_killed={"gap": 19.05, "short": 0.3})]), RULES).squeeze("site")
    gap, short = (tests.sel(option="winter_killed", test=t) for t in ("gap", "shortfall"))
    assert float(gap["value"]) == 19.05
    assert float(gap["threshold"]) == 38.1
    assert float(gap["margin"]) == pytest.approx(0.5)
    assert bool(gap["passed"])
    assert float(short["margin"]) == pytest.approx(-0.5)
    assert not bool(short["passed"])
    assert tests.sel(option="stubble")["passed"].all()
    assert np.isnan(tests.sel(option="stubble")["value"]).all()
    assert float(tests.sel(option="winter_killed", test="winter")["threshold"]) == RULES.winterkill_min
    assert float(tests.sel(option="overwinter_late", test="winter")["threshold"]) == RULES.survival_min


@given(st.lists(sites, min_size=1, max_size=5), st.floats(0.0, 100.0), st.floats(0.0, 0.4))
def test_looser_water_rules_never_take_an_option_away(found, more_gap, more_short):
    outcomes = outcomes_of(found)
    loose = replace(
        RULES,
        planting_gap_max_mm=RULES.planting_gap_max_mm + more_gap,
        shortfall_max=RULES.shortfall_max + more_short,
    )
    strict_passed, loose_passed = (zone_tests(outcomes, r)["passed"] for r in (RULES, loose))
    assert (loose_passed >= strict_passed).all()


def test_the_gap_of_the_rule_is_the_median():
    site = site_of(winter_killed={"gap": 30.0})
    value = zone_tests(outcomes_of([site]), RULES)["value"].sel(option="winter_killed", test="gap")
    assert float(value.squeeze()) == 30.0


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
