"""The chart of stored water through the season: matplotlib made small, coloured by the page's own style sheet."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
from markupsafe import Markup, escape
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from geo.options import OPTIONS
from geo.season import month_day

matplotlib.use("svg")

LINE_DASHES: Mapping[str, tuple[float, ...]] = {
    "stubble": (),
    "winter_killed": (6, 2),
    "overwinter_early": (6, 2, 1.5, 2),
    "overwinter_late": (1.5, 1.8),
}
LINE_COLOURS: Mapping[str, tuple[str, str]] = {
    "stubble": ("#14140F", "#F6F3E8"),
    "winter_killed": ("#004F9E", "#5C9FF0"),
    "overwinter_early": ("#B8480C", "#D2622E"),
    "overwinter_late": ("#4C8F86", "#8CD48A"),
}
"""Line colour of each option on a light and on a dark page (tested for colour-vision deficiency)."""

# Drawn in stand-in colours, which become variables of the page's style sheet: one picture serves light and dark.
_INK, _FAINT = "#010101", "#020202"
_STAND_IN = {option: f"#0{k}0{k}0{k}" for k, option in enumerate(OPTIONS, start=3)}
_STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "springfill",
    "path.simplify": True,
    "font.size": 10,
    "axes.linewidth": 0.8,
}
INK, FAINT, STYLE = _INK, _FAINT, _STYLE
WIDTH_IN, HEIGHT_IN = 5.0, 2.7
_Y_TICKS = MaxNLocator(nbins=6, steps=[1, 2, 2.5, 5, 10])


def stand_in(option: str) -> str:
    """Return the colour in which an option is drawn; `compact_svg` makes it the page's own."""
    return _STAND_IN[option]


@dataclass(frozen=True)
class StoredWater:
    """What the chart shows of one field, in display units.

    Attributes
    ----------
    step : ndarray, shape (step,)
        Days after harvest.
    low, median, high : ndarray, shape (option, step)
        Quartiles and median of the water stored in the root zone, options in the order of `OPTIONS`.
    target : float
        Water that the next crop should find at planting.
    harvest_day, planting_day, freeze_day : float
        Days of the year.
    """

    step: np.ndarray
    low: np.ndarray
    median: np.ndarray
    high: np.ndarray
    target: float
    harvest_day: float
    planting_day: float
    freeze_day: float


@dataclass(frozen=True)
class ChartWords:
    """Words on and about the chart, in the user's language."""

    title: str
    description: str
    y_label: str
    target: str
    freeze: str
    planting: str
    options: Mapping[str, str]
    months: Sequence[str]


def spread_labels(heights: np.ndarray, least: float, low: float, high: float) -> np.ndarray:
    """Move labels apart so that none is nearer than `least` to the next, inside [low, high], order kept.

    Parameters
    ----------
    heights : ndarray, shape (label,)
        Wanted positions.
    least, low, high : float
        Smallest distance and the limits; the limits give way when the labels do not fit.
    """
    order = np.argsort(heights, kind="stable")
    place = np.clip(heights[order].astype(float), low, high)
    for i in range(1, len(place)):
        place[i] = max(place[i], place[i - 1] + least)
    if len(place) and place[-1] > high:
        place[-1] = max(high, low + least * (len(place) - 1))
        for i in range(len(place) - 2, -1, -1):
            place[i] = min(place[i], place[i + 1] - least)
    out = np.empty_like(place)
    out[order] = place
    return out


