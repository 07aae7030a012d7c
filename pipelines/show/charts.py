"""The charts of the pages as positions and paths; `templates/charts.html.j2` draws them, style sheets colour them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np

from geo.options import OPTIONS
from geo.season import month_day

LINE_DASHES: Mapping[str, str] = {
    "stubble": "",
    "winter_killed": "11 4",
    "overwinter_early": "11 4 3 4",
    "overwinter_late": "3 3.5",
}
LINE_COLOURS: Mapping[str, tuple[str, str]] = {
    "stubble": ("#14140F", "#F6F3E8"),
    "winter_killed": ("#004F9E", "#5C9FF0"),
    "overwinter_early": ("#B8480C", "#D2622E"),
    "overwinter_late": ("#4C8F86", "#8CD48A"),
}
"""Line colour of each option on a light and on a dark page (tested for colour-vision deficiency)."""

LABEL_HEIGHT = 17
_MONTH_WIDTH, _FOOT = 28, 24
_HEADROOM, _MOST_STEPS = 1.08, 8


@dataclass(frozen=True)
class ChartWords:
    """Words on and about a chart, in the user's language; `names` are those of the options and of the marks."""

    title: str
    description: str
    y_label: str
    names: Mapping[str, str]
    months: Sequence[str]


@dataclass(frozen=True)
class Axes:
    """The frame of a chart of water against days after harvest, and the way from both to pixels.

    Attributes
    ----------
    first_day : float
        Day of the year on which the axis begins.
    length : float
        Days that it is long.
    most : float
        Largest amount that is drawn; the axis begins at zero and has some room above.
    height : int
        Of the whole picture [pixels].
    months : sequence of str
        Names of the twelve months.
    pad : float
        Room left and right of the first and the last day [pixels].
    """

    first_day: float
    length: float
    most: float
    height: int
    months: Sequence[str]
    pad: float = 0.0

    # Letters of 12 in a picture 345 wide are 12 pixels high on a phone of 390 pixels, whose pages give it 348.
    width: ClassVar[int] = 345
    left: ClassVar[int] = 40
    right: ClassVar[int] = 212
    top: ClassVar[int] = 18

    @property
    def bottom(self) -> int:
        """Height of the lower axis [pixels]."""
        return self.height - _FOOT

    def x(self, day: float) -> float:
        """Return the pixel of a day after harvest."""
        return round(self.left + self.pad + float(day) / self.length * (self.right - self.left - 2 * self.pad), 1)

    def y(self, amount: float) -> float:
        """Return the pixel of an amount of water."""
        return round(self.bottom - float(amount) / (self.most * _HEADROOM + 1e-9) * (self.bottom - self.top), 1)

    def path(self, days: np.ndarray, amounts: np.ndarray) -> str:
        """Return a line through points."""
        points = zip(np.asarray(days).tolist(), np.asarray(amounts).tolist(), strict=True)
        return "M" + "L".join(f"{self.x(day):g} {self.y(amount):g}" for day, amount in points)

    def amount_ticks(self) -> list[tuple[float, str]]:
        """Return pixel and number of each tick of the left axis."""
        values = (v for v in nice_ticks(0, self.most * _HEADROOM, _MOST_STEPS) if self.y(v) >= self.top)
        return [(self.y(v), f"{v:g}") for v in values]

    def month_ticks(self) -> list[tuple[float, str]]:
        """Return pixel and name of the first day of each month; names that do not fit side by side are empty."""
        days, names = month_ticks(self.first_day, self.length, self.months)
        every = math.ceil(_MONTH_WIDTH * len(days) / (self.right - self.left))
        return [(self.x(d), n if k % every == 0 else "") for k, (d, n) in enumerate(zip(days, names, strict=True))]


@dataclass(frozen=True)
class StoredChart:
    """The chart of the water stored on one field, in display units.

    Attributes
    ----------
    step : ndarray, shape (step,)
        Days after harvest.
    line : ndarray, shape (option, step)
        Water stored in the root zone, options in the order of `OPTIONS`.
    low, high : ndarray, shape (option, step), or None
        Edges of the shade about each line; no shade without them.
    target : float
        Water that the next crop should find at planting.
    harvest_day, planting_day, freeze_day : float
        Days of the year; NaN for the freeze where most years have none.
    words : ChartWords
    """

    step: np.ndarray
    line: np.ndarray
    low: np.ndarray | None
    high: np.ndarray | None
    target: float
    harvest_day: float
    planting_day: float
    freeze_day: float
    words: ChartWords

    @cached_property
    def axes(self) -> Axes:
        """Frame from harvest to planting."""
        most = max(float(np.nanmax(self.line if self.high is None else self.high)), self.target)
        return Axes(self.harvest_day, (self.planting_day - self.harvest_day) % 365, most, 198, self.words.months)

    def options(self) -> Iterator[tuple[str, str, str, str, float]]:
        """Yield key, dashes, line, shade and height of the name of each option."""
        axes, kept = self.axes, self.step <= self.axes.length + 1e-9
        step = self.step[kept]
        ends = np.array([axes.y(water) for water in self.line[:, kept][:, -1]])
        names = spread_labels(ends, LABEL_HEIGHT, axes.top + 6, axes.bottom - 6).round(1)
        for i, option in enumerate(OPTIONS):
            shade = ""
            if self.low is not None and self.high is not None:
                edges = np.append(self.low[i, kept], self.high[i, kept][::-1])
                shade = axes.path(np.append(step, step[::-1]), edges) + "z"
            yield option, LINE_DASHES[option], axes.path(step, self.line[i, kept]), shade, names[i]

    def days(self) -> list[tuple[float, str]]:
        """Return pixel and name of each day that has a line of its own."""
        days = {"freeze": self.freeze_day, "planting": self.planting_day}
        return [
            (self.axes.x((day - self.harvest_day) % 365), self.words.names[key])
            for key, day in days.items()
            if np.isfinite(day)
        ]


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
    rungs = least * np.arange(len(heights))
    place = np.maximum.accumulate(np.clip(heights[order], low, high) - rungs) + rungs
    out = np.empty(len(heights))
    out[order] = np.minimum(place, max(high, low + rungs[-1]) - rungs[::-1])
    return out


def nice_ticks(low: float, high: float, steps: int) -> list[float]:
    """Return round values from at most `low` to at least `high`.

    Neighbours are 1, 2 or 5 times a power of ten apart, the least of these that takes at most `steps` steps over the
    width of the range (one more where neither end is round).
    """
    least = (high - low) / steps * (1 - 1e-9)
    power = 10.0 ** math.floor(math.log10(least))
    step = next(k * power for k in (1, 2, 5, 10) if k * power >= least)
    return [k * step for k in range(math.floor(low / step), math.ceil(high / step) + 1)]


def month_ticks(first_day: float, length: float, months: Sequence[str]) -> tuple[list[int], list[str]]:
    """Return the days after `first_day` on which a month begins, and the names of the months."""
    days = [k for k in range(int(length) + 1) if month_day(first_day + k)[1] == 1]
    return days, [months[month_day(first_day + k)[0] - 1] for k in days]


def style_variables() -> dict[str, str]:
    """Return the style-sheet variables of the line colours for a light and for a dark page."""
    return {
        mode: "".join(f"--{option.replace('_', '-')}:{pair[k]};" for option, pair in LINE_COLOURS.items())
        for k, mode in enumerate(("light", "dark"))
    }
