"""The chart of one place's measurements: readings over what the model says for the same day."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from markupsafe import Markup
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from geo.options import OPTIONS
from pipelines.show.charts import FAINT, INK, STYLE, compact_svg, month_ticks, stand_in

MARKERS: Mapping[str, str] = {"stubble": "o", "winter_killed": "s", "overwinter_early": "^", "overwinter_late": "v"}
"""Shape of each option's readings: colour alone would not tell them apart for everyone."""
_SIZE = (5.0, 3.0)
_APART = 0.012  # of the axis between two options of one day


@dataclass(frozen=True)
class MeasuredWords:
    """Words on and about the chart, in the user's language."""

    title: str
    description: str
    y_label: str
    measured: str
    mean: str
    most: str
    own: str
    options: Mapping[str, str]
    months: Sequence[str]


def draw_measured(
    rows: pd.DataFrame, factor: float, harvest_day: float, length: float, words: MeasuredWords, name: str
) -> Markup:
    """Return the chart of one place as inline SVG.

    Parameters
    ----------
    rows : DataFrame
        Rows of `pipelines.run.measured.Measured.compared` for all measured feet together.
    factor : float
        From mm to the unit of the page.
    harvest_day : float
        Day of the year on which the axis begins.
    length : float
        Days from harvest to planting.
    words : MeasuredWords
    name : str
        Prefix of the ids inside the picture; its own on the page.
    """
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=_SIZE)
        axes: Any = figure.add_axes((0.095, 0.11, 0.55, 0.86))
        figure.patch.set_visible(False)
        axes.patch.set_visible(False)
        present = [o for o in OPTIONS if (rows["option"] == o).any()]
        for k, option in enumerate(present):
            own = rows[rows["option"] == option]
            shift = (k - (len(present) - 1) / 2) * _APART * length
            _draw_option(axes, own, own["after_harvest"].to_numpy(float) + shift, factor, option)
        _dress(axes, harvest_day, length, words)
        _draw_key(axes, present, words, bool(rows["own_mm"].notna().any()))
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    return compact_svg(buffer.getvalue(), words.title, words.description, name)


def _draw_option(axes: Any, rows: pd.DataFrame, x: np.ndarray, factor: float, option: str) -> None:
    """Draw range, mean, that season and reading of each day."""
    mean, low, high = (rows[name].to_numpy() * factor for name in ("mean_mm", "p10_mm", "p90_mm"))
    colour = stand_in(option)
    axes.vlines(x, low, high, color=colour, linewidth=3, alpha=0.6)
    axes.plot(x, mean, linestyle="", marker="_", markersize=9, markeredgewidth=2, color=colour)
    axes.plot(x, rows["own_mm"].to_numpy() * factor, linestyle="", marker="D", markersize=6, markerfacecolor="none",
              markeredgewidth=1.4, color=INK)  # fmt: skip
    axes.plot(x, rows["measured_mm"].to_numpy() * factor, linestyle="", marker=MARKERS[option], markersize=7,
              color=colour, markeredgecolor=INK, markeredgewidth=0.8)  # fmt: skip


def _dress(axes: Any, harvest_day: float, length: float, words: MeasuredWords) -> None:
    axes.set_xlim(-0.03 * length, 1.03 * length)
    axes.set_ylim(0, axes.get_ylim()[1] * 1.03)
    days, months = month_ticks(harvest_day, length, words.months)
    # names of ten months do not fit side by side on a phone
    axes.set_xticks(days, [m if k % 2 == 0 else "" for k, m in enumerate(months)])
    axes.yaxis.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 2.5, 5, 10]))
    axes.yaxis.set_major_formatter("{x:g}")
    axes.grid(axis="y", color=FAINT, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(colors=INK, length=3)
    axes.set_ylabel(words.y_label, color=INK)
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_edgecolor(INK)


def _draw_key(axes: Any, present: list[str], words: MeasuredWords, with_own: bool) -> None:
    """Explain the marks beside the axes: first what they stand for, then whose colour and shape."""
    x, place = 1.06, axes.get_yaxis_transform()
    low, high = axes.get_ylim()
    lines = [("measured", words.measured), ("mean", words.mean), ("most", words.most)]
    lines += [("own", words.own)] if with_own else []
    heights = high - (high - low) * (0.04 + 0.085 * np.arange(len(lines) + len(present) + 1))
    style: dict[str, dict[str, Any]] = {
        "measured": {"marker": "o", "markersize": 7, "color": INK},
        "mean": {"marker": "_", "markersize": 9, "markeredgewidth": 2, "color": INK},
        "most": {"marker": "|", "markersize": 11, "markeredgewidth": 3, "color": INK, "alpha": 0.6},
        "own": {"marker": "D", "markersize": 6, "markerfacecolor": "none", "markeredgewidth": 1.4, "color": INK},
    }
    whose = [(o, words.options[o]) for o in present]
    for option in present:
        style[option] = {
            "marker": MARKERS[option],
            "markersize": 7,
            "color": stand_in(option),
            "markeredgecolor": INK,
        }
    for (key, text), y in zip([*lines, ("", ""), *whose], heights, strict=True):
        if key:
            axes.plot([x], [y], transform=place, linestyle="", clip_on=False, **style[key])
            axes.text(x + 0.06, y, text, transform=place, va="center", color=INK, fontsize=10)