class StoredWaterChart:
    """Draw the chart again and again on one figure: building a figure takes longer than drawing it."""

    def __init__(self) -> None:
        with matplotlib.rc_context(_STYLE):
            self._figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
            self._axes: Any = self._figure.add_axes((0.095, 0.12, 0.59, 0.79))
        axes = self._axes
        self._figure.patch.set_visible(False)
        # Tick objects take most of the drawing time, so frame, grid and numbers are two line sets and plain texts.
        axes.set_axis_off()
        self._grid, self._frame = (
            LineCollection([], colors=colour, linewidths=width, clip_on=False, zorder=0)
            for colour, width in ((_FAINT, 0.6), (_INK, 0.8))
        )
        for lines in (self._grid, self._frame):
            axes.add_collection(lines, autolim=False)
        self._x_names = [axes.text(0, 0, "", color=_INK, va="top", ha="center", fontsize=10) for _ in range(13)]
        self._y_names = [axes.text(0, 0, "", color=_INK, va="center", ha="right", fontsize=10) for _ in range(9)]
        self._y_title = axes.text(
            -0.12, 0.5, "", color=_INK, va="center", ha="center", rotation=90, fontsize=10, transform=axes.transAxes
        )
        empty = np.zeros(2)
        self._bands, self._lines, self._keys, self._names = ({} for _ in range(4))
        for option in OPTIONS:
            colour = _STAND_IN[option]
            band = axes.fill_between(empty, empty, empty, color=colour, linewidth=0)
            band.set_gid(f"band-{option}")
            dash = LINE_DASHES[option]
            (line,) = axes.plot(empty, empty, color=colour, linewidth=1.9, linestyle=(0, dash) if dash else "-")
            (key,) = axes.plot(empty, empty, clip_on=False)
            key.update_from(line)
            key.set_clip_on(False)
            self._bands[option], self._lines[option], self._keys[option] = band, line, key
            self._names[option] = axes.text(0, 0, "", color=_INK, va="center", fontsize=10)
        (self._target,) = axes.plot(empty, empty, color=_INK, linewidth=0.9, linestyle=(0, (1, 2)))
        self._target_name = axes.text(0, 0, "", color=_INK, va="bottom", ha="left", fontsize=10)
        self._marks = [axes.axvline(0, color=_INK, linewidth=0.7) for _ in range(2)]
        self._mark_names = [
            axes.text(0, 0, "", color=_INK, va="bottom", ha=h, fontsize=10) for h in ("center", "right")
        ]

    def draw(self, data: StoredWater, words: ChartWords) -> Markup:
        """Return the chart as inline SVG with a title, a description and no fixed size."""
        axes, step = self._axes, data.step
        last = (data.planting_day - data.harvest_day) % 365
        top = max(float(np.nanmax(data.high)), data.target) * 1.08 + 1e-9
        axes.set_xlim(0, last)
        axes.set_ylim(0, top)
        keep = step <= last + 1e-9
        # The last step lies up to a week before planting: the label starts at the axis end, the line at its own.
        ends = np.array([data.median[i][keep][-1] for i in range(len(OPTIONS))])
        heights = spread_labels(ends, top * 0.095, top * 0.03, top * 0.98)
        for i, option in enumerate(OPTIONS):
            self._bands[option].set_data(step[keep], data.low[i][keep], data.high[i][keep])
            self._lines[option].set_data(step[keep], data.median[i][keep])
            name = self._names[option]
            name.set_text(words.options[option])
            name.set_position((last * 1.10, heights[i]))
            self._keys[option].set_data([last * 1.02, last * 1.085], [heights[i], heights[i]])
        self._target.set_data([0, last], [data.target, data.target])
        self._target_name.set_text(words.target)
        self._target_name.set_position((last * 0.012, data.target))
        for line, name, day, text in zip(
            self._marks,
            self._mark_names,
            (data.freeze_day, data.planting_day),
            (words.freeze, words.planting),
            strict=True,
        ):
            known = bool(np.isfinite(day))  # there is no freeze day where most years have none
            line.set_visible(known)
            name.set_visible(known)
            after = (day - data.harvest_day) % 365 if known else 0.0
            line.set_xdata([after, after])
            name.set_position((after, top * 1.01))
            name.set_text(text)
        self._draw_frame(last, top, data.harvest_day, words)
        buffer = io.StringIO()
        with matplotlib.rc_context(_STYLE):
            self._figure.savefig(buffer, format="svg", metadata={"Date": None})
        return compact_svg(buffer.getvalue(), words.title, words.description, "stored")

    def _draw_frame(self, last: float, top: float, first_day: float, words: ChartWords) -> None:
        days, months = month_ticks(first_day, last, words.months)
        values = [v for v in _Y_TICKS.tick_values(0, top) if 0 <= v <= top]
        self._grid.set_segments([[(0, v), (last, v)] for v in values])
        across, up = last * 0.013, top * 0.02
        ticks = [[(d, 0), (d, -up)] for d in days] + [[(0, v), (-across, v)] for v in values]
        self._frame.set_segments([[(0, top), (0, 0), (last, 0)], *ticks])
        for pool, places, names in (
            (self._x_names, [(d, -2 * up) for d in days], months),
            (self._y_names, [(-2 * across, v) for v in values], [f"{v:g}" for v in values]),
        ):
            for k, text in enumerate(pool):
                used = k < len(places)
                text.set_visible(used)
                if used:
                    text.set_position(places[k])
                    text.set_text(names[k])
        self._y_title.set_text(words.y_label)


