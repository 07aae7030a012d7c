"""The calendar strip of a field page: what happens when, between harvest and the next planting."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geo.errors import StudyError
from geo.season import Calendar, day_of_year
from pipelines.show.charts import month_ticks
from pipelines.study.units import Units
from pipelines.study.words import Catalogue

LEFT, RIGHT = 128, 352
ROW_HEIGHT, TOP = 19, 16
SEEDING_WINDOW_DAYS = 14
"""Length of the sowing bar before the tested date: common practice, no source."""


@dataclass(frozen=True)
class Strip:
    """One row: a bar from `x` over `width`, an optional tick, and its words."""

    key: str
    name: str
    dates: str
    x: float
    width: float
    tick: float | None
    text_x: float
    anchor: str


@dataclass(frozen=True)
class CalendarStrip:
    """The whole picture, in SVG units (360 wide)."""

    rows: tuple[Strip, ...]
    months: tuple[tuple[float, str], ...]
    height: int
    description: str


def study_calendar(season: Mapping[str, Any]) -> Calendar:
    """Read the calendar from the settings of a study (``"07-20"`` or a pair of month and day)."""
    names = Calendar.__dataclass_fields__
    dates = {k: _pair(k, v) for k, v in season.items() if k in names}
    return Calendar(**dates)


def _pair(name: str, value: Any) -> tuple[int, int]:
    try:
        month, day = value.split("-")[-2:] if isinstance(value, str) else value
        return int(month), int(day)
    except (TypeError, ValueError):
        raise StudyError("A date of the season cannot be read.", f"season.{name} = {value!r}", "Use MM-DD.") from None


def draw_calendar(
    calendar: Calendar, freeze_days: Sequence[float], latest_day: float, words: Catalogue, units: Units
) -> CalendarStrip:
    """Lay out the strip.

    Parameters
    ----------
    calendar : Calendar
    freeze_days : sequence of float, 3 values
        Day of the year of the first killing freeze: 10, 50 and 90 % of years.
    latest_day : float
        Latest safe end of an overwintering mix, day of the year; NaN when no date is safe.
    """
    harvest = day_of_year(calendar.harvest)
    planting = day_of_year(calendar.planting)
    length = (planting - harvest) % 365
    scale = (RIGHT - LEFT) / length

    def after(day: float) -> float:
        return min(max((day - harvest) % 365, 0.0), length)

    def date(days_after: float) -> str:
        return str(units.date((harvest + days_after - 1) % 365 + 1))

    rows = []

    def add(key: str, first: float, last: float, dates: str, tick: float | None = None) -> None:
        x, width = LEFT + first * scale, max((last - first) * scale, 2.5)
        right = x + width + 4 + 5.4 * len(dates) <= RIGHT + 6
        text_x, anchor = (x + width + 4, "start") if right else (x - 4, "end")
        mark = None if tick is None else round(LEFT + tick * scale, 1)
        name = words.t(f"field.calendar.{key}")
        rows.append(Strip(key, name, dates, round(x, 1), round(width, 1), mark, round(text_x, 1), anchor))

    for key, seeding in (
        ("seed_killed", calendar.seeding_winter_killed),
        ("seed_hardy", calendar.seeding_overwinter),
    ):
        last = after(day_of_year(seeding))
        add(key, max(last - SEEDING_WINDOW_DAYS, 0), last, words.t("field.calendar.by", date=date(last)))
    low, middle, high = (after(d) for d in freeze_days)
    if not np.isnan([low, middle, high]).any():
        span = words.t("field.calendar.span", first=date(low), last=date(high))
        add("freeze", low, high, span, tick=middle)
        add("recharge", middle, length, words.t("field.calendar.span", first=date(middle), last=date(length)))
    early = after(day_of_year(calendar.early_termination))
    if math.isnan(latest_day):
        add("end", early, early, words.t("field.calendar.no_safe"))
    else:
        latest = after(latest_day)
        add("end", min(early, latest), latest, words.t("field.calendar.by", date=date(latest)))
    add("plant", length, length, words.t("field.calendar.about", date=date(length)))
    ticks, names = month_ticks(harvest, length, words.items("common.months"))
    months = tuple(
        (round(LEFT + k * scale, 1), name) for k, name in zip(ticks, names, strict=True) if k < length - 20
    )
    description = ". ".join(f"{row.name}: {row.dates}" for row in rows) + "."
    return CalendarStrip(tuple(rows), months, TOP + ROW_HEIGHT * len(rows) + 2, description)
