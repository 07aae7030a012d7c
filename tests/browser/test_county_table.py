"""The field table and the map, linked both ways; keyboard, access and phones."""

from __future__ import annotations

import json
import re

import pytest

from pipelines.show.legend import zone_styles
from pipelines.study.units import Units
from tests.browser.county_steps import ACRE_HA, READY, choose, click_field, slide, totals

pytestmark = pytest.mark.browser


@pytest.fixture
def opened(open_page, county_file):
    return open_page(county_file, wait=READY)


# Table and map -----------------------------------------------------------------------------------------------------


def test_search_by_id_and_name(opened, county):
    page = opened.page
    page.fill("#search", "lk-0042")
    assert page.locator("#field-rows tr").count() == 1
    assert "LK-0042" in page.locator("#field-rows").inner_text()
    page.fill("#search", "of section 7")
    expected = county.fields["name"].str.contains("of section 7").sum()
    assert page.locator("#count-text").inner_text() == f"{expected} of 300 fields"
    page.fill("#search", "nowhere at all")
    assert "No field passes" in page.locator("#field-rows").inner_text()
    page.click("#filter-clear")
    assert page.locator("#count-text").inner_text() == "300 of 300 fields"


@pytest.mark.parametrize("zone", [1, 3, 5, 6])
def test_filters_and_totals_agree_with_the_study(opened, county, zone):
    page = opened.page
    choose(page, "filter-zone", str(zone))
    choose(page, "filter-ground", "dry")
    rows = county.fields[(county.fields["zone_code"] == zone) & ~county.fields["irrigated"]]
    assert page.locator("#count-text").inner_text() == f"{len(rows)} of 300 fields"
    shown = totals(page)
    for code in zone_styles():
        expected = rows["area_ha"].sum() / ACRE_HA if code == zone else 0.0
        assert shown[code][1] == pytest.approx(expected, abs=1.5)
        assert shown[code][2] == (len(rows) if code == zone else 0)


@pytest.mark.parametrize(
    ("column", "source"),
    [
        ("area", "area_ha"),
        ("gap", "planting_gap_mm_winter_killed"),
        ("water", "planting_water_mm_winter_killed"),
        ("field", "field_id"),
    ],
)
def test_sorting(opened, county, column, source):
    page = opened.page
    seen = {}
    for _ in range(2):
        page.click(f"button[data-sort={column}]")
        way = page.locator(f"th:has(button[data-sort={column}])").get_attribute("aria-sort")
        seen[way] = page.locator("#field-rows .pick").all_inner_texts()
    values = (
        county.fields.set_index("field_id")[source]
        if source != "field_id"
        else county.fields.set_index("field_id").index.to_series()
    )
    up = values[seen["ascending"]].tolist()
    down = values[seen["descending"]].tolist()
    tolerance = 0 if source == "field_id" else 0.051
    assert up[0] == values.min() or up[0] - values.min() <= tolerance
    assert down[0] == values.max() or values.max() - down[0] <= tolerance
    assert all(a <= b if tolerance == 0 else a <= b + 2 * tolerance for a, b in zip(up, up[1:], strict=False))
    assert all(a >= b if tolerance == 0 else a >= b - 2 * tolerance for a, b in zip(down, down[1:], strict=False))


def test_pages_of_the_table_reach_every_field(opened):
    seen = []
    while True:
        seen += opened.page.locator("#field-rows .pick").all_inner_texts()
        if opened.page.locator("#page-on").is_disabled():
            break
        opened.page.click("#page-on")
    assert sorted(seen) == [f"LK-{k + 1:04d}" for k in range(300)]


def test_row_opens_the_field_on_the_map(opened, county):
    page = opened.page
    page.fill("#search", "LK-0123")
    page.click("#field-rows .pick")
    popup = page.locator(".leaflet-popup-content")
    row = county.fields.iloc[122]
    text = popup.inner_text()
    assert row["name"] in text
    assert zone_styles()[row["zone_code"]].label in text
    units = Units("us")
    cells = [r.split("\t") for r in popup.locator("tbody tr").all_inner_texts()]
    for o, option in enumerate(("winter_killed", "overwinter_early", "overwinter_late"), start=1):
        assert float(cells[o][1]) == pytest.approx(row[f"planting_water_mm_{option}"] / 25.4, abs=0.15)
        assert float(cells[o][1]) == pytest.approx(float(cells[0][1]) - float(cells[o][2]), abs=1e-9)
        assert cells[o][2] == units.depth(row[f"planting_gap_mm_{option}"]).digits
        assert cells[o][3] == units.share_as_years(row[f"shortfall_years_{option}"], 30).digits
    assert "Shortfall years of 30" in text
    assert "What limits it" in text
    assert popup.locator("a").get_attribute("href") == "fields/LK-0123.html"
    page.wait_for_function("() => SF.map.getBounds().contains(SF.layer.boundsOf(122))")  # the map pans for the popup
    assert page.locator("#field-rows tr.selected .pick").inner_text() == "LK-0123"
    opened.assert_quiet()


def test_click_on_the_map_shows_the_row(opened):
    page = opened.page
    click_field(page, 250)
    assert page.locator("[data-popup-field]").get_attribute("data-popup-field") == "250"
    assert page.locator("#field-rows tr.selected .pick").inner_text() == "LK-0251"
    assert page.locator("#field-rows tr.selected").is_visible()
    assert "LK-0251" in page.locator("#spoken").inner_text()


