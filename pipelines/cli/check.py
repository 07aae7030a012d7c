"""Read everything that a study needs before any long run: what is there, what is missing, where, and what to do."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import geopandas as gpd
import numpy as np
from odc.geo.geobox import GeoBox

from geo.errors import WHOLE_STUDY, Problem, StudyError, problem_table
from geo.ground import ResponseUnits, build_units, cell_area_ha, pixel_coverage, site_shares
from geo.soils import SoilTable
from pipelines.read.climate.dispatch import ClimateInput
from pipelines.read.measurements.soundings import Measurements
from pipelines.run.climate_doubts import climate_doubts
from pipelines.run.context import Context, Report
from pipelines.run.ground import Weather, lay_units, prepare_weather
from pipelines.run.inputs import (
    Inputs,
    Slope,
    lay_grid,
    lay_soils,
    no_fields,
    on_measured_slope,
    read_climate_layer,
    read_field_layer,
    read_measurement_layer,
    read_slope,
    read_soil_layer,
    slope_by_map_unit,
)
from pipelines.run.measured_places import unknown_fields
from pipelines.show.overview_map import Overview, draw_overview
from pipelines.study.file import load_study
from pipelines.study.staging import staged_file
from pipelines.study.tables import load_tables
from pipelines.study.units import Units

T = TypeVar("T")
MAP_FILE, PROBLEMS_FILE = "check.png", "check_problems.csv"
_MISSING_SHARE = 0.02
_NAMED = 6
_LAYER_ORDER = ("fields", "soils", "climate", "elevation", "measurements", "grid")
_NUMBER = re.compile(r"\d[\d.,]*")


@dataclass(frozen=True, slots=True)
class ProblemGroup:
    """Problems of one kind: how many, and the first place."""

    layer: str
    what: str
    action: str
    fix: str
    count: int
    where: str


@dataclass
class CheckReport:
    """What a check has found.

    Attributes
    ----------
    facts : list of (layer, text)
        What is there.
    faults : list of StudyError
        What stops the run.
    findings : list of (what, what to do)
        What the run would survive, and the user should know.
    groups : list of ProblemGroup
        Rows that the readers left out, repaired or doubt, by kind.
    """

    name: str
    study_file: Path
    facts: list[tuple[str, str]] = field(default_factory=list)
    faults: list[StudyError] = field(default_factory=list)
    findings: list[tuple[str, str]] = field(default_factory=list)
    groups: list[ProblemGroup] = field(default_factory=list)
    map_file: Path | None = None
    problems_file: Path | None = None


def check_study(study_file: Path, report: Report, out: Path | None = None) -> CheckReport:
    """Read every layer of a study; one that fails does not keep the others from being read.

    Parameters
    ----------
    study_file : Path
    report : callable
        Progress, see `pipelines.run.context.Report`.
    out : Path, optional
        Folder of the overview map and the list of problems; the study's own by default.

    Returns
    -------
    CheckReport

    Raises
    ------
    StudyError
        When the study file itself has faults.
    """
    study, _ = load_study(study_file)
    context = Context(study, study_file.parent, load_tables(study), report)
    _ = context.rules
    found = CheckReport(study.study.name, study_file)
    seen = _read(context, found)
    _tell_elevation(context, seen, found)
    _tell_measurements(context, seen, found)
    units = Units(study.study.units)
    _tell_fields(context, seen, found, units)
    _tell_soils(context, seen, found, units)
    _tell_climate(context, seen, found)
    without = _fields_without_soil(seen, found)
    found.facts.sort(key=lambda fact: _LAYER_ORDER.index(fact[0]))
    report("map", 0, 1)
    target = (out or Path.cwd() / study.study.out).absolute()
    found.groups = group_problems([p for p in seen.problems if p.where != WHOLE_STUDY])
    if seen.problems:
        found.problems_file = target / PROBLEMS_FILE
        with staged_file(found.problems_file) as file:
            problem_table(seen.problems).to_csv(file, index=False)
    if seen.grid is not None or seen.fields is not None:
        found.map_file = target / MAP_FILE
        with staged_file(found.map_file) as file:
            draw_overview(_overview(context, seen, without, found), file)
    report("map", 1, 1)
    return found


@dataclass
class _Seen:
    """What could be read of a study; None where a layer has failed, or one that it needs."""

    problems: list[Problem] = field(default_factory=list)
    fields: gpd.GeoDataFrame | None = None
    soil: SoilTable | None = None
    grid: GeoBox | None = None
    climate: ClimateInput | None = None
    slope: Slope | None = None
    sites: ResponseUnits | None = None
    weather: Weather | None = None
    measurements: Measurements | None = None


def _read(context: Context, found: CheckReport) -> _Seen:
    """Read layer by layer, by the functions of a run, and note each that fails."""
    seen = _Seen()

    def attempt(step: Callable[[], T]) -> T | None:
        try:
            return step()
        except StudyError as error:
            if str(error) not in map(str, found.faults):
                found.faults.append(error)
            return None

    context.report("layers", 0, 3)
    if layer := attempt(lambda: read_field_layer(context)):
        seen.fields, problems = layer
        seen.problems += problems
    fields = no_fields(context) if seen.fields is None else seen.fields
    if soils := attempt(lambda: read_soil_layer(context, fields)):
        seen.soil, problems = soils
        seen.problems += problems
    if water := attempt(lambda: read_measurement_layer(context)):
        seen.measurements, problems = water
        seen.problems += problems
    if soils is None or (grid := attempt(lambda: lay_grid(context, soils[0], fields))) is None:
        return seen
    seen.grid = grid
    if climate := attempt(lambda: read_climate_layer(context, grid)):
        seen.climate = climate
        seen.problems += climate.problems
    context.report("grid", 1, 1)
    if (laid := attempt(lambda: lay_soils(soils[0], grid))) is None:
        return seen
    seen.soil, codes, map_units = laid
    if height := attempt(lambda: read_slope(context, grid, codes)):
        seen.slope, problems = height
        seen.problems += problems
        if seen.slope is not None:
            seen.soil = on_measured_slope(seen.soil, slope_by_map_unit(seen.slope, codes, map_units))
    context.report("slope", 1, 1)
    if climate is None:  # the map of what can be rated needs none: as if there were one cell
        one_cell = np.where(codes >= 0, 0, -1).astype(np.int32)
        seen.sites = build_units(codes, map_units, one_cell, seen.soil, pixel_area_ha=cell_area_ha(grid))
        return seen
    inputs = Inputs(
        fields, seen.soil, climate, grid, codes, map_units, seen.slope, seen.measurements, tuple(seen.problems)
    )
    seen.sites = attempt(lambda: lay_units(inputs, climate.cells))
    context.report("units", 1, 1)
    if prepared := attempt(lambda: prepare_weather(context, climate)):
        seen.weather, cells, problems = prepared
        seen.problems += problems
        if len(cells) < len(climate.cells):
            seen.sites = attempt(lambda: lay_units(inputs, cells))
        if seen.sites is not None:
            used, seasons = seen.weather.cells, len(seen.weather.seasons)
            seen.problems += climate_doubts(context, climate, seen.sites.sites, grid, used, seasons)
    context.report("weather", 1, 1)
    return seen


def group_problems(problems: list[Problem]) -> list[ProblemGroup]:
    """Join problems that differ only in their place and their numbers; left out first, then by count."""
    groups: dict[tuple[str, str, str, str], list[Problem]] = {}
    for problem in problems:
        alike = (problem.layer, _NUMBER.sub("#", problem.what), problem.action, _NUMBER.sub("#", problem.fix))
        groups.setdefault(alike, []).append(problem)
    rows = [
        ProblemGroup(same[0].layer, same[0].what, same[0].action, same[0].fix, len(same), same[0].where)
        for same in groups.values()
    ]
    order = {"left out": 0, "warning": 1, "repaired": 2}
    return sorted(rows, key=lambda g: (order[g.action], -g.count))


def _tell_elevation(context: Context, seen: _Seen, found: CheckReport) -> None:
    if seen.slope is None:
        return
    in_feet = context.study.study.units == "us"
    low, high = (f"{v / 0.3048 if in_feet else v:,.0f}" for v in seen.slope.elevation_range_m)
    found.facts.append(("elevation", f"{low} to {high} {'ft' if in_feet else 'm'}"))


def _tell_measurements(context: Context, seen: _Seen, found: CheckReport) -> None:
    """Say what was measured, and list the readings of fields that are not there."""
    measured, table = seen.measurements, context.study.measurements
    if measured is None or table is None:
        return
    readings = measured.readings
    if seen.fields is not None:
        readings, problems = unknown_fields(readings, seen.fields["field_id"], context.path(table.path).name)
        seen.problems += problems
    places = readings[["field_id", "longitude", "latitude"]].drop_duplicates()
    span = f"{readings['date'].min():%Y-%m-%d} to {readings['date'].max():%Y-%m-%d}" if len(readings) else "none"
    at = "one place" if len(places) == 1 else f"{len(places)} places"
    fact = f"{len(readings):,} of {measured.rows:,} rows of soil water at {at}, {span}"
    found.facts.append(("measurements", fact))


def _tell_fields(context: Context, seen: _Seen, found: CheckReport, units: Units) -> None:
    if context.study.fields is None:
        found.facts.append(("fields", "none named; the map will show ground only"))
    if seen.fields is None:
        return
    wet = int(seen.fields["irrigated"].sum())
    area = units.area(float(seen.fields["area_ha"].sum()))
    found.facts.append(("fields", f"{len(seen.fields):,} fields, {area}, {wet} of them irrigated"))


def _tell_soils(context: Context, seen: _Seen, found: CheckReport, units: Units) -> None:
    if seen.soil is None or seen.grid is None or seen.sites is None:
        return
    table = seen.sites.sites
    least = context.rules.dryland.rated_share_min
    total = float(table["area_ha"].sum())
    rated = float(table.loc[table["rated_share"] >= least, "area_ha"].sum())
    kinds = table["map_unit_id"].nunique()
    share = units.percent(rated / total if total else 0.0)
    found.facts.append(("soils", f"{kinds} map units on {units.area(total)}; {share} of that can be rated"))
    rows, columns = seen.grid.shape
    found.facts.append(
        (
            "grid",
            f"{rows * columns / 1e6:.1f} million squares of {context.study.map.resolution_m:g} m in {context.study.map.crs}",
        )
    )
    lost = table[table["rated_share"] < least]
    if total and len(lost):
        names = lost.join(seen.soil.map_units["name"], on="map_unit_id").groupby("name")["area_ha"].sum()
        largest = names.sort_values(ascending=False)
        shown = ", ".join(f"{name} ({units.area(area)})" for name, area in largest.head(3).items())
        found.findings.append(
            (
                f"{units.area(float(lost['area_ha'].sum()))} will not be rated: {shown}"
                + (f" and {len(largest) - 3} more map units" if len(largest) > 3 else ""),
                "Water, rock and built-up ground need nothing; soils with missing data may be in a newer survey.",
            )
        )


def _tell_climate(context: Context, seen: _Seen, found: CheckReport) -> None:
    climate = seen.climate
    if climate is None:
        return
    cells = climate.cells if seen.weather is None else seen.weather.cells
    if climate.normals is not None:
        kind = f"monthly normals, {context.study.study.years - 1} seasons of generated weather"
    else:
        kind = "daily record" + (f", {len(seen.weather.seasons)} whole seasons" if seen.weather is not None else "")
    product = climate.provenance.get("product", "")
    count = f"{len(cells)} {'cell' if len(cells) == 1 else 'cells'}"
    found.facts.append(("climate", f"{count}; {kind}" + (f"; {product}" if product else "")))
    found.findings += [(p.what, p.fix) for p in seen.problems if p.where == WHOLE_STUDY]


def _fields_without_soil(seen: _Seen, found: CheckReport) -> np.ndarray:
    """List fields that the soil map misses, wholly or in part; return True for each field wholly without."""
    if seen.fields is None or seen.grid is None or seen.sites is None:
        return np.zeros(0 if seen.fields is None else len(seen.fields), dtype=bool)
    sites = seen.sites
    coverage = site_shares(pixel_coverage(seen.fields, seen.grid), sites.site_raster, len(sites.sites))
    known = np.asarray(coverage.sum(axis=1)).ravel()
    rated = coverage @ (sites.sites["rated_share"].to_numpy(float) > 0)
    ids = seen.fields["field_id"].astype(str).to_numpy()
    none = known < _MISSING_SHARE
    part = (known < 1 - _MISSING_SHARE) & ~none
    bare = (rated < _MISSING_SHARE) & ~none
    fix = "Add the soils of the next survey area, or check the CRS of the fields."
    _list_fields(found, ids[none], "lie outside the soil map", fix)
    _list_fields(found, ids[part], "lie partly outside the soil map", fix)
    _list_fields(found, ids[bare], "lie on ground that cannot be rated", "See the reasons in the list of problems.")
    return none


def _list_fields(found: CheckReport, ids: np.ndarray, what: str, fix: str) -> None:
    if len(ids):
        more = f" and {len(ids) - _NAMED} more" if len(ids) > _NAMED else ""
        found.findings.append((f"{len(ids)} fields {what}: {', '.join(ids[:_NAMED])}{more}", fix))


def _overview(context: Context, seen: _Seen, without: np.ndarray, found: CheckReport) -> Overview:
    least = context.rules.dryland.rated_share_min
    cells = None if seen.climate is None else seen.climate.cells
    sites = seen.sites
    return Overview(
        title=found.name,
        grid=seen.grid,
        site_raster=None if sites is None else sites.site_raster,
        rated=None if sites is None else sites.sites["rated_share"].to_numpy(float) >= least,
        fields=seen.fields,
        without_soil=without,
        cells=cells,
        facts=found.facts,
        faults=[f"{error.what} {error.fix}" for error in found.faults],
        findings=[what for what, _ in found.findings],
        problems=sum(g.count for g in found.groups),
        us=context.study.study.units == "us",
    )