def month_ticks(first_day: float, length: float, months: Sequence[str]) -> tuple[list[int], list[str]]:
    """Return the days after `first_day` on which a month begins, and the names of the months."""
    days = [k for k in range(int(length) + 1) if month_day(first_day + k)[1] == 1]
    return days, [months[month_day(first_day + k)[0] - 1] for k in days]


def compact_svg(svg: str, title: str, description: str, name: str) -> Markup:
    """Make a matplotlib SVG small and fit for a page.

    Drops the prolog, the metadata and the style rule that would leak into the page, rounds coordinates to 0.1,
    turns the stand-in colours into style-sheet variables, and adds the text alternatives.
    """
    body = svg[svg.index("<svg") :]
    box = re.search(r'viewBox="([^"]+)"', body)
    body = body[body.index(">") + 1 : body.rindex("</svg>")]
    body = re.sub(r"<metadata>.*?</metadata>|<style.*?</style>|<!--.*?-->", "", body, flags=re.S)
    body = re.sub(r"\b(\d+\.\d{2,})\b", lambda m: f"{float(m[1]):.1f}".removesuffix(".0"), body)
    body = re.sub(r"font(?:-family)?: ?[^;\"]*'[^;\"]*;? ?", "", body)
    body = re.sub(r"font-size: ?[0-9.]+px;? ?", "", body)
    body = re.sub(r' transform="rotate\(-0 [^"]*\)"', "", body)
    body = re.sub(r'(?<= d=")[^"]*', lambda m: re.sub(r"\s*([A-Za-z])\s*", r"\1", m[0].strip()), body)
    body = re.sub(r' id="(?!m[0-9a-f]{6,}|p[0-9a-f]{6,}|band-)[^"]*"', "", body)
    body = re.sub(r'(id="|url\(#|href="#)(?=[mp][0-9a-f]{6})', rf"\1{name}-", body)
    for colour, variable in {_INK: "ink", _FAINT: "faint", **{v: k for k, v in _STAND_IN.items()}}.items():
        body = body.replace(colour, f"var(--{variable.replace('_', '-')})")
    body = re.sub(r'id="band-[^"]*"', 'class="band"', body)
    body = re.sub(r"<g>\s*</g>|<defs>\s*</defs>", "", body)
    body = re.sub(r"xlink:href", "href", body)
    body = re.sub(r"\s+", " ", body).replace("> <", "><").replace("; ", ";").replace(": ", ":").replace(' "', '"')
    head = Markup('<svg class="chart" role="img" aria-labelledby="{0}-t {0}-d" viewBox="{1}">').format(
        name, box[1] if box else "0 0 1 1"
    )
    words = Markup('<title id="{0}-t">{1}</title><desc id="{0}-d">{2}</desc>').format(name, title, description)
    return head + words + Markup(body) + Markup("</svg>")


def style_variables() -> dict[str, str]:
    """Return the style-sheet variables of the line colours for a light and for a dark page."""
    return {
        mode: "".join(f"--{option.replace('_', '-')}:{escape(pair[k])};" for option, pair in LINE_COLOURS.items())
        for k, mode in enumerate(("light", "dark"))
    }
