"""The county on paper: a short list with its units in the heads, and a map with degrees, north and scale."""

from __future__ import annotations

import io
import re

import pypdf
import pytest

from pipelines.show.legend import zone_legend
from pipelines.study.units import Units
from tests.browser.county_steps import READY, choose

pytestmark = pytest.mark.browser


@pytest.fixture
def printed(open_page, county_file):
    page = open_page(county_file, wait=READY).page
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    return page


def rows(page) -> list[list[str]]:
    script = "[...document.querySelectorAll('#paper-fields tbody tr')].map(r => [...r.cells].map(c => c.textContent))"
    return page.evaluate(script)


@pytest.mark.parametrize(("system", "area", "depth"), [("us", "acres", "in"), ("metric", "ha", "mm")])
def test_units_stand_in_the_heads_and_not_in_the_cells(open_page, county_file, system, area, depth):
    page = open_page(county_file, wait=READY).page
    choose(page, "units", system)
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    heads = page.locator("#paper-fields thead tr:last-child th").all_text_contents()
    assert heads[0] == "Field"
    assert heads[1] == f"Area, {area}"
    assert heads[4] == f"Gap, {depth}"
    assert re.fullmatch(r"Shortfall years of \d+", heads[5])
    for cells in rows(page):
        assert re.fullmatch(r"[\d,.]+|no data", cells[1]), cells
        assert re.fullmatch(r"[1-7]", cells[2]), cells
        assert re.fullmatch("\u2212?[\\d,.]+|no data", cells[4]), cells
        assert re.fullmatch(r"\d+|no data", cells[5]), cells


def test_numbers_are_those_of_the_study(printed, county):
    units = Units("us")
    fields = county.fields.set_index("field_id")
    for cells in rows(printed):
        field = fields.loc[cells[0].split(" – ")[0]]
        assert int(cells[2]) == field["zone_code"]
        if field["zone_code"] != 7:
            assert cells[4] == units.depth(field["planting_gap_mm_winter_killed"]).digits
            assert cells[5] == units.share_as_years(field["shortfall_years_winter_killed"], county.seasons).digits


def test_each_sheet_has_the_key_of_its_zone_numbers(printed):
    key = printed.locator("#paper-fields thead .key").text_content()
    used = {int(cells[2]) for cells in rows(printed)}
    for zone in zone_legend():
        assert (f"{zone.code} {zone.label}" in key) == (zone.code in used)
    sheets = pypdf.PdfReader(io.BytesIO(printed.pdf(format="Letter"))).pages
    listed = [text for sheet in sheets if (text := sheet.extract_text()).count("LK-") > 5]
    assert len(listed) > 1
    assert all("Zones: " in text and "Gap, in" in text for text in listed)


def test_a_field_is_one_line_of_the_list(printed):
    """Three hundred fields take some forty-five lines a sheet; with a unit in each cell they took twenty."""
    heights = printed.evaluate("[...document.querySelectorAll('#paper-fields tbody tr')].map(r => r.offsetHeight)")
    sheets = pypdf.PdfReader(io.BytesIO(printed.pdf(format="Letter"))).pages
    full = [n for sheet in sheets if (n := sheet.extract_text().count("LK-")) > 5]
    assert sorted(full)[-2] >= 40
    assert max(heights) <= 1.5 * min(heights)


def test_the_map_has_degrees_north_and_scale_around_the_picture(printed):
    assert printed.locator(".frame").is_visible()
    texts = printed.locator(".frame text").all_text_contents()
    assert any(re.fullmatch(r"[\d.]+\u00b0 W", t) for t in texts)
    assert any(re.fullmatch(r"[\d.]+\u00b0 N", t) for t in texts)
    assert "N" in texts
    assert any(re.fullmatch(r"\d+ mi", t) for t in texts)
    neat = printed.locator(".frame .neat").bounding_box()
    picture = printed.locator("#paper-map").bounding_box()
    for key in ("x", "y", "width", "height"):
        assert neat[key] == pytest.approx(picture[key], abs=2.0), key
