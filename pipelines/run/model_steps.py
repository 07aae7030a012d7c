"""The steps in the middle of the run: water balance, outcomes, zones, and how sure they are."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import xarray as xr

from geo.balance.parameter_sets import agreement, apply_set, sample_sets, uncertain_axes
from geo.balance.parameters import BalanceSettings
from geo.balance.simulate import simulate
from geo.rating.outcome import site_outcomes, yearly_values
from geo.rating.spring_rule import spring_outcomes, with_site_lines
from geo.rating.zones import classify
from geo.season import LADDER_DAYS, SeasonIndex, day_of_year
from pipelines.run.state import Report, Run, need
from pipelines.study.tables import zone_rules

UNITS_AT_ONCE = 256
_FOR_ZONES = ("paw_mm", "ground_cover", "living_share")
"""What the zone of a parameter set is made of; the tracks, three fifths of a run's memory, are let go at once."""


def _simulated(
    run: Run,
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
    cell = need(run.units).units["cell"].to_numpy()
    out: xr.Dataset | None = None
    starts = range(0, len(soils), UNITS_AT_ONCE)
    for start in starts:
        part = slice(start, start + UNITS_AT_ONCE)
        found = simulate(
            need(run.weather),
            need(run.seasons),
            soils[part],
            cell[part],
            settings,
            ladder_days,
            need(run.days),
            workers,
            run.tables.model,
        )
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


def balance(run: Run) -> None:
    """Run the water balance of every unit and summarise it by site."""
    settings, soils = run.tables.settings(), need(run.soil_records)
    run.report("compile", 0, 1)
    cell = need(run.units).units["cell"].to_numpy()
    simulate(need(run.weather), _first_season(run), soils[:1], cell[:1], settings)
    run.report("compile", 1, 1)
    simulated = _simulated(run, settings, soils, _counter(run.report, "balance", 1), workers=run.threads)
    run.closure_mm = float(simulated.attrs["closure_mm"])
    run.unit_days = int(simulated.attrs["unit_days"])
    run.yearly = yearly_values(simulated)
    run.report("outcomes", 0, 1)
    dryland, _ = zone_rules(run.tables, run.study)
    run.outcomes = site_outcomes(
        simulated,
        _capacity(soils),
        need(run.units),
        need(run.cell_climate),
        dryland,
        _planting_day(run),
        model=run.tables.model,
    )
    spring = spring_outcomes(
        simulated, _capacity(soils), need(run.units), need(run.seasons), dryland, run.tables.model
    )
    run.outcomes = run.outcomes.assign(spring.data_vars).assign_attrs(spring.attrs)
    run.report("outcomes", 1, 1)


def zones(run: Run) -> None:
    """Classify the sites, for dryland and for irrigated fields."""
    dryland, irrigated = zone_rules(run.tables, run.study)
    rated = need(run.units).sites["rated_share"].to_numpy()
    outcomes = need(run.outcomes)
    run.zones = classify(outcomes, dryland, rated)
    run.irrigated_zones = classify(outcomes, irrigated, rated, water_tests=False).table
    early = run.zones.tests["passed"].sel(option="overwinter_early").all("test").values
    early &= run.zones.table["zone"].to_numpy() != "not_rated"
    run.outcomes = with_site_lines(outcomes, dryland, run.tables.model, early)
    run.report("zones", 1, 1)


def parameter_sets(run: Run) -> None:
    """Repeat the balance with other parameters and count how often the zone stays the same, under both rules."""
    dryland, irrigated = zone_rules(run.tables, run.study)
    axes = uncertain_axes(run.tables.scalars, run.tables.traits, run.tables.model)  # type: ignore[arg-type]
    n = run.study.run.parameter_sets
    outcomes, table = need(run.outcomes), need(run.zones).table
    rated = need(run.units).sites["rated_share"].to_numpy()
    tell = _counter(run.report, "agreement", n)

    def zone_codes(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        settings, soils = apply_set(run.tables.settings(), need(run.soil_records), axes, values)
        simulated = _simulated(run, settings, soils, tell, ladder_days=(), workers=1, keep=_FOR_ZONES)
        other = site_outcomes(
            simulated, _capacity(soils), need(run.units), need(run.cell_climate), dryland, _planting_day(run),
            model=run.tables.model, full=False,
        )  # fmt: skip
        dry = classify(other, dryland, rated)
        wet = classify(other, irrigated, rated, water_tests=False)
        return dry.table["zone_code"].to_numpy(), wet.table["zone_code"].to_numpy()

    # One set a core: the summing up of one set then overlaps with the balance of the next.
    with ThreadPoolExecutor(run.threads or os.cpu_count() or 1) as pool:
        codes = list(pool.map(zone_codes, sample_sets(axes, n) if n else []))
    share = _agreement([dry for dry, _ in codes], table)
    wet_table = need(run.irrigated_zones)
    run.irrigated_zones = wet_table.assign(agreement=_agreement([wet for _, wet in codes], wet_table))
    run.outcomes = outcomes.assign(
        agreement=(
            "site",
            share.astype(np.float32),
            {"units": "1", "long_name": "share of parameter sets that agree"},
        )
    )


def _agreement(codes: list[np.ndarray], table: pd.DataFrame) -> np.ndarray:
    """Return the share of sets that give each site the zone of `table`; NaN where it is not rated."""
    share = agreement(np.array(codes), table["zone_code"].to_numpy())
    return np.where(table["zone"] == "not_rated", np.nan, share)


def _capacity(soils: np.ndarray) -> np.ndarray:
    return soils["capacity_mm"].sum(axis=1)


def _planting_day(run: Run) -> int:
    return day_of_year(run.study.calendar.planting)


def _first_season(run: Run) -> SeasonIndex:
    seasons = need(run.seasons)
    return SeasonIndex(**{name: getattr(seasons, name)[:1] for name in SeasonIndex.__dataclass_fields__})
