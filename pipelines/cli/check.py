"""Read everything that a study needs before any long run: what is there, what is missing, where, and what to do."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import ParamSpec, TypeVar

import geopandas as gpd
import numpy as np
from odc.geo.geobox import GeoBox
from rich.console import Console

from geo.errors import WHOLE_STUDY, Problem, StudyError, problem_table
from geo.ground import ResponseUnits, build_units, cell_area_ha, pixel_coverage, site_shares
from geo.soils import SoilTable
from pipelines.cli.terminal import show, show_list
from pipelines.read.climate.dispatch import ClimateInput
from pipelines.read.measurements.soundings import Measurements
from pipelines.run import inputs as layers
from pipelines.run.climate_doubts import climate_doubts
from pipelines.run.context import Context, Report
from pipelines.run.ground import Weather, lay_units, prepare_weather
from pipelines.run.inputs import Inputs, Slope
from pipelines.run.measured_places import unknown_fields
from pipelines.show.overview_map import Overview, draw_overview
from pipelines.study.file import load_study
from pipelines.study.staging import staged_file
from pipelines.study.tables import load_tables
from pipelines.study.units import Units, convert

P = ParamSpec("P")
T = TypeVar("T")
MAP_FILE, PROBLEMS_FILE = "check.html", "check_problems.csv"
_MISSING_SHARE = 0.02
_NAMED = 6
_KINDS_SHOWN = 12
_ORDER = ("left out", "warning", "repaired")
_MORE_SOILS = "Add the soils of the next survey area, or check the CRS of the fields."
_NUMBER = re.compile(r"\d[\d.,]*")
Fact = tuple[str, str]
"""A layer, and what is known of it."""
Finding = tuple[str, str]
"""What the run would survive and the user should know, and what to do about it."""


@dataclass(frozen=True)
class ProblemGroup(Problem):
    """Problems that differ only in their place and their numbers: the first one, and how many there are."""

    count: int = 1


@dataclass
class CheckReport:
    """What a check has found: facts, faults that stop the run, findings, and rows with problems by kind."""

    name: str
    study_file: Path
    facts: list[Fact] = field(default_factory=list)
    faults: list[StudyError] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    groups: list[ProblemGroup] = field(default_factory=list)
    map_file: Path | None = None
    problems_file: Path | None = None


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
    least = context.rules.dryland.rated_share_min
    found = CheckReport(study.study.name, study_file)
    seen = _read(context, found)
    units = Units(study.study.units)
    without = np.zeros(0 if seen.fields is None else len(seen.fields), dtype=bool)
    for facts in (_field_facts, _soil_facts, _climate_facts, _elevation_facts, _measurement_facts, _grid_facts):
        found.facts += facts(context, seen, units)
    found.findings += _unrated_ground(seen, units, least)
    found.findings += [(p.what, p.fix) for p in seen.problems if p.where == WHOLE_STUDY]
    if seen.fields is not None and seen.grid is not None and seen.sites is not None:
        without, lost = _fields_without_soil(seen.fields, seen.grid, seen.sites)
        found.findings += lost
    report("map", 0, 1)
    target = (out or Path.cwd() / study.study.out).absolute()
    found.groups = group_problems([p for p in seen.problems if p.where != WHOLE_STUDY])
    if seen.problems:
        found.problems_file = target / PROBLEMS_FILE
        with staged_file(found.problems_file) as file:
            problem_table(seen.problems).to_csv(file, index=False)
    if seen.grid is not None or seen.fields is not None:
        found.map_file = target / MAP_FILE
        sites = seen.sites
        overview = Overview(
            title=found.name,
            grid=seen.grid,
            site_raster=None if sites is None else sites.site_raster,
            rated=None if sites is None else sites.sites["rated_share"].to_numpy(float) >= least,
            fields=seen.fields,
            without_soil=without,
            cells=None if seen.climate is None else seen.climate.cells,
            facts=found.facts,
            faults=[f"{error.what} {error.fix}" for error in found.faults],
            findings=[what for what, _ in found.findings],
            problems=sum(group.count for group in found.groups),
            us=units.us,
        )
        with staged_file(found.map_file) as file:
            draw_overview(overview, file)
    report("map", 1, 1)
    return found


def _read(context: Context, found: CheckReport) -> _Seen:
    """Read layer by layer, by the functions of a run, and note each that fails."""
    seen = _Seen()

    def attempt(step: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T | None:
        try:
            return step(*arguments, **named)
        except StudyError as error:
            if str(error) not in map(str, found.faults):
                found.faults.append(error)
            return None

    def take(step: Callable[P, tuple[T, Iterable[Problem]]], *arguments: P.args, **named: P.kwargs) -> T | None:
        value, problems = attempt(step, *arguments, **named) or (None, ())
        seen.problems += problems
        return value

    context.report("layers", 0, 3)
    seen.fields = take(layers.read_field_layer, context)
    fields = layers.no_fields(context) if seen.fields is None else seen.fields
    seen.soil = take(layers.read_soil_layer, context, fields)
    seen.measurements = take(layers.read_measurement_layer, context)
    if seen.soil is None or (grid := attempt(layers.lay_grid, context, seen.soil, fields)) is None:
        return seen
    seen.grid = grid
    if climate := attempt(layers.read_climate_layer, context, grid):
        seen.climate = climate
        seen.problems += climate.problems
    context.report("grid", 1, 1)
    if (laid := attempt(layers.lay_soils, context, seen.soil, grid)) is None:
        return seen
    seen.soil, codes, map_units = laid
    seen.slope = take(layers.read_slope, context, grid, codes)
    if seen.slope is not None:
        by_unit = layers.slope_by_map_unit(seen.slope, codes, map_units)
        seen.soil = layers.on_measured_slope(seen.soil, by_unit)
    context.report("slope", 1, 1)
    if climate is None:  # the map of what can be rated needs none: as if there were one cell
        one_cell = np.where(codes >= 0, 0, -1).astype(np.int32)
        seen.sites = build_units(codes, map_units, one_cell, seen.soil, pixel_area_ha=cell_area_ha(grid))
        return seen
    inputs = Inputs(
        fields, seen.soil, climate, grid, codes, map_units, seen.slope, seen.measurements, tuple(seen.problems)
    )
    seen.sites = attempt(lay_units, inputs, climate.cells)
    context.report("units", 1, 1)
    if prepared := attempt(prepare_weather, context, climate):
        seen.weather, cells, problems = prepared
        seen.problems += problems
        if len(cells) < len(climate.cells):
            seen.sites = attempt(lay_units, inputs, cells)
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
    rows = [ProblemGroup(**asdict(same[0]), count=len(same)) for same in groups.values()]
    return sorted(rows, key=lambda group: (_ORDER.index(group.action), -group.count))


def _field_facts(context: Context, seen: _Seen, units: Units) -> Iterator[Fact]:
    if context.study.fields is None:
        yield "fields", "none given; the map shows the ground alone"
    elif seen.fields is not None:
        area = units.area(float(seen.fields["area_ha"].sum()))
        yield (
            "fields",
            f"{len(seen.fields):,} fields, {area}, {int(seen.fields['irrigated'].sum())} of them irrigated",
        )


def _soil_facts(context: Context, seen: _Seen, units: Units) -> Iterator[Fact]:
    if seen.sites is None:
        return
    table, least = seen.sites.sites, context.rules.dryland.rated_share_min
    total = float(table["area_ha"].sum())
    rated = float(table.loc[table["rated_share"] >= least, "area_ha"].sum())
    share = units.percent(rated / total if total else 0.0)
    kinds = table["map_unit_id"].nunique()
    yield "soils", f"{kinds} map units on {units.area(total)}; {share} of that can be rated"


def _climate_facts(context: Context, seen: _Seen, units: Units) -> Iterator[Fact]:
    climate, weather = seen.climate, seen.weather
    if climate is None:
        return
    cells = len(climate.cells if weather is None else weather.cells)
    if climate.normals is not None:
        kind = f"monthly normals, {context.study.study.years - 1} seasons of generated weather"
    else:
        kind = "daily record" + (f", {len(weather.seasons)} whole seasons" if weather is not None else "")
    parts = [f"{cells} {'cell' if cells == 1 else 'cells'}", kind, climate.provenance.get("product", "")]
    yield "climate", "; ".join(filter(None, parts))


def _elevation_facts(context: Context, seen: _Seen, units: Units) -> Iterator[Fact]:
    if seen.slope is not None:
        low, high = (convert(v, "meter", "foot") if units.us else v for v in seen.slope.elevation_range_m)
        yield "elevation", f"{low:,.0f} to {high:,.0f} {'ft' if units.us else 'm'}"


def _measurement_facts(context: Context, seen: _Seen, units: Units) -> Iterator[Fact]:
    """Say what was measured, and list the readings of fields that are not there."""
    measured, table = seen.measurements, context.study.measurements
    if measured is None or table is None:
        return
    readings = measured.readings
    if seen.fields is not None:
        readings, problems = unknown_fields(readings, seen.fields["field_id"], context.path(table.path).name)
        seen.problems += problems
    places = len(readings[["field_id", "longitude", "latitude"]].drop_duplicates())
    span = f"{readings['date'].min():%Y-%m-%d} to {readings['date'].max():%Y-%m-%d}" if len(readings) else "none"
    at = "one place" if places == 1 else f"{places} places"
    yield "measurements", f"{len(readings):,} of {measured.rows:,} rows of soil water at {at}, {span}"


def _grid_facts(context: Context, seen: _Seen, units: Units) -> Iterator[Fact]:
    if seen.grid is not None:
        rows, columns = seen.grid.shape
        table = context.study.map
        yield "grid", f"{rows * columns:,} squares of {table.resolution_m:g} m in {table.crs}"


def _unrated_ground(seen: _Seen, units: Units, least: float) -> Iterator[Finding]:
    if seen.soil is None or seen.sites is None:
        return
    sites = seen.sites.sites
    lost = sites[sites["rated_share"] < least]
    areas = lost.join(seen.soil.map_units["name"], on="map_unit_id").groupby("name")["area_ha"].sum()
    largest = areas.sort_values(ascending=False)
    if largest.sum() > 0:
        shown = ", ".join(f"{name} ({units.area(area)})" for name, area in largest.head(3).items())
        more = f" and {len(largest) - 3} more map units" if len(largest) > 3 else ""
        yield (
            f"{units.area(float(largest.sum()))} will not be rated: {shown}{more}",
            "Water, rock and built-up ground need nothing; soils with missing data may be in a newer survey.",
        )


def _fields_without_soil(
    fields: gpd.GeoDataFrame, grid: GeoBox, sites: ResponseUnits
) -> tuple[np.ndarray, list[Finding]]:
    """Return True for each field wholly off the soil map, and findings for all that miss soils in some way."""
    coverage = site_shares(pixel_coverage(fields, grid), sites.site_raster, len(sites.sites))
    known = np.asarray(coverage.sum(axis=1)).ravel()
    rated = coverage @ (sites.sites["rated_share"].to_numpy(float) > 0)
    none = known < _MISSING_SHARE
    part = (known < 1 - _MISSING_SHARE) & ~none
    bare = (rated < _MISSING_SHARE) & ~none
    findings = []
    for chosen, where, to_do in (
        (none, "outside the soil map", _MORE_SOILS),
        (part, "partly outside the soil map", _MORE_SOILS),
        (bare, "on ground that cannot be rated", "See the reasons in the list of problems."),
    ):
        ids = fields["field_id"].astype(str)[chosen].tolist()
        if ids:
            more = f" and {len(ids) - _NAMED} more" if len(ids) > _NAMED else ""
            findings.append((f"Fields {where} ({len(ids)}): {', '.join(ids[:_NAMED])}{more}", to_do))
    return none, findings


def print_check(console: Console, report: CheckReport) -> None:
    """Print the findings of a check, what to do about them, and where the map is."""
    show_list(console, report.name, (f"{layer:13}{fact}" for layer, fact in report.facts))
    faults = [line for fault in report.faults for line in str(fault).splitlines()]
    show_list(console, "These stop the run", faults, "bold red")
    show_list(console, "Worth a look", (f"{what}\n    to do: {fix}" for what, fix in report.findings))
    lines = []
    for group in report.groups[:_KINDS_SHOWN]:
        places = f"{group.count} places, such as " if group.count > 1 else ""
        lines.append(f"{group.layer:12} {group.what} ({group.action})\n    where: {places}{group.where}")
        lines[-1] += f"\n    to do: {group.fix}" if group.fix else ""
    if len(report.groups) > _KINDS_SHOWN:
        lines.append(f"and {len(report.groups) - _KINDS_SHOWN} more kinds")
    if lines and report.problems_file is not None:
        lines.append(f"all rows: {report.problems_file}")
    show_list(console, "Rows that were repaired, left out or are doubtful", lines)
    if report.map_file is not None:
        show(console, f"\nOverview map: {report.map_file}")
    if report.faults:
        show(console, "The study cannot run yet.", "red")
    else:
        show(console, f"The study can run. Next: springfill screen {report.study_file}", "green")