def test_filtered_fields_leave_the_map_and_ground_has_its_own_popup(opened):
    page = opened.page
    page.fill("#search", "LK-0001")
    click_field(page, 250)
    assert page.locator("[data-popup-field]").count() == 0
    assert "Ground outside" in page.locator(".leaflet-popup-content").inner_text()
    assert "Invented loam" in page.locator(".leaflet-popup-content").inner_text()


def test_whole_fields_are_drawn_in_their_zone(opened, county):
    page = opened.page
    choose(page, "draw", "whole")
    page.evaluate("SF.map.fitBounds(SF.layer.boundsOf(0), {animate: false})")
    colours = page.evaluate(
        """() => { const c = document.querySelector('#map_county canvas'); const b = SF.layer.boundsOf(0), seen = {};
        const a = SF.map.latLngToLayerPoint(b.getNorthWest()).subtract(SF.layer._bounds.min);
        const z = SF.map.latLngToLayerPoint(b.getSouthEast()).subtract(SF.layer._bounds.min);
        const d = c.getContext('2d').getImageData(a.x + 40, a.y + 40, (z.x - a.x) / 3, (z.y - a.y) / 5).data;
        for (let i = 0; i < d.length; i += 4) {
          const k = [d[i], d[i + 1], d[i + 2]].join(); seen[k] = (seen[k] || 0) + 1; }
        return seen; }"""
    )
    zone = zone_styles()[county.fields["zone_code"].iloc[0]]
    most = max(colours, key=colours.get)
    assert tuple(int(v) for v in most.split(",")) == zone.rgb


def test_units_switch(opened):
    page = opened.page
    page.fill("#search", "LK-0010")
    page.click("#field-rows .pick")
    choose(page, "units", "metric")
    assert page.locator("#rule-gap-out").inner_text() == "38 mm"
    assert "These are the rules" in page.locator("#rule-note").inner_text()
    assert "ha" in page.locator(".totals thead").first.inner_text()
    page.click("#field-rows .pick")
    assert "Gap, mm" in page.locator(".leaflet-popup-content").inner_text()
    choose(page, "layer", "freeze")
    assert re.search(r"\d+ (Sep|Oct|Nov)", page.locator("#legend-list").inner_text())
    choose(page, "units", "us")
    assert page.locator("#rule-gap-out").inner_text() == "1.5 in"
    assert re.search(r"(Sep|Oct|Nov) \d+", page.locator("#legend-list").inner_text())


def test_theme_follows_device_and_switch(open_page, county_file):
    dark = open_page(county_file, wait=READY, color_scheme="dark").page
    light = open_page(county_file, wait=READY, color_scheme="light").page
    ground = "getComputedStyle(document.body).backgroundColor"
    assert dark.evaluate(ground) != light.evaluate(ground)
    choose(light, "theme", "dark")
    assert dark.evaluate(ground) == light.evaluate(ground)
    choose(dark, "theme", "light")
    assert dark.evaluate(ground) != light.evaluate(ground)


# Keyboard, access, phone ------------------------------------------------------------------------------------------


def test_keyboard_alone(opened):
    page = opened.page
    page.focus("#search")
    page.keyboard.type("LK-0007")
    page.wait_for_function("() => document.querySelectorAll('.pick').length === 1")  # typing has ended
    for _ in range(20):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.className") == "pick":
            break
    assert page.evaluate("document.activeElement.textContent") == "LK-0007"
    page.keyboard.press("Enter")
    assert page.locator("[data-popup-field='6']").count() == 1
    assert page.evaluate("document.activeElement.textContent") == "LK-0007"
    page.focus("#map_county")
    page.wait_for_function("() => !SF.map._panAnim || !SF.map._panAnim._inProgress")
    before = page.evaluate("SF.map.getCenter().lng")
    page.keyboard.press("ArrowRight")
    page.wait_for_function("(b) => SF.map.getCenter().lng > b", arg=before)
    page.keyboard.press("Escape")
    page.wait_for_selector(".leaflet-popup", state="detached")
    page.focus("#rule-gap")
    page.keyboard.press("ArrowLeft")
    page.wait_for_function("() => !document.getElementById('rule-reset').disabled")  # rules are applied a frame later
    assert page.locator("#rule-gap-out").inner_text() == "1.4 in"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_axe_finds_nothing_serious(open_page, county_file, scheme, width):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    )
    opened = open_page(county_file, wait=READY, color_scheme=scheme, viewport={"width": width, "height": 800})
    opened.page.fill("#search", "LK-001")
    opened.page.click("#field-rows .pick")
    slide(opened.page, "gap", 0.4)
    found = axe.Axe().run(
        opened.page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
    )
    bad = [(v["id"], v["impact"], [n["html"][:120] for n in v["nodes"]][:3]) for v in found.response["violations"]]
    assert [b for b in bad if b[1] in ("serious", "critical")] == [], json.dumps(bad, indent=1)


@pytest.mark.parametrize("width", [320, 390, 768])
def test_no_sideways_scroll(open_page, county_file, width):
    page = open_page(county_file, wait=READY, viewport={"width": width, "height": 800}).page
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.click("#field-rows .pick")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
