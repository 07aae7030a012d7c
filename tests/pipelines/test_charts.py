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
    StoredChart,
    month_ticks,
    nice_ticks,
    spread_labels,
    style_variables,
)
from pipelines.show.field.page import page_assets
from pipelines.show.page_templates import template
from pipelines.study.words import load_catalogue
from tests.pipelines.colours import VISIONS, contrast, lightness, smallest_distance

MONTHS = load_catalogue().items("common.months")
STEP = np.arange(0, 300, 7)
WORDS = ChartWords(
    title="Stored <b>water</b>",
    description='At planting: "4" & more',
    y_label="inches",
    names={"target": "enough", "freeze": "freeze", "planting": "planting"} | {o: o for o in OPTIONS},
    months=MONTHS,
)


def stored(**changes) -> StoredChart:
    line = np.array([2 + 4 * STEP / 299 - k * np.sin(STEP / 95) for k in (0, 0.5, 0.7, 1.2)])
    data = StoredChart(STEP, line, line * 0.8, line * 1.2, 3.5, 201, 135, 280, WORDS)
    return replace(data, **changes)


def drawn(**changes) -> str:
    charts = template("charts.html.j2").module
    return str(charts.stored(stored(**changes)))


@pytest.fixture(scope="module")
def svg() -> str:
    return drawn()


def paths(svg: str, kind: str) -> dict[str, np.ndarray]:
    """Points of the first stroke of each path of a kind, by option."""
    found = re.findall(rf'<path class="{kind}" style="color:var\(--([a-z-]+)\)"[^>]* d="M([^MzV]+)', svg)
    return {
        option.replace("-", "_"): np.array([p.split() for p in line.split("L")], dtype=float)
        for option, line in found
    }


def test_small_and_well_formed(svg):
    assert len(svg.encode()) < 10_000
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
    assert re.findall(r"#[0-9a-fA-F]{3,6}\b|(?:fill|stroke)=", svg) == []
    used = set(re.findall(r"var\((--[a-z-]+)\)", svg))
    assert len(used) == len(OPTIONS)
    assert all(f"{variable}:" in page_assets()["style"] for variable in used)


def axis_of(svg: str) -> tuple[float, float]:
    """Slope and offset of the left axis, read from its numbers: pixel to amount."""
    ticks = re.findall(r'<text x="33" y="([\d.]+)" dy="4">([\d.]+)</text>', svg)
    pixel, amount = np.array(ticks, dtype=float).T
    return tuple(np.polyfit(pixel, amount, 1))


def test_lines_follow_the_numbers(svg):
    data, kept = stored(), STEP <= 299
    slope, offset = axis_of(svg)
    lines = paths(svg, "line")
    assert list(lines) == list(OPTIONS)
    for i, option in enumerate(OPTIONS):
        x, y = lines[option].T
        assert np.allclose(y * slope + offset, data.line[i, kept], atol=0.005)
        assert np.allclose((x - 40) / (212 - 40) * 299, STEP[kept], atol=0.1)


def test_shades_lie_between_their_edges(svg):
    data, kept = stored(), STEP <= 299
    slope, offset = axis_of(svg)
    bands = paths(svg, "band")
    for i, option in enumerate(OPTIONS):
        edge = bands[option][:, 1] * slope + offset
        assert np.allclose(edge, np.append(data.low[i, kept], data.high[i, kept][::-1]), atol=0.005)


def test_without_a_spread_there_is_no_shade():
    bare = drawn(low=None, high=None)
    assert "band" not in bare
    assert list(paths(bare, "line")) == list(OPTIONS)


def test_a_place_without_frost_has_no_freeze_mark(svg):
    bare = drawn(freeze_day=float("nan"))
    assert "nan" not in bare.lower()
    assert WORDS.names["freeze"] in svg
    assert WORDS.names["freeze"] not in bare


def test_every_point_lies_in_the_frame(svg):
    high = stored().high * 30
    for text in (svg, drawn(high=high), drawn(target=90.0)):
        for line in (*paths(text, "line").values(), *paths(text, "band").values()):
            assert line[:, 0].min() >= 40
            assert line[:, 0].max() <= 212
            assert line[:, 1].min() >= 18
            assert line[:, 1].max() <= 198 - 24


def test_options_are_told_apart_without_colour(svg):
    assert len({LINE_DASHES[o] for o in OPTIONS}) == 4
    dashes = dict(re.findall(r'class="line" style="color:var\(--([a-z-]+)\)" stroke-dasharray="([^"]+)"', svg))
    assert dashes == {o.replace("_", "-"): LINE_DASHES[o] for o in OPTIONS if o != "stubble"}
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


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e5), st.integers(3, 10))
def test_ticks_are_round_and_hold_the_range(low, width, steps):
    """Steps of 1, 2 or 5 times a power of ten: common practice, no source."""
    high = low + width
    ticks = np.array(nice_ticks(low, high, steps))
    step = np.diff(ticks)
    assert np.allclose(step, step[0])
    digit = step[0] / 10 ** np.floor(np.log10(step[0] * 1.0001))
    assert min(abs(digit - k) for k in (1, 2, 5)) < 1e-6
    assert np.allclose(ticks / step[0], np.round(ticks / step[0]))
    slack = 1e-6 * step[0]
    assert ticks[0] <= low + slack
    assert ticks[-1] >= high - slack
    assert ticks[1] > low - slack
    assert ticks[-2] < high + slack
    assert len(ticks) <= steps + 2


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [
        (0, 5.9, [0, 1, 2, 3, 4, 5, 6]),
        (0, 147, range(0, 161, 20)),
        (-12, 41, range(-20, 51, 10)),
        (3, 77, [0, 20, 40, 60, 80]),
    ],
)
def test_ticks_by_hand(low, high, wanted):
    assert nice_ticks(low, high, 6 if low else 8) == pytest.approx(list(wanted))
