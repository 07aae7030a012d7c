"""Rules tried in the browser give what the study would give with those rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geo.options import COVERS
from geo.rating.fields import summarise_fields
from geo.rating.rule import ZoneRules, classify
from pipelines.show.county.data import target_steps
from pipelines.show.county.map import write_county_map
from pipelines.show.legend import zone_styles
from tests.browser.county_steps import ACRE_HA, READY, canvas_sum, choose, slide, totals

pytestmark = pytest.mark.browser


@pytest.fixture
def opened(open_page, county_file):
    return open_page(county_file, wait=READY)


def settings(count: int, targets: int):
    """Random rules, the first ones at the edges."""
    rng = np.random.default_rng(50)
    edges = [(38.1, 0.2, 8), (0.0, 0.0, 0), (0.0, 0.6, targets - 1), (150.0, 0.0, 3), (150.0, 0.6, 8)]
    while len(edges) < count:
        edges.append((round(rng.uniform(0, 60), 1), round(rng.uniform(0, 0.6), 2), int(rng.integers(targets))))
    return edges


def in_python(county, gap, shortfall, target, water_tests=True):
    rules = ZoneRules(**(county.settings["rules"] | {"planting_gap_max_mm": gap, "shortfall_max": shortfall}))
    outcomes = county.outcomes.copy()
    outcomes["shortfall_years"] = outcomes["shortfall_by_target"].isel(target=target)
    rated = county.sites["rated_share"].to_numpy()
    return outcomes, classify(outcomes, rules, rated, water_tests=water_tests).table


def test_browser_and_python_agree_on_all_sites_for_50_settings(opened, county):
    factors = ("", "season", "winter", "water")
    differ, seen = 0, set()
    for gap, shortfall, target in settings(50, len(target_steps(county)[0])):
        for water_tests in (True, False):
            got = opened.page.evaluate(
                """([gap, shortfall, target, irrigated]) => { const z = SF.classify(SF.site,
                {...SF.data.rules, planting_gap_max_mm: gap, shortfall_max: shortfall}, target, irrigated);
                return [[...z.zone], [...z.factor], [...z.option]]; }""",
                [gap, shortfall, target, not water_tests],
            )
            _, table = in_python(county, gap, shortfall, target, water_tests)
            differ += int((np.array(got[0]) != table["zone_code"].to_numpy()).sum())
            differ += int((np.array(factors)[got[1]] != table["limiting_factor"].to_numpy()).sum())
            differ += int((np.array([*COVERS, ""])[got[2]] != table["limiting_option"].to_numpy()).sum())
            seen |= set(got[0])
    assert differ == 0
    assert seen == {1, 2, 3, 4, 5, 6, 7}


def test_rule_agrees_where_values_are_missing_or_on_the_threshold(open_page, tmp_path, county):
    outcomes = county.outcomes.copy(deep=True).astype(np.float64)
    rng = np.random.default_rng(9)
    n = outcomes.sizes["site"]
    outcomes["planting_gap_mm"].values[rng.random(n) < 0.1] = np.nan
    outcomes["survival_years"].values[rng.random(n) < 0.1] = np.nan
    for name in ("cover_ok_years", "winterkill_years", "survival_years", "shortfall_years", "shortfall_by_target"):
        outcomes[name].values[:] = np.round(outcomes[name].values, 1)
    outcomes["planting_gap_mm"].values[rng.random(n) < 0.3] = 38.1
    study = replace(county, outcomes=outcomes)
    write_county_map(study, tmp_path / "index.html")
    page = open_page(tmp_path / "index.html", wait=READY).page
    got = page.evaluate("[...SF.classify(SF.site, SF.data.rules, SF.data.target, false).zone]")
    _, table = in_python(study, 38.1, 0.2, 8)
    assert got == table["zone_code"].tolist()
    assert 7 in got


@pytest.mark.parametrize(("gap", "shortfall", "target"), settings(8, 17))
def test_fields_follow_the_rules_as_in_the_study(opened, county, gap, shortfall, target):
    """Field zones and limits after the sliders moved, against the study run with those rules."""
    page = opened.page
    page.evaluate(
        """([g, s, t]) => { Object.assign(SF.state.rules, {planting_gap_max_mm: g, shortfall_max: s, target: t});
        SF.refresh('rules'); }""",
        [gap, shortfall, target],
    )
    outcomes, table = in_python(county, gap, shortfall, target)
    _, wet = in_python(county, gap, shortfall, target, water_tests=False)
    base = county.fields[["field_id", "name", "irrigated", "previous_crop", "next_crop", "area_ha", "geometry"]]
    fields = summarise_fields(base, county.coverage, outcomes, table, county.sites, irrigated_zones=wet)
    zones = np.array(page.evaluate("[...SF.zones.field.zone]"))
    factors = np.array(("", "season", "winter", "water"))[page.evaluate("[...SF.zones.field.factor]")]
    shares = np.sort(fields[[f"share_{z.key}" for z in zone_styles().values()][:6]].to_numpy(), axis=1)
    clear = shares[:, -1] - shares[:, -2] > 1e-3
    assert clear.mean() > 0.97
    assert (zones == fields["zone_code"].to_numpy())[clear].all()
    same = (factors == fields["limiting_factor"].to_numpy())[clear]
    assert same.mean() > 0.99
    shown = page.evaluate(
        "COVERS => COVERS.map((_, c) => [...Array(SF.data.fields.count).keys()].map(f => SF.shortfallOf(f, c)))",
        list(COVERS),
    )
    for c, name in enumerate(COVERS):
        expected = fields[f"shortfall_years_{name}"].to_numpy()
        got = np.array([np.nan if v is None else v for v in shown[c]], float)
        np.testing.assert_allclose(got[clear], expected[clear], atol=2e-3)


def test_sliders_recolour_at_once_and_reset_brings_the_study_back(opened, county):
    page = opened.page
    first, drawn = totals(page), canvas_sum(page)
    ground = np.bincount(county.zones["zone_code"], county.sites["area_ha"], minlength=8) / ACRE_HA
    assert [first[z][0] for z in range(1, 8)] == pytest.approx(ground[1:].tolist(), abs=0.6)
    slide(page, "gap", 0.5)
    slide(page, "shortfall", 0.05)
    changed = totals(page)
    _, table = in_python(county, 0.5 * 25.4, 0.05, 8)
    expected = np.bincount(table["zone_code"], county.sites["area_ha"], minlength=8) / ACRE_HA
    assert [changed[z][0] for z in range(1, 8)] == pytest.approx(expected[1:].tolist(), abs=0.6)
    assert [changed[z][1] for z in range(1, 8)] == pytest.approx((expected - ground)[1:].tolist(), abs=1.1)
    assert canvas_sum(page) != drawn
    assert page.locator("#rule-gap-out").inner_text() == "0.5 in"
    assert "Your rules" in page.locator("#rule-note").inner_text()
    page.click("#rule-reset")
    assert totals(page) == first
    assert canvas_sum(page) == drawn
    opened.assert_quiet()


def test_target_changes_the_shortfall_column(opened):
    page = opened.page
    column = "#field-rows tr td:nth-child(6)"
    before = page.locator(column).all_inner_texts()
    slide(page, "target", 16)
    assert page.locator(column).all_inner_texts() != before
    assert page.locator("#rule-target-out").inner_text() == "90% of capacity"


def test_irrigated_fields_are_marked_and_keep_their_zone(opened, county):
    page = opened.page
    before = page.evaluate("[...SF.zones.field.zone]")
    slide(page, "gap", 0)
    slide(page, "shortfall", 0)
    after = page.evaluate("[...SF.zones.field.zone]")
    wet = county.fields["irrigated"].to_numpy()
    assert (np.array(before)[wet] == np.array(after)[wet]).all()
    assert (np.array(before)[~wet] != np.array(after)[~wet]).any()
    choose(page, "filter-ground", "irrigated")
    assert page.locator("#field-rows .mark").count() == min(50, int(wet.sum()))
