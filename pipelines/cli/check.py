"""Read everything that a study needs before any long run: what is there, what is missing, where, and what to do."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
from odc.geo.geobox import GeoBox
from rich.console import Console

from geo.errors import WHOLE_STUDY, Problem, StudyError, problem_table
from geo.ground import ResponseUnits, build_units, cell_area_ha
from geo.rating.fields import field_coverage
from pipelines.cli.terminal import show, show_list
from pipelines.run import steps
from pipelines.run.measured_places import unknown_fields
from pipelines.run.state import Report, Run
from pipelines.show.overview_map import Overview, draw_overview
from pipelines.study.file import load_study
from pipelines.study.staging import staged_file
from pipelines.study.tables import load_tables, zone_rules
from pipelines.study.units import Units, convert

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


def check_study(study_file: Path, report: Report, out: Path | None = None) -> CheckReport:
    """Read every layer of a study; one that fails does not keep the others from being read.

    Parameters
    ----------
    study_file : Path
    report : callable
        Progress, see `pipelines.run.state.Report`.
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
    tables = load_tables(study)
    least = zone_rules(tables, study)[0].rated_share_min
    found = CheckReport(study.study.name, study_file)
    run = Run(study, study_file.parent, tables, report)
    _read_layers(run, found)
    _attempt(found, steps.measurements, run)
    if run.soil is not None:
        _attempt(found, steps.grid, run)
    sites = _lay_soils(run, found)
    if run.units is not None and run.climate is not None and _attempt(found, steps.weather, run):
        sites = run.units
    units = Units(study.study.units)
    without = np.zeros(0 if run.fields is None else len(run.fields), dtype=bool)
    found.facts += _field_facts(run, units)
    if run.soil is not None and run.grid is not None and sites is not None:
        found.facts += _soil_facts(run, sites, units, least)
        found.findings += _unrated_ground(run, sites, units, least)
    found.facts += _climate_facts(run)
    found.findings += [(p.what, p.fix) for p in run.problems if p.where == WHOLE_STUDY]
    if run.elevation_range_m is not None:
        low, high = (convert(v, "meter", "foot") if units.us else v for v in run.elevation_range_m)
        found.facts.append(("elevation", f"{low:,.0f} to {high:,.0f} {'ft' if units.us else 'm'}"))
    found.facts += _measurement_facts(run)
    if run.grid is not None:
        rows, columns = run.grid.shape
        size = f"{rows * columns:,} squares of {study.map.resolution_m:g} m in {study.map.crs}"
        found.facts.append(("grid", size))
        if run.fields is not None and sites is not None:
            without, lost = _fields_without_soil(run.fields, run.grid, sites)
            found.findings += lost
    report("map", 0, 1)
    target = (out or Path.cwd() / study.study.out).absolute()
    found.groups = group_problems([p for p in run.problems if p.where != WHOLE_STUDY])
    if run.problems:
        found.problems_file = target / PROBLEMS_FILE
        with staged_file(found.problems_file) as file:
            problem_table(run.problems).to_csv(file, index=False)
    if run.grid is not None or run.fields is not None:
        found.map_file = target / MAP_FILE
        overview = Overview(
            title=found.name,
            grid=run.grid,
            site_raster=None if sites is None else sites.site_raster,
            rated=None if sites is None else sites.sites["rated_share"].to_numpy(float) >= least,
            fields=run.fields,
            without_soil=without,
            cells=None if run.climate is None else run.climate.cells,
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


def group_problems(problems: list[Problem]) -> list[ProblemGroup]:
    """Join problems that differ only in their place and their numbers; left out first, then by count."""
    groups: dict[tuple[str, str, str, str], list[Problem]] = {}
    for problem in problems:
        alike = (problem.layer, _NUMBER.sub("#", problem.what), problem.action, _NUMBER.sub("#", problem.fix))
        groups.setdefault(alike, []).append(problem)
    rows = [ProblemGroup(**asdict(same[0]), count=len(same)) for same in groups.values()]
    return sorted(rows, key=lambda group: (_ORDER.index(group.action), -group.count))


def _attempt(found: CheckReport, step: Callable[[Run], None], run: Run) -> bool:
    try:
        step(run)
    except StudyError as error:
        if str(error) not in map(str, found.faults):
            found.faults.append(error)
        return False
    return True


def _read_layers(run: Run, found: CheckReport) -> None:
    """Read fields and soils; when the fields fail, still read the soils."""
    if _attempt(found, steps.layers, run) or run.study.fields is None or run.fields is not None:
        return
    without_fields = run.study.model_copy(update={"fields": None})
    alone = Run(without_fields, run.folder, run.tables, run.report)
    _attempt(found, steps.layers, alone)
    run.soil = alone.soil
    run.problems += alone.problems


def _lay_soils(run: Run, found: CheckReport) -> ResponseUnits | None:
    """Lay the soils on the grid; without a climate as if it were one cell."""
    if run.soil is None or run.grid is None:
        return None
    _attempt(found, steps.slope, run)
    if run.climate is not None:
        _attempt(found, steps.units, run)
        return run.units
    try:
        codes, map_units = steps.map_codes(run)
    except StudyError as error:
        found.faults.append(error)
        return None
    one_cell = np.where(codes >= 0, 0, -1).astype(np.int32)
    return build_units(codes, map_units, one_cell, run.soil, pixel_area_ha=cell_area_ha(run.grid))


def _field_facts(run: Run, units: Units) -> Iterator[Fact]:
    if run.study.fields is None:
        yield "fields", "none given; the map shows the ground alone"
    elif run.fields is not None:
        area = units.area(float(run.fields["area_ha"].sum()))
        yield "fields", f"{len(run.fields):,} fields, {area}, {int(run.fields['irrigated'].sum())} of them irrigated"


def _soil_facts(run: Run, sites: ResponseUnits, units: Units, least: float) -> Iterator[Fact]:
    table = sites.sites
    total = float(table["area_ha"].sum())
    rated = float(table.loc[table["rated_share"] >= least, "area_ha"].sum())
    share = units.percent(rated / total if total else 0.0)
    kinds = table["map_unit_id"].nunique()
    yield "soils", f"{kinds} map units on {units.area(total)}; {share} of that can be rated"


def _unrated_ground(run: Run, sites: ResponseUnits, units: Units, least: float) -> Iterator[Finding]:
    assert run.soil is not None
    lost = sites.sites[sites.sites["rated_share"] < least]
    areas = lost.join(run.soil.map_units["name"], on="map_unit_id").groupby("name")["area_ha"].sum()
    largest = areas.sort_values(ascending=False)
    if largest.sum() > 0:
        shown = ", ".join(f"{name} ({units.area(area)})" for name, area in largest.head(3).items())
        more = f" and {len(largest) - 3} more map units" if len(largest) > 3 else ""
        yield (
            f"{units.area(float(largest.sum()))} will not be rated: {shown}{more}",
            "Water, rock and built-up ground need nothing; soils with missing data may be in a newer survey.",
        )


def _climate_facts(run: Run) -> Iterator[Fact]:
    climate = run.climate
    if climate is None:
        return
    cells = len(climate.cells if run.cells is None else run.cells)
    if climate.normals is not None:
        kind = f"monthly normals, {run.study.study.years - 1} seasons of generated weather"
    else:
        kind = "daily record" + (f", {len(run.seasons)} whole seasons" if run.seasons is not None else "")
    parts = [f"{cells} {'cell' if cells == 1 else 'cells'}", kind, climate.provenance.get("product", "")]
    yield "climate", "; ".join(filter(None, parts))


def _measurement_facts(run: Run) -> Iterator[Fact]:
    """Say what was measured, and list the readings of fields that are not there."""
    measured, table = run.measurements, run.study.measurements
    if measured is None or table is None:
        return
    readings = measured.readings
    if run.fields is not None:
        readings, problems = unknown_fields(readings, run.fields["field_id"], run.path(table.path).name)
        run.problems += problems
    places = len(readings[["field_id", "longitude", "latitude"]].drop_duplicates())
    span = f"{readings['date'].min():%Y-%m-%d} to {readings['date'].max():%Y-%m-%d}" if len(readings) else "none"
    at = "one place" if places == 1 else f"{places} places"
    yield "measurements", f"{len(readings):,} of {measured.rows:,} rows of soil water at {at}, {span}"


def _fields_without_soil(
    fields: gpd.GeoDataFrame, grid: GeoBox, sites: ResponseUnits
) -> tuple[np.ndarray, list[Finding]]:
    """Return True for each field wholly off the soil map, and findings for all that miss soils in some way."""
    coverage = field_coverage(fields, sites.site_raster, grid, len(sites.sites))
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
