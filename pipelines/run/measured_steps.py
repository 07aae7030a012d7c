"""Own measurements: compare them with the model, and start the balance from them."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd

from geo.balance import days_after_harvest, harvest_year, in_season, water_on
from geo.errors import Problem
from geo.rating import Rating
from geo.season import Calendar, day_of_year
from pipelines.read.measurements.soundings import left_out
from pipelines.run.context import Context
from pipelines.run.ground import Ground
from pipelines.run.measured import ALL_FEET, SOUNDING, Measured
from pipelines.run.measured_places import Place, Places, Sounding, locate, soundings, unknown_fields
from pipelines.run.measured_start import choose_starts, foot_capacity, start_answers
from pipelines.run.seasons import Seasons

MOST_DATES = 60
"""Dates of one place that are compared: a sensor's record is thinned evenly, since each day is a run of the model."""


def compare(
    context: Context, ground: Ground, run: Seasons, rating: Rating
) -> tuple[Measured | None, tuple[Problem, ...]]:
    """Put the modelled water beside the measured, and run the fields from the water that was measured at harvest.

    Returns
    -------
    measured : Measured or None
        None where the study has no measurements.
    problems : tuple of Problem
        Rows that nothing rests on, and what was assumed.
    """
    found, table = ground.measurements, context.study.measurements
    if found is None or table is None:
        return None, ()
    file = context.path(table.path).name
    readings, problems = unknown_fields(found.readings, ground.fields["field_id"], file)
    places = Places(ground, rating)
    readings, grounds, listed = locate(places, readings, file)
    problems += listed
    calendar = context.study.calendar
    readings, listed = _in_reach(readings, calendar, table.near_harvest_days, file)
    problems += listed
    parts = soundings(readings, grounds)
    problems += _not_used(parts, file)
    good = [p for p in parts if p.known]
    chosen = choose_starts(good, calendar, table.near_harvest_days)
    in_time = [p for p in good if in_season(p.month_day, calendar)]
    rests_on = {int(line) for p in itertools.chain(in_time, *chosen.values()) for line in p.used}
    passed = [int(line) for p in good for line in p.used if int(line) not in rests_on]
    if passed:
        what = "before harvest, and another reading is nearer to it"
        problems.append(left_out(file, passed, what))
    context.report("compare", 0, 2)
    compared = _with_model(context, ground, in_time)
    context.report("compare", 1, 2)
    starts = start_answers(context, places, run, chosen)
    context.report("compare", 2, 2)
    measured = Measured(compared, starts, found.rows, len(rests_on), found.kind)
    return measured, (*problems, *_assumptions(good, file))


def _in_reach(readings: pd.DataFrame, calendar: Calendar, near: int, file: str) -> tuple[pd.DataFrame, list[Problem]]:
    """Keep what lies in the modelled season or near harvest, and of long records a day now and then."""
    dates = pd.DatetimeIndex(readings["date"])
    pairs = list(zip(dates.month, dates.day, strict=True))
    before = np.array([(day_of_year(calendar.harvest) - day_of_year(p)) % 365 for p in pairs], int)
    reach = np.array([in_season(p, calendar) for p in pairs], bool) | (before <= near)
    outside = readings[~reach]
    what = "nothing is modelled between planting and harvest"
    problems = [
        left_out(file, part["row"], f"{what}: {_span(part['date'])} at {place}")
        for place, part in outside.groupby("place")
    ]
    kept = readings[reach]
    thin = pd.Series(False, index=kept.index)
    for place, part in kept.groupby("place"):
        days = np.unique(part["date"])
        if len(days) > MOST_DATES:
            wanted = days[np.unique(np.linspace(0, len(days) - 1, MOST_DATES).round().astype(int))]
            out = ~part["date"].isin(wanted)
            thin[part.index[out]] = True
            what = f"{len(days)} days at {place}: {len(wanted)} are compared, {int(out.sum())} rows are not"
            problems.append(left_out(file, part["row"][out], what))
    return kept[~thin].reset_index(drop=True), problems


def _span(dates: pd.Series) -> str:
    """Return the first and last of some dates."""
    first, last = (f"{d:%Y-%m-%d}" for d in (dates.min(), dates.max()))
    return first if first == last else f"{first} to {last}"


