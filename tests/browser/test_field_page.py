"""Field pages in a real browser, no network: phone, print, dark, no script, position, hostile text, axe."""

from __future__ import annotations

import io
import re
import unicodedata
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect
from pyproj import Transformer

from geo.options import COVERS
from geo.rating import RECOMMENDED_OPTION, TESTS, ZONE_CODES, ZONE_NAMES
from pipelines.show.field.page import write_field_pages
from tests.browser.conftest import chart_faults, find_chromium
from tests.builders import tiny_result

pytestmark = [pytest.mark.browser, pytest.mark.skipif(find_chromium() is None, reason="no Chromium on this machine")]
pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")

PHONE = {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 2, "is_mobile": True, "has_touch": True}
PAPER = {"Letter": (612, 792), "A4": (595, 842)}
SYSTEMS = ("us", "metric")


@pytest.fixture(scope="module")
def studies():
    return {system: tiny_result(units=system) for system in SYSTEMS}


@pytest.fixture(scope="module")
def folders(studies, tmp_path_factory) -> dict[str, Path]:
    made = {}
    for system, study in studies.items():
        made[system] = tmp_path_factory.mktemp(system)
        write_field_pages(study, made[system])
    return made


def every_page(folders):
    return [path for folder in folders.values() for path in sorted(folder.glob("*.html"))]


def worst_pages(studies, folders):
    """One page of each zone and unit system: the kinds of page that there are."""
    seen = {}
    for system, study in studies.items():
        for field_id, code in zip(study.fields["field_id"], study.fields["zone_code"], strict=True):
            seen.setdefault((system, ZONE_NAMES[int(code)]), folders[system] / f"{field_id}.html")
    return seen


def test_opens_from_disk_without_a_request_and_runs_no_hostile_name(open_page, folders):
    for path in every_page(folders):
        opened = open_page(path)
        opened.assert_quiet()
        assert opened.page.evaluate("window.hacked") is None
        opened.page.mouse.move(200, 30)
        opened.page.keyboard.press("Tab")
        assert opened.page.evaluate("window.hacked") is None


def test_no_sideways_scroll_on_a_phone(open_page, studies, folders):
    for path in worst_pages(studies, folders).values():
        page = open_page(path, **PHONE).page
        wide = page.evaluate(
            """() => [...document.querySelectorAll('body *')].filter(
                e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('svg') && !e.closest('.sr')
            ).map(e => e.outerHTML.slice(0, 80))"""
        )
        assert wide == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("paper", PAPER)
def test_prints_on_one_page(open_page, studies, folders, paper):
    for path in worst_pages(studies, folders).values():
        page = open_page(path).page
        sheet = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper)))
        assert len(sheet.pages) == 1, path
        box = sheet.pages[0].mediabox
        assert (float(box.width), float(box.height)) == pytest.approx(PAPER[paper], abs=2)
        text = re.sub(r"\s", "", unicodedata.normalize("NFKC", sheet.pages[0].extract_text()))
        assert "Localrulescomefirst" in text
        assert "Thispageisamodel" in text


def longest(system, zone, failed, **columns):
    """A study of one large field, with long names, steep, in a zone in which covers fail the tests that are named."""
    study = tiny_result(names=("W" * 300,), units=system)
    fields = study.fields.assign(slope_percent=9.0, **columns)
    fields["previous_crop"] = fields["next_crop"] = "winter barley under a long name of a crop"
    fields["zone"], fields["zone_code"] = zone, ZONE_CODES[zone]
    fields["recommended_option"] = RECOMMENDED_OPTION[zone]
    cover = list(failed)[-1]
    fields["limiting_option"], fields["limiting_test"], fields["limiting_factor"] = cover, failed[cover][-1], "water"
    passed = study.field_verdicts["passed"].copy(data=np.ones((1, 3, 4), bool))
    for name, tests in failed.items():
        passed.loc[{"cover": name, "test": tests}] = False
    verdicts = study.field_verdicts.assign(passed=passed)
    return replace(study, fields=fields, field_verdicts=verdicts, irrigated_zones=study.zones)


def sheets(page, paper):
    return len(pypdf.PdfReader(io.BytesIO(page.pdf(format=paper))).pages)


