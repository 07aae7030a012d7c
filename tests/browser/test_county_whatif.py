"""Rules tried in the browser give exactly what the study gives with those rules."""

from __future__ import annotations

import base64
from dataclasses import fields

import numpy as np
import pytest
from scipy.sparse import csr_matrix

from geo.rating import TEST_ROWS, Limits, ZoneRules, find_zones, margins, place_means, rule_data, test_values
from pipelines.show.county.data import MISSING, target_steps
from pipelines.show.explain import explain_field
from pipelines.show.verdict_words import VerdictWords, verdict_rows
from pipelines.study.units import Units
from pipelines.study.words import load_catalogue
from tests.browser.county_steps import ACRE_HA, READY, canvas_sum, choose, slide, totals

pytestmark = pytest.mark.browser
PLACES, RULES = 500, 200
JUDGE_ALL = """({rule, n, steps, rated, irrigated, rules}) => {
  const place = { n, rated, irrigated, steps: (k, c, p) => {
    const v = steps[(k * rule.covers.length + c) * n + p]; return v === rule.missing ? NaN : v; } };
  const out = new Float64Array(rules.length * n * 5);
  rules.forEach((limits, r) => {
    const found = SF.judge(rule, place, limits, 0);
    ["zone", "cover", "test", "answer", "margin"].forEach((key, k) => out.set(found[key], (r * 5 + k) * n));
  });
  const bytes = new Uint8Array(out.buffer);
  let text = "";
  for (let i = 0; i < bytes.length; i += 8192) text += String.fromCharCode(...bytes.subarray(i, i + 8192));
  return btoa(text); }"""


@pytest.fixture
def opened(open_page, county_file):
    return open_page(county_file, wait=READY)


def judged(page, values, rated, irrigated, rules):
    """Zone, cover, test, answer and margin by rule and place, from the script of the page."""
    steps = np.floor(values / np.array([row.step for row in TEST_ROWS]) + 0.5)
    packed = np.where(np.isnan(steps), MISSING, steps).astype(int)
    answer = page.evaluate(
        JUDGE_ALL,
        {
            "rule": rule_data() | {"missing": MISSING},
            "n": len(values),
            "steps": packed.transpose(2, 1, 0).ravel().tolist(),
            "rated": rated.astype(int).tolist(),
            "irrigated": irrigated.astype(int).tolist(),
            "rules": [[_named(dry), _named(wet)] for dry, wet in rules],
        },
    )
    return np.frombuffer(base64.b64decode(answer), float).reshape(len(rules), 5, len(values))


def _named(rules: ZoneRules) -> dict[str, float]:
    return {field.name: getattr(rules, field.name) for field in fields(rules)}


def random_rules(rng: np.random.Generator, values: np.ndarray) -> ZoneRules:
    """Limits anywhere in their range, half of them exactly on a value of one of the places."""
    on = {
        limit: values[:, c, k][~np.isnan(values[:, c, k])]
        for k, row in enumerate(TEST_ROWS)
        for c, limit in enumerate(row.limits)
    }
    ends = {name: (0.0, 150.0) if name.endswith("_mm") else (0.0, 1.0) for name in on}
    return ZoneRules(
        **{
            name: float(rng.choice(on[name])) if rng.random() < 0.5 else float(rng.uniform(*ends[name]))
            for name in on
        }
    )


