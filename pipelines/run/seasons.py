"""Simulate: from the ground to what each response unit gives over the years, and under other parameters."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import xarray as xr

from geo.balance import BalanceSettings, apply_set, sample_sets, uncertain_axes
from geo.balance import simulate as run_balance
from geo.rating import outcomes_for_rule, spring_outcomes, test_values, unit_outcomes, yearly_values
from geo.season import LADDER_DAYS, SeasonIndex, day_of_year
from pipelines.run.context import Context, Report
from pipelines.run.ground import Ground

UNITS_AT_ONCE = 256
_FOR_TESTS = ("paw_mm", "ground_cover", "living_share")
"""What the tests of a parameter set read; the tracks, three fifths of a run's memory, are let go at once."""


@dataclass(frozen=True)
class Seasons:
    """What the units give.

    Attributes
    ----------
    outcomes : Dataset
        By unit (`geo.rating.outcome.unit_outcomes` and `geo.rating.spring_rule.spring_outcomes`).
    yearly : Dataset
        One value a unit, option and season.
    members : tuple of arrays (unit, cover, test)
        Tested values under other parameter sets.
    closure_mm : float
        Largest daily imbalance of the water balance.
    unit_days : int
        Days times units that were run.
    """

    outcomes: xr.Dataset
    yearly: xr.Dataset
    members: tuple[np.ndarray, ...]
    closure_mm: float
    unit_days: int


def simulate(context: Context, ground: Ground) -> Seasons:
    """Run the water balance of every unit, and repeat it under other parameter sets."""
    settings, soils, weather = context.tables.settings(), ground.soil_records, ground.weather
    context.report("compile", 0, 1)
    first = SeasonIndex(**{name: getattr(weather.seasons, name)[:1] for name in SeasonIndex.__dataclass_fields__})
    run_balance(weather.daily, first, soils[:1], ground.unit_cell[:1], settings)
    context.report("compile", 1, 1)
    tell = _counter(context.report, "balance", 1)
    run = _balance(context, ground, settings, soils, tell, workers=context.threads)
    context.report("outcomes", 0, 1)
    dryland, model = context.rules.dryland, context.tables.model
    outcomes = unit_outcomes(
        run, ground.capacity_mm, ground.unit_cell, weather.climate, dryland,
        day_of_year(context.study.calendar.planting), model,
    )  # fmt: skip
    spring = spring_outcomes(run, ground.capacity_mm, weather.seasons, dryland, model)
    outcomes = outcomes.assign(spring.data_vars).assign_attrs(spring.attrs)
    yearly = yearly_values(run)
    closure, unit_days = float(run.attrs["closure_mm"]), int(run.attrs["unit_days"])
    del run  # the largest array of a study: the parameter sets need the room
    context.report("outcomes", 1, 1)
    return Seasons(outcomes, yearly, _parameter_sets(context, ground), closure, unit_days)


def _parameter_sets(context: Context, ground: Ground) -> tuple[np.ndarray, ...]:
    """Return the tested values of every unit under each of the study's parameter sets."""
    axes = uncertain_axes(context.tables.scalars, context.tables.traits, context.tables.model)  # type: ignore[arg-type]
    n = context.study.run.parameter_sets
    tell = _counter(context.report, "agreement", n)

    def member(values: np.ndarray) -> np.ndarray:
        settings, soils = apply_set(context.tables.settings(), ground.soil_records, axes, values)
        run = _balance(context, ground, settings, soils, tell, ladder_days=(), workers=1, keep=_FOR_TESTS)
        tested = outcomes_for_rule(run, ground.capacity_mm, context.rules.dryland, context.tables.model)
        return test_values(tested).astype(np.float32)

    # One set a core: the summing up of one set then overlaps with the balance of the next.
    with ThreadPoolExecutor(context.threads or os.cpu_count() or 1) as pool:
        return tuple(pool.map(member, sample_sets(axes, n) if n else []))


def _balance(
    context: Context,
    ground: Ground,
    settings: BalanceSettings,
    soils: np.ndarray,
    tell: Callable[[int], None],
    ladder_days: tuple[int, ...] = LADDER_DAYS,
    workers: int | None = None,
    keep: Collection[str] | None = None,
) -> xr.Dataset:
    """Run the balance in parts; `tell` is called with the number of parts after each.

    `keep` names the variables that are wanted, all by default.
    """
    weather, cell = ground.weather, ground.unit_cell
    out: xr.Dataset | None = None
    starts = range(0, len(soils), UNITS_AT_ONCE)
    for start in starts:
        part = slice(start, start + UNITS_AT_ONCE)
        found = run_balance(
            weather.daily, weather.seasons, soils[part], cell[part], settings, ladder_days, weather.days, workers,
            context.tables.model,
        )  # fmt: skip
        if keep is not None:
            found = found.drop_vars([v for v in found.data_vars if v not in keep])
        out = _room_for(found, len(soils)) if out is None else out
        for name, values in found.data_vars.items():
            out[name].values[part] = values.values
        out.attrs["closure_mm"] = max(out.attrs.get("closure_mm", 0.0), found.attrs["closure_mm"])
        out.attrs["unit_days"] = out.attrs.get("unit_days", 0) + found.attrs["unit_days"]
        tell(len(starts))
    assert out is not None
    return out


def _room_for(part: xr.Dataset, n: int) -> xr.Dataset:
    """Return a dataset like a part, with room for all units: joined at the end, the parts would be held twice."""
    data = {
        name: (values.dims, np.empty((n, *values.shape[1:]), values.dtype), values.attrs)
        for name, values in part.data_vars.items()
    }
    return xr.Dataset(data, coords={**part.drop_vars("unit").coords, "unit": np.arange(n)})


def _counter(report: Report, step: str, runs: int) -> Callable[[int], None]:
    """Return a function that counts parts of so many runs, from any thread."""
    done, lock = 0, threading.Lock()

    def tell(parts: int) -> None:
        nonlocal done
        with lock:
            done += 1
            report(step, done, runs * parts)

    return tell