@pytest.mark.parametrize(("system", "irrigated"), [("metric", True), ("us", False)])
def test_print_holds_the_longest_case(open_page, tmp_path, system, irrigated):
    """Long names, all cautions, every cover failing its tests, and a square field with many zones fit one sheet."""
    tests = ["season", "winter"] if irrigated else list(TESTS)
    zone = "stubble_season" if irrigated else "stubble_water"
    study = longest(system, zone, dict.fromkeys(COVERS, tests), irrigated=irrigated)
    (path,) = write_field_pages(study, tmp_path)
    assert path.stat().st_size <= 100_000
    page = open_page(path).page
    for paper in PAPER:
        assert sheets(page, paper) == 1, paper
    assert page.evaluate("document.documentElement.scrollWidth") <= 1280


@pytest.mark.parametrize("system", SYSTEMS)
def test_print_holds_the_longest_spring_advice(open_page, tmp_path, system):
    """Dry land in the zone that speaks of the winter-killed mix too, with a line between dry and wet springs."""
    study = longest(system, "winter_killed_or_early", {"overwinter_late": list(TESTS)}, irrigated=False)
    springs = {"share": 0.6, "mm": 172.7, "early_years": 0.6, "shortfall_years": 0.2, "growth_kg_ha": 4444.0}
    values = {f"spring_line_{name}": ("field", [value]) for name, value in springs.items()}
    outcomes = study.field_outcomes.assign(values | {"early_growth_kg_ha": ("field", [2888.0])})
    (path,) = write_field_pages(replace(study, field_outcomes=outcomes), tmp_path)
    page = open_page(path).page
    advice = page.locator(".spring").inner_text()
    assert "ends it early in 18 of 30 years" in advice
    assert "winter-killed mix is dead already" in advice
    for paper in PAPER:
        assert sheets(page, paper) == 1, paper


@pytest.mark.parametrize(("scheme", "shape"), [("light", "desk"), ("dark", "desk"), ("dark", "phone")])
def test_accessible(open_page, studies, folders, scheme, shape):
    """WCAG 2.2 A and AA by axe-core."""
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
    for kind, path in worst_pages(studies, folders).items():
        if kind[0] == "metric":
            continue
        options = PHONE if shape == "phone" else {}
        page = open_page(path, color_scheme=scheme, **options).page
        found = Axe().run(page, options=rules)
        assert found.violations_count == 0, (kind, found.generate_report())


def test_complete_without_script(open_page, studies, folders):
    for path in worst_pages(studies, folders).values():
        with_script = open_page(path).page
        page = open_page(path, java_script_enabled=False).page
        assert page.locator("#here").is_hidden()
        for part in ("h1", ".answer", "#map", ".legend", ".cautions", "footer"):
            assert page.locator(part).first.is_visible()
        own = with_script.locator("main").inner_text()
        for line in with_script.locator("#here").inner_text().splitlines():
            own = own.replace(line, "")
        assert page.locator("main").inner_text().split() == own.split()


def wait_for_words(page, words: str) -> None:
    """Wait for the position note (a page with this policy lets no test script poll for it)."""
    expect(page.locator("#here [role=status]")).to_contain_text(words)