def test_browser_and_study_agree_to_the_last_bit_on_random_ground_and_rules(opened):
    """500 coverages of random soils under 200 rules, dry and irrigated; many values on limits, many ties.

    Written independently in both languages, so that each checks the other: zone, cover, test, answer, margin.
    """
    rng = np.random.default_rng(50)
    units, sites = 60, 40
    by_unit = np.stack(
        [
            np.clip(rng.normal(0.7, 0.2, (units, 3)), 0, 1), np.clip(rng.normal(0.8, 0.2, (units, 3)), 0, 1),
            rng.normal(30, 30, (units, 3)), np.clip(rng.normal(0.2, 0.15, (units, 3)), 0, 1),
        ],
        axis=-1,
    )  # fmt: skip
    by_unit[: units // 2] = np.round(by_unit[: units // 2] * 30) / 30
    by_unit[rng.random(units) < 0.03] = np.nan
    by_unit[: units // 3, 2] = by_unit[: units // 3, 1]  # covers that tie
    site_weights = csr_matrix(rng.dirichlet(np.full(3, 0.5), sites) @ np.eye(3)[:, rng.integers(0, 3, units)])
    site_weights = csr_matrix(site_weights.multiply(rng.random((sites, units)) < 0.1))
    coverage = csr_matrix(rng.dirichlet(np.full(sites, 0.05), PLACES))
    values = place_means(csr_matrix(coverage @ site_weights), by_unit)
    rated, wet = rng.random(PLACES) < 0.95, rng.random(PLACES) < 0.3
    rules = [(random_rules(rng, values), random_rules(rng, values)) for _ in range(RULES)]
    got = judged(opened.page, values, rated, wet, rules)
    seen, ties = set(), 0
    for (dryland, irrigated), answer in zip(rules, got, strict=True):
        margin = margins(values, Limits.of(dryland, irrigated, wet))
        found = find_zones(margin, rated)
        ties += int((margin == 0).sum())
        for key, place in (("code", 0), ("cover", 1), ("test", 2), ("answer", 3), ("margin", 4)):
            np.testing.assert_array_equal(answer[place], np.asarray(getattr(found, key), float), err_msg=key)
        seen |= set(found.code.tolist())
    assert seen == {1, 2, 3, 4, 5, 6, 7}
    assert ties > 1000


def tried(county, gap, shortfall, target):
    """Zones of sites and fields under tried rules, as the study would judge them."""
    found = []
    settings = county.settings
    dry = settings["rules"] | {"planting_gap_max_mm": gap, "shortfall_max": shortfall}
    wet = county.fields["irrigated"].to_numpy(bool)
    for outcomes, table, irrigated in (
        (county.outcomes, county.zones, np.zeros(len(county.zones), bool)),
        (county.field_outcomes, county.fields, wet),
    ):
        own = outcomes.assign(shortfall_years=outcomes["shortfall_by_target"].isel(target=target))
        values = test_values(own if target != 8 else outcomes)
        limits = Limits.of(ZoneRules(**dry), ZoneRules(**settings["irrigated_rules"]), irrigated)
        found.append(find_zones(margins(values, limits), table["zone_code"].to_numpy() != 7))
    return found


def test_sliders_give_the_zones_of_the_study_for_sites_and_fields(opened, county):
    rng = np.random.default_rng(50)
    targets, own = target_steps(county)
    assert own == 8
    cases = [(38.1, 0.2, 8), (0.0, 0.0, 0), (0.0, 0.6, 16), (150.0, 0.0, 3), (150.0, 0.6, 8)]
    cases += [(round(rng.uniform(0, 60), 1), round(rng.uniform(0, 0.6), 2), int(rng.integers(17))) for _ in range(20)]
    for case in cases:
        got = opened.page.evaluate(
            """([g, s, t]) => { Object.assign(SF.state.rules, {planting_gap_max_mm: g, shortfall_max: s, target: t});
            SF.refresh('rules'); const { site, field } = SF.zones;
            return [site, field].map(z => [[...z.zone], [...z.cover], [...z.test]]); }""",
            list(case),
        )
        for place, found in zip(got, tried(county, *case), strict=True):
            assert place == [found.code.tolist(), found.cover.tolist(), found.test.tolist()], case


@pytest.mark.parametrize("system", ["us", "metric"])
def test_table_popup_and_explain_tell_the_same(opened, county, system):
    """For every field: zone and limit in the table of the study, the page and `explain`; reasons of every cover."""
    page, fields_ = opened.page, county.fields
    choose(page, "units", system)
    words = load_catalogue()
    verdicts = VerdictWords(words, Units(system, words), county.seasons)
    shown = page.evaluate(
        """() => [...Array(SF.data.fields.count).keys()].map(f => {
        const popup = SF.fieldPopup(f, SF.map.getCenter());
        const reasons = [...popup.querySelectorAll('.reasons li')].map(n => n.lastChild.textContent);
        const tests = SF.verdicts(SF.rule, SF.tests, SF.limits(), SF.state.rules.target, f).flat();
        return [SF.zones.field.zone[f], SF.limitOf(f), reasons, tests.map(v => [v.value, v.limit, v.passed])]; })"""
    )
    for k, (zone, limit, reasons, tests) in enumerate(shown):
        field = fields_.iloc[k]
        assert zone == field["zone_code"]
        assert limit == verdicts.short(field["limiting_option"], field["limiting_test"])
        by_cover = {} if zone == 7 else verdicts.by_cover(verdict_rows(county.field_verdicts, k))
        assert reasons == list(by_cover.values())
        reason = explain_field(county, field["field_id"])
        assert reason.zone_code == zone
        if zone == 7:
            assert reason.verdicts == ()
            continue
        np.testing.assert_equal([[v.value, v.limit, v.passed] for v in reason.verdicts], tests)
        assert (reason.limiting_option, reason.limiting_test) == (field["limiting_option"], field["limiting_test"])
        np.testing.assert_equal(reason.margin, field["margin"])


def test_sliders_recolour_at_once_and_reset_brings_the_study_back(opened, county):
    page = opened.page
    first, drawn = totals(page), canvas_sum(page)
    ground = np.bincount(county.zones["zone_code"], county.sites["area_ha"], minlength=8) / ACRE_HA
    assert [first[z][0] for z in range(1, 8)] == pytest.approx(ground[1:].tolist(), abs=0.6)
    slide(page, "gap", 0.5)
    slide(page, "shortfall", 0.05)
    changed = totals(page)
    sites, _ = tried(county, 0.5 * 25.4, 0.05, 8)
    expected = np.bincount(sites.code, county.sites["area_ha"], minlength=8) / ACRE_HA
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