def _not_used(parts: list[Sounding], file: str) -> list[Problem]:
    what = "it lies below what the model counts, or covers too little of its foot"
    fix = "A foot counts when at least half of it was measured."
    lost = [int(line) for p in parts for line in p.lost]
    return [left_out(file, lost, what, fix)] if lost else []


def _assumptions(parts: list[Sounding], file: str) -> list[Problem]:
    what = "the soil layer knows no wilting point at depth; that of the surface is taken for all depths"
    places = dict.fromkeys(p.place for p in parts if p.assumed)
    fix = "Give the water content at 15 bar of your soil as wilting_point."
    return [Problem("measurements", f"{file}: {place}", what, "warning", fix) for place in places]


def _with_model(context: Context, ground: Ground, parts: list[Sounding]) -> pd.DataFrame:
    """Return the table of measured and modelled water; the model is run once for each day of the year."""
    rows: list[dict[str, Any]] = []
    soils, cell, weather = ground.soil_records, ground.unit_cell, ground.weather
    settings, calendar = context.tables.settings(), context.study.calendar
    record = ground.climate.daily is not None
    for date, same in itertools.groupby(sorted(parts, key=_month_day), key=_month_day):
        group = list(same)
        unit = np.unique(np.concatenate([p.ground.units["unit"] for p in group]))
        water = water_on(
            date, calendar, weather.daily, weather.seasons, soils[unit], cell[unit], settings, weather.days,
            context.tables.model,
        )  # fmt: skip
        for p in group:
            share = _shares(p.ground, unit)
            modelled = water.sel(option=p.option).values.astype(float)
            year = harvest_year(p.date.year, date, calendar)
            own = np.flatnonzero(weather.seasons.year == year) if record else np.array([], int)
            when = {"after_harvest": days_after_harvest(date, calendar), "harvest_year": year}
            rows += [when | row for row in _rows(p, modelled, share, foot_capacity(soils[unit]), own)]
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    return frame.sort_values([*SOUNDING, "layer"], kind="stable").reset_index(drop=True)


def _shares(ground: Place, unit: np.ndarray) -> np.ndarray:
    """Return the share of each of the units in a ground."""
    return ground.units.set_index("unit")["share"].reindex(unit).fillna(0.0).to_numpy(float)


def _month_day(sounding: Sounding) -> tuple[int, int]:
    return sounding.month_day


_COLUMNS = [
    *SOUNDING, "name", "is_field", "after_harvest", "harvest_year", "layer", "measured_mm", "measured_share",
    "capacity_mm", "assumed", "mean_mm", "p10_mm", "p90_mm", "own_mm",
]  # fmt: skip


def _rows(
    p: Sounding, modelled: np.ndarray, share: np.ndarray, capacity: np.ndarray, own: np.ndarray
) -> list[dict[str, Any]]:
    """Return the rows of one sounding: each measured foot, and all of them together.

    Parameters
    ----------
    p : Sounding
    modelled : array (unit, season, foot)
        Water on that day of the year, mm.
    share, capacity : array (unit,), array (unit, foot)
        Share of each unit in the ground of the sounding, and what it can hold, mm.
    own : int array
        Position of the season that was measured; empty where the weather does not hold it.
    """
    feet = np.flatnonzero(np.isfinite(p.measured_mm))
    layers = [(ALL_FEET, feet), *((int(k) + 1, np.array([k])) for k in feet)]
    same = {key: getattr(p, key) for key in (*SOUNDING, "name", "is_field", "assumed")}
    rows = []
    for layer, which in layers:
        water = modelled[:, :, which].sum(axis=2)
        low, high = share @ np.quantile(water, (0.1, 0.9), axis=1).T
        rows.append(
            {
                **same,
                "layer": layer,
                "measured_mm": float(p.measured_mm[which].sum()),
                "measured_share": float(p.share[which].mean()),
                "capacity_mm": float((share @ capacity)[which].sum()),
                "mean_mm": float(share @ water.mean(axis=1)),
                "p10_mm": float(low),
                "p90_mm": float(high),
                "own_mm": float(share @ water[:, own[0]]) if len(own) else np.nan,
            }
        )
    return rows
