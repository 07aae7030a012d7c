"""Run a study: read, lay, simulate, rate, compare, and gather what is published."""

from __future__ import annotations

import time
from collections.abc import Collection
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from geo.errors import Problem, problem_table
from geo.rating import Rating, rate
from geo.soils import WILTING_COLUMNS
from pipelines.run.context import Context, Report
from pipelines.run.ground import Ground, lay
from pipelines.run.inputs import Inputs, read, read_around
from pipelines.run.measured import Measured
from pipelines.run.measured_steps import compare
from pipelines.run.provenance import provenance
from pipelines.run.result import StudyResult
from pipelines.run.seasons import Seasons, simulate
from pipelines.study.field_tables import seeding_rate_factor
from pipelines.study.file import Study
from pipelines.study.tables import load_tables


def run_study(study: Study, folder: Path, digest: str, report: Report, only: Collection[str] = ()) -> StudyResult:
    """Run a study.

    Parameters
    ----------
    study : Study
    folder : Path
        Folder that the study's paths are relative to.
    digest : str
        SHA-256 of the study file.
    report : callable
        Progress, see `pipelines.run.context.Report`.
    only : collection of str
        Ids of the fields to run, with no more ground than theirs; all fields and the whole study by default.

    Raises
    ------
    StudyError
        When a layer cannot be used, or there is no field of that id.
    """
    started, clock = datetime.now(UTC), time.monotonic()
    context = Context(study, folder, load_tables(study), report)
    inputs = read_around(context, only) if only else read(context)
    return run_inputs(context, inputs, digest, started, clock)


def run_inputs(context: Context, inputs: Inputs, digest: str, started: datetime, clock: float) -> StudyResult:
    """Run a study whose layers are read; `started` and `clock` (monotonic, s) tell when the reading began."""
    ground = lay(context, inputs)
    del inputs  # the codes and slopes of every pixel
    seasons = simulate(context, ground)
    rating = rate_study(context, ground, seasons)
    measured, problems = compare(context, ground, seasons, rating)
    ground = replace(ground, problems=ground.problems + problems)
    record = provenance(context, ground, seasons, digest, started, time.monotonic() - clock)
    return gather_result(context, ground, seasons, rating, measured, record)


def rate_study(context: Context, ground: Ground, seasons: Seasons) -> Rating:
    """Rate sites and fields, and give each field its seeding-rate factor."""
    context.report("zones", 0, 1)
    found = rate(
        seasons.outcomes,
        ground.units,
        ground.fields,
        ground.coverage,
        context.rules,
        seasons.members,
        ground.slope_percent,
    )
    factor = seeding_rate_factor(found.table["precip_mm"].to_numpy(float))
    context.report("zones", 1, 1)
    return replace(found, table=found.table.assign(seeding_rate_factor=factor))


def gather_result(
    context: Context,
    ground: Ground,
    seasons: Seasons,
    rating: Rating,
    measured: Measured | None,
    record: dict[str, Any],
) -> StudyResult:
    """Return what a run has worked out, with the record of its making, as the value that is published."""
    units, soil = ground.units, ground.soil
    names = soil.map_units[["symbol", "name"]]
    inner = ["map_unit_id", "share", "rated", "reason", *WILTING_COLUMNS]
    profile = soil.profiles.drop(columns=inner, errors="ignore")
    return StudyResult(
        settings=settings_of(context),
        grid=ground.grid,
        site_raster=units.site_raster,
        sites=units.sites.drop(columns="pixels", errors="ignore").join(names, on="map_unit_id"),
        units=units.units.join(profile, on="profile_id"),
        site_units=units.site_units,
        cells=ground.weather.cells,
        outcomes=rating.outcomes,
        field_outcomes=rating.field_outcomes,
        zones=rating.sites.table,
        irrigated_zones=rating.irrigated_sites.table,
        verdicts=rating.sites.verdicts,
        irrigated_verdicts=rating.irrigated_sites.verdicts,
        field_verdicts=rating.fields.verdicts,
        fields=rating.table,
        coverage=ground.coverage,
        problems=problem_table(list[Problem](ground.problems)),
        provenance=record,
        yearly=seasons.yearly,
        measured=measured,
    )


def settings_of(context: Context) -> dict[str, Any]:
    """Return the settings of a run as plain values."""
    study, tables = context.study, context.tables
    return {
        **study.study.model_dump(),
        "season": {k: f"{m:02d}-{d:02d}" for k, (m, d) in study.season.model_dump().items()},
        "rules": asdict(context.rules.dryland),
        "irrigated_rules": asdict(context.rules.irrigated),
        "map": study.map.model_dump(),
        "parameters": dict(study.parameters),
        "mixes": {
            name: {"groups": dict(mix["groups"]), "density": float(mix.get("density", 1.0))}
            for name, mix in tables.mixes.items()
        },
        "mix_water_bonus": {k: float(v.get("mix_water_bonus", 0.0)) for k, v in tables.mixes.items()},
        "stubble_weeds": tables.weeds,
    }
