"""The chart of one place's measurements: readings over what the model says for the same day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from geo.options import OPTIONS
from pipelines.show.charts import LABEL_HEIGHT, Axes, ChartWords

SHAPES: Mapping[str, str] = {
    "stubble": "m-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0z",
    "winter_killed": "m-3.5-3.5h7v7h-7z",
    "overwinter_early": "m0-4.5l4.5 8h-9z",
    "overwinter_late": "m0 4.5l4.5-8h-9z",
    "mean": "m-5 0h10",
    "own": "m0-5l5 5-5 5-5-5z",
}
"""Outlines about a point. Each option's readings have their own: not everyone can tell them apart by colour."""
_APART = 6  # pixels between two options of one day


Mark = tuple[str, str, str]
"""One mark: its class in the style sheet, the option that colours it ("" for none), its path."""


@dataclass(frozen=True)
class MeasuredChart:
    """The chart of one place, ready to be drawn; each entry of the key has a height, a name and a mark."""

    axes: Axes
    words: ChartWords
    marks: list[Mark]
    key: list[tuple[float, str, Mark]]


def measured_chart(
    rows: pd.DataFrame, factor: float, harvest_day: float, length: float, words: ChartWords
) -> MeasuredChart:
    """Lay out the chart of one place.

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
    words : ChartWords
    """
    most = float(rows[["measured_mm", "own_mm", "p90_mm"]].max(axis=None)) * factor
    axes = Axes(harvest_day, length, most, 218, words.months, pad=8)
    present = [option for option in OPTIONS if (rows["option"] == option).any()]
    marks = []
    for row in rows.to_dict("records"):
        option = row["option"]
        x = axes.x(row["after_harvest"]) + _APART * (present.index(option) - (len(present) - 1) / 2)
        y = {name: axes.y(row[f"{name}_mm"] * factor) for name in ("p10", "mean", "p90", "measured")}
        marks += [_bar("most", option, x, y["p10"], y["p90"]), _sign("mean", option, x, y["mean"])]
        if pd.notna(row["own_mm"]):
            marks.append(_sign("own", "", x, axes.y(row["own_mm"] * factor)))
        marks.append(_sign("reading", option, x, y["measured"]))
    return MeasuredChart(axes, words, marks, _key(axes, present, bool(rows["own_mm"].notna().any())))


def _bar(kind: str, option: str, x: float, y: float, to: float) -> Mark:
    return kind, option, f"M{x:g} {y:g}V{to:g}"


def _sign(kind: str, option: str, x: float, y: float) -> Mark:
    shape = SHAPES[(option or "stubble") if kind == "reading" else kind]
    return kind, option, f"M{x:g} {y:g}{shape}"


def _key(axes: Axes, present: list[str], with_own: bool) -> list[tuple[float, str, Mark]]:
    """Explain the marks beside the axes: first what they mean, then, below a gap, whose colour and shape."""
    kinds = {"measured": "reading", "mean": "mean", "most": "most"}
    kinds |= {"own": "own"} if with_own else {}
    rows = [(name, kind, "") for name, kind in kinds.items()] + [(option, "reading", option) for option in present]
    x, key = axes.right + 14, []
    for k, (name, kind, option) in enumerate(rows):
        y = axes.top + LABEL_HEIGHT * (k + (0.8 if option else 0.3))
        key.append((y, name, _bar(kind, option, x, y - 6, y + 6) if kind == "most" else _sign(kind, option, x, y)))
    return key
