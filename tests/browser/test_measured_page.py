"""The page of own measurements in a real browser, no network: phone, dark, hostile names, axe, paper."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe

from pipelines.show.field.page import write_field_pages
from pipelines.show.measurements.page import write_measured_page
from tests.browser.conftest import chart_faults, find_chromium
from tests.pipelines.measured_results import measured_result

pytestmark = [pytest.mark.browser, pytest.mark.skipif(find_chromium() is None, reason="no Chromium on this machine")]

PHONE = {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 2, "is_mobile": True, "has_touch": True}


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("measured")
    made = {}
    for name, study in {
        "us": measured_result("us", places=8, part=True),
        "metric": measured_result("metric", places=8, part=True),
        "normals": measured_result("us", record=False),
    }.items():
        made[name] = folder / f"{name}.html"
        write_measured_page(study, made[name])
    return made


def test_opens_from_disk_without_a_request_and_runs_no_hostile_name(open_page, pages):
    for path in pages.values():
        opened = open_page(path)
        opened.page.mouse.move(200, 30)
        opened.page.keyboard.press("Tab")
        opened.assert_quiet()
        assert opened.page.evaluate("window.hacked") is None
        assert "<script>window.hacked=1</script>" in opened.page.locator("main").inner_text()


@pytest.mark.parametrize("width", [390, 320])
def test_no_sideways_scroll_on_a_phone(open_page, pages, width):
    for path in pages.values():
        page = open_page(path, **{**PHONE, "viewport": {"width": width, "height": 844}}).page
        wide = page.evaluate(
            """() => [...document.querySelectorAll('body *')].filter(
                e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('svg')
            ).map(e => e.outerHTML.slice(0, 80))"""
        )
        assert wide == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(("width", "least"), [(390, 12), (320, 9.5)])
def test_chart_words_are_large_enough_and_whole_on_a_phone(open_page, pages, width, least):
    """12 pixels is the house rule for charts on a common phone; on the smallest ones the picture shrinks."""
    for path in pages.values():
        page = open_page(path, **{**PHONE, "viewport": {"width": width, "height": 844}}).page
        assert page.locator("svg.chart text").count() > 10
        assert chart_faults(page, least) == [], path


@pytest.mark.parametrize(("scheme", "shape"), [("light", "desk"), ("dark", "desk"), ("dark", "phone")])
def test_accessible(open_page, pages, scheme, shape):
    """WCAG 2.2 A and AA by axe-core."""
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
    for path in pages.values():
        page = open_page(path, color_scheme=scheme, **(PHONE if shape == "phone" else {})).page
        found = Axe().run(page, options=rules)
        assert found.violations_count == 0, found.generate_report()


def test_every_mark_lies_inside_its_chart_and_no_label_covers_another(open_page, pages):
    page = open_page(pages["us"]).page
    charts = page.locator("svg.chart")
    assert charts.count() == 8
    overlaps = page.evaluate(
        """() => [...document.querySelectorAll('svg.chart')].flatMap(chart => {
            const boxes = [...chart.querySelectorAll('text')].filter(t => t.textContent.trim())
                .map(t => [t.textContent, t.getBoundingClientRect()]);
            const hit = [];
            for (let i = 0; i < boxes.length; i++) for (let j = 0; j < i; j++) {
                const [a, b] = [boxes[i][1], boxes[j][1]];
                if (a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 3 && b.top < a.bottom - 3)
                    hit.push([boxes[i][0], boxes[j][0]]);
            }
            const frame = chart.getBoundingClientRect();
            const out = boxes.filter(([_, b]) => b.right > frame.right + 2 || b.bottom > frame.bottom + 2);
            return [...hit, ...out.map(b => b[0])];
        })"""
    )
    assert overlaps == []


def test_dark_page_is_dark(open_page, pages):
    page = open_page(pages["us"], color_scheme="dark").page
    ground = page.evaluate(
        "getComputedStyle(document.body).backgroundColor.match(/\\\\d+/g).map(Number)".replace("\\\\", "\\")
    )
    assert max(ground) < 60
    line = page.evaluate("getComputedStyle(document.querySelector('svg.chart text')).fill.match(/\\d+/g).map(Number)")
    assert min(line[:3]) > 150


def test_prints_on_paper_without_cutting_a_table_off(open_page, pages):
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    page = open_page(pages["normals"]).page
    sheets = pypdf.PdfReader(io.BytesIO(page.pdf(format="Letter"))).pages
    text = " ".join(s.extract_text() for s in sheets)
    assert 1 <= len(sheets) <= 4
    assert text.count("Together") == 9


@pytest.mark.parametrize("system", ["us", "metric"])
def test_the_page_of_a_measured_field_still_prints_on_one_sheet(open_page, tmp_path, system):
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    study = measured_result(system, places=8)
    for path in write_field_pages(study, tmp_path):
        page = open_page(path).page
        assert page.locator("p.special a").count() == 1
        for paper in ("Letter", "A4"):
            assert len(pypdf.PdfReader(io.BytesIO(page.pdf(format=paper))).pages) == 1, path
