"""The stored-water chart: small, true to its numbers, readable without colour, safe to put into a page."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.options import OPTIONS
from pipelines.show.charts import (
    LINE_COLOURS,
    LINE_DASHES,
    ChartWords,
    StoredWater,
    StoredWaterChart,
    month_ticks,
    spread_labels,
    style_variables,
)
from pipelines.study.words import load_catalogue
from tests.pipelines.colours import VISIONS, contrast, lightness, smallest_distance

MONTHS = load_catalogue().items("common.months")
STEP = np.arange(0, 300, 7)
WORDS = ChartWords(
    title="Stored <b>water</b>",
    description='At planting: "4" & more',
    y_label="inches",
    target="enough",
    freeze="freeze",
    planting="planting",
    options={o: o for o in OPTIONS},
    months=MONTHS,
)


def stored(**changes) -> StoredWater:
    median = np.array([2 + 4 * STEP / 299 - k * np.sin(STEP / 95) for k in (0, 0.5, 0.7, 1.2)])
    data = StoredWater(STEP, median * 0.8, median, median * 1.2, 3.5, 201, 135, 280)
    return replace(data, **changes)


@pytest.fixture(scope="module")
def chart() -> StoredWaterChart:
    return StoredWaterChart()


@pytest.fixture(scope="module")
def svg(chart) -> str:
    return str(chart.draw(stored(), WORDS))


def paths(svg: str, option: str) -> list[np.ndarray]:
    """Point lists of the paths that are stroked in the colour of an option."""
    pattern = rf'<path d="([^"]+)"[^>]*fill:none[^>]*var\(--{option.replace("_", "-")}\)'
    return [
        np.array([tuple(map(float, p.split())) for p in re.split("[ML]", d) if p]) for d in re.findall(pattern, svg)
    ]


def test_small_and_well_formed(svg):
    assert len(svg.encode()) < 25_000
    ET.fromstring(svg)


def test_has_text_alternatives_and_escapes_them(svg):
    root = ET.fromstring(svg)
    assert root.attrib["role"] == "img"
    title, description = (root.find(k).text for k in ("title", "desc"))
    assert (title, description) == (WORDS.title, WORDS.description)
    assert root.attrib["aria-labelledby"].split() == [root.find("title").attrib["id"], root.find("desc").attrib["id"]]


def test_does_not_leak_into_the_page(svg):
    assert "<style" not in svg
    assert "xlink" not in svg
    assert "font-family" not in svg
    assert "http" not in svg.replace("http://www.w3.org", "")
    ids = re.findall(r' id="([^"]+)"', svg)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'(?:url\(#|href="#)([^")]+)', svg)) <= set(ids)


def test_no_colour_is_left_that_a_dark_page_could_not_change(svg):
    assert re.findall(r"#[0-9a-fA-F]{6}\b", svg) == []


def test_lines_follow_the_numbers(svg):
    data = stored()
    for i, option in enumerate(OPTIONS):
        line = max(paths(svg, option), key=len)
        # Pixels of two options that share one axis: y is straight in the value, x in the day.
        keep = np.interp(line[:, 0], [line[0, 0], line[-1, 0]], [STEP[0], STEP[STEP <= 299][-1]])
        value = np.interp(keep, STEP, data.median[i])
        slope, offset = np.polyfit(value, line[:, 1], 1)
        assert slope < 0
        assert np.abs(slope * value + offset - line[:, 1]).max() < 0.6
    starts = [max(paths(svg, o), key=len)[0, 1] for o in OPTIONS]
    ends = [max(paths(svg, o), key=len)[-1, 1] for o in OPTIONS]
    assert np.ptp(starts) < 0.2
    assert list(np.argsort(ends)) == list(np.argsort(-data.median[:, STEP <= 299][:, -1]))


def test_drawing_again_does_not_remember_the_last_field(chart, svg):
    chart.draw(stored(median=stored().median * 3, high=stored().high * 3), WORDS)
    assert str(chart.draw(stored(), WORDS)) == svg


def test_a_place_without_frost_has_no_freeze_mark(chart, svg):
    bare = chart.draw(stored(freeze_day=float("nan")), WORDS)
    assert "nan" not in bare.lower()
    assert WORDS.freeze in svg
    assert WORDS.freeze not in bare
    assert chart.draw(stored(), WORDS) == svg, "the mark comes back with the next field"


def test_options_are_told_apart_without_colour(svg):
    assert len({LINE_DASHES[o] for o in OPTIONS}) == 4
    dashes = [re.search(rf"stroke-dasharray:[^;]+;[^\"]*var\(--{o.replace('_', '-')}\)", svg) for o in OPTIONS]
    assert [d is not None for d in dashes] == [False, True, True, True]
    for option in OPTIONS:
        assert f">{option}</text>" in svg


@pytest.mark.parametrize(("mode", "page"), [(0, "#FFFDF8"), (1, "#1B1E15")], ids=["light", "dark"])
class TestLineColours:
    def test_contrast(self, mode, page):
        """WCAG 2.2, 1.4.11: 3 to 1 against the page."""
        assert min(contrast(pair[mode], page) for pair in LINE_COLOURS.values()) >= 3

    @pytest.mark.parametrize("vision", VISIONS, ids=lambda v: f"Machado et al. 2009, {v or 'normal'}")
    def test_colour_vision(self, mode, page, vision):
        assert smallest_distance([pair[mode] for pair in LINE_COLOURS.values()], vision) >= 12

    def test_grey_print(self, mode, page):
        assert np.diff(np.sort(lightness([pair[mode] for pair in LINE_COLOURS.values()]))).min() >= 8

    def test_in_the_style_sheet(self, mode, page):
        text = style_variables()["dark" if mode else "light"]
        assert all(pair[mode] in text for pair in LINE_COLOURS.values())


@given(st.lists(st.floats(0, 100), min_size=1, max_size=8), st.floats(0.5, 10))
def test_labels_keep_their_distance_and_order(heights, least):
    wanted = np.array(heights)
    place = spread_labels(wanted, least, 0, 100)
    order = np.argsort(wanted, kind="stable")
    assert np.all(np.diff(place[order]) >= least - 1e-9)
    assert place.max() <= 100 + 1e-9
    if len(heights) * least < 100:
        assert place.min() >= -1e-9


def test_months():
    days, names = month_ticks(201, 299, MONTHS)
    assert names == ["Aug", "Sep", "Oct", "Nov", "Dec", "Jan", "Feb", "Mar", "Apr", "May"]
    assert days[0] == 12
    assert np.diff(days).tolist() == [31, 30, 31, 30, 31, 31, 28, 31, 30]