def place(study, row: int, fx: float, fy: float) -> dict[str, float]:
    """Longitude and latitude of a spot of a field, fractions of its bounding box from the south-west."""
    x0, y0, x1, y1 = study.fields.geometry.iloc[row].bounds
    to_degrees = Transformer.from_crs(study.fields.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(x0 + fx * (x1 - x0), y0 + fy * (y1 - y0))
    return {"longitude": lon, "latitude": lat, "accuracy": 8}


@pytest.mark.parametrize(("fx", "fy"), [(0, 0), (1, 1), (0.5, 0.25)], ids=["south-west", "north-east", "inside"])
def test_position_lands_on_a_known_spot(open_page, studies, folders, fx, fy):
    study = studies["us"]
    opened = open_page(
        folders["us"] / "LK-0008.html", permissions=["geolocation"], geolocation=place(study, 7, fx, fy), **PHONE
    )
    page = opened.page
    assert "stays on this phone" in page.locator("#here").inner_text()
    assert page.locator("#here button").bounding_box()["height"] >= 44
    assert page.locator("#dot").is_hidden()
    page.locator("#here button").click()
    wait_for_words(page, "dot")
    box = "(m) => { const b = document.querySelector(m).getBBox(); return [b.x, b.y, b.width, b.height]; }"
    x, y, width, height = page.evaluate(box, "#dot")
    dot, outline = (x + width / 2, y + height / 2), page.evaluate(box, ".outline")
    metres = float(page.locator("#map").get_attribute("data-metres"))
    # The field is a box on the grid; the picture turns it by the angle of grid north about its middle (Snyder 14-6).
    left, bottom, right, top = study.fields.geometry.iloc[7].bounds
    turn = np.radians(0.6029 * (place(study, 7, 0.5, 0.5)["longitude"] + 96))
    across, up = (fx - 0.5) * (right - left) / metres, (fy - 0.5) * (top - bottom) / metres
    dx, dy = across * np.cos(turn) + up * np.sin(turn), across * np.sin(turn) - up * np.cos(turn)
    middle = (outline[0] + outline[2] / 2, outline[1] + outline[3] / 2)
    assert dot == pytest.approx((middle[0] + dx, middle[1] + dy), abs=4)
    assert float(page.locator("#ring").get_attribute("r")) == pytest.approx(8 / metres, rel=0.02)
    assert "30 ft" in page.locator("#here [role=status]").inner_text()
    page.locator("#here button").click()
    assert page.locator("#dot").is_hidden()
    opened.assert_quiet()


@pytest.mark.parametrize(
    ("fx", "fy", "way"), [(0.5, 4, "south"), (0.5, -3, "north"), (60, 0.5, "west"), (-60, 0.5, "east")]
)
def test_position_off_the_map_says_which_way(open_page, studies, folders, fx, fy, way):
    spot = place(studies["metric"], 7, fx, fy)
    page = open_page(folders["metric"] / "LK-0008.html", permissions=["geolocation"], geolocation=spot).page
    page.locator("#here button").click()
    wait_for_words(page, "lies")
    said = page.locator("#here [role=status]").inner_text()
    assert said.endswith(f"to the {way}.")
    assert page.locator("#dot").is_hidden()


def test_a_refused_position_is_said_in_words(open_page, folders):
    opened = open_page(folders["us"] / "LK-0001.html", **PHONE)
    opened.page.locator("#here button").click()
    wait_for_words(opened.page, "not allow")
    assert opened.page.locator("#here button").get_attribute("aria-pressed") == "false"


def test_by_keyboard(open_page, studies, folders):
    page = open_page(
        folders["us"] / "LK-0008.html", permissions=["geolocation"], geolocation=place(studies["us"], 7, 0.5, 0.5)
    ).page
    reached = []
    for _ in range(4):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.tagName"))
        if reached[-1] == "BUTTON":
            page.keyboard.press("Enter")
            wait_for_words(page, "dot")
        if reached[-1] == "SUMMARY":
            page.keyboard.press("Enter")
            assert page.locator("details.words").get_attribute("open") is not None
    assert {"A", "BUTTON", "SUMMARY"} <= set(reached)


def test_dark_page_is_dark_and_its_print_is_light(open_page, folders):
    page = open_page(folders["us"] / "LK-0008.html", color_scheme="dark").page
    ground = "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)"
    assert np.mean(page.evaluate(ground)) < 60
    page.emulate_media(media="print")
    assert np.mean(page.evaluate(ground)) > 240
    ink = page.evaluate("getComputedStyle(document.querySelector('.chart text')).fill.match(/\\d+/g).map(Number)")
    assert np.mean(ink) < 60


def test_chart_words_do_not_run_over_each_other(open_page, studies, folders):
    for path in worst_pages(studies, folders).values():
        page = open_page(path).page
        for picture in (".chart", ".strip", "#map"):
            crossed = page.evaluate(
                """(picture) => {
                  const boxes = [...document.querySelectorAll(picture + ' text')].map(
                    t => [t.textContent, t.getBoundingClientRect()]);
                  const out = [];
                  boxes.forEach(([a, p], i) => boxes.slice(i + 1).forEach(([b, q]) => {
                    const w = Math.min(p.right, q.right) - Math.max(p.left, q.left);
                    const h = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
                    if (w > 1.5 && h > 4.5) out.push(a + ' / ' + b);
                  }));
                  return out;
                }""",
                picture,
            )
            assert crossed == [], (path, picture)


@pytest.mark.parametrize(("width", "least"), [(390, 12), (320, 9.5)])
def test_chart_words_are_large_enough_and_whole_on_a_phone(open_page, studies, folders, width, least):
    """12 pixels is the house rule for charts on a common phone; on the smallest ones the picture shrinks."""
    for path in worst_pages(studies, folders).values():
        page = open_page(path, **{**PHONE, "viewport": {"width": width, "height": 844}}).page
        assert chart_faults(page, least) == [], path
