"""Read everything that a study needs before any long run: what is there, what is missing, where, and what to do."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from geo.errors import WHOLE_STUDY, Problem, StudyError, problem_table
from geo.ground import ResponseUnits, build_units, cell_area_ha
from geo.rating.fields import field_coverage
from pipelines.run import steps
from pipelines.run.measured_places import unknown_fields
from pipelines.run.state import Report, Run
from pipelines.show.overview_map import Overview, draw_overview
from pipelines.study.file import Study, load_study
from pipelines.study.staging import staged_file
from pipelines.study.tables import load_tables, zone_rules
from pipelines.study.units import Units

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
    zone_rules(tables, study)
    found = CheckReport(study.study.name, study_file)
    run = Run(study, study_file.parent, tables, report)
    _read_layers(run, found)
    _attempt(found, steps.measurements, run)
    if run.soil is not None:
        _attempt(found, steps.grid, run)
    sites = _lay_soils(run, found)
    if run.units is not None and run.climate is not None and _attempt(found, steps.weather, run):
        sites = run.units
    _tell_elevation(run, found)
    _tell_measurements(run, found)
    units = Units(study.study.units)
    _tell_fields(run, found, units)
    _tell_soils(run, sites, found, units)
    _tell_climate(run, found)
    without = _fields_without_soil(run, sites, found)
    found.facts.sort(key=lambda fact: _LAYER_ORDER.index(fact[0]))
    report("map", 0, 1)
    target = (out or Path.cwd() / study.study.out).absolute()
    found.groups = group_problems([p for p in run.problems if p.where != WHOLE_STUDY])
    if run.problems:
        found.problems_file = target / PROBLEMS_FILE
        with staged_file(found.problems_file) as file:
            problem_table(run.problems).to_csv(file, index=False)
    if run.grid is not None or run.fields is not None:
        found.map_file = target / MAP_FILE
        with staged_file(found.map_file) as file:
            draw_overview(_overview(run, sites, without, found), file)
    report("map", 1, 1)
    return found


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
    alone = Run(_without_fields(run.study), run.folder, run.tables, run.report)
    _attempt(found, steps.layers, alone)
    run.soil = alone.soil
    run.problems += alone.problems


def _without_fields(study: Study) -> Study:
    return study.model_copy(update={"fields": None})


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


def _tell_elevation(run: Run, found: CheckReport) -> None:
    if run.elevation_range_m is None:
        return
    in_feet = run.study.study.units == "us"
    low, high = (f"{v / 0.3048 if in_feet else v:,.0f}" for v in run.elevation_range_m)
    found.facts.append(("elevation", f"{low} to {high} {'ft' if in_feet else 'm'}"))


def _tell_measurements(run: Run, found: CheckReport) -> None:
    """Say what was measured, and list the readings of fields that are not there."""
    measured, table = run.measurements, run.study.measurements
    if measured is None or table is None:
        return
    readings = measured.readings
    if run.fields is not None:
        readings, problems = unknown_fields(readings, run.fields["field_id"], run.path(table.path).name)
        run.problems += problems
    places = readings[["field_id", "longitude", "latitude"]].drop_duplicates()
    span = f"{readings['date'].min():%Y-%m-%d} to {readings['date'].max():%Y-%m-%d}" if len(readings) else "none"
    at = "one place" if len(places) == 1 else f"{len(places)} places"
    fact = f"{len(readings):,} of {measured.rows:,} rows of soil water at {at}, {span}"
    found.facts.append(("measurements", fact))


def _tell_fields(run: Run, found: CheckReport, units: Units) -> None:
    if run.study.fields is None:
        found.facts.append(("fields", "none named; the map will show ground only"))
    if run.fields is None:
        return
    wet = int(run.fields["irrigated"].sum())
    area = units.area(float(run.fields["area_ha"].sum()))
    found.facts.append(("fields", f"{len(run.fields):,} fields, {area}, {wet} of them irrigated"))


def _tell_soils(run: Run, sites: ResponseUnits | None, found: CheckReport, units: Units) -> None:
    if run.soil is None or run.grid is None or sites is None:
        return
    table = sites.sites
    least = zone_rules(run.tables, run.study)[0].rated_share_min
    total = float(table["area_ha"].sum())
    rated = float(table.loc[table["rated_share"] >= least, "area_ha"].sum())
    kinds = table["map_unit_id"].nunique()
    share = units.percent(rated / total if total else 0.0)
    found.facts.append(("soils", f"{kinds} map units on {units.area(total)}; {share} of that can be rated"))
    rows, columns = run.grid.shape
    found.facts.append(
        (
            "grid",
            f"{rows * columns / 1e6:.1f} million squares of {run.study.map.resolution_m:g} m in {run.study.map.crs}",
        )
    )
    lost = table[table["rated_share"] < least]
    if total and len(lost):
        names = lost.join(run.soil.map_units["name"], on="map_unit_id").groupby("name")["area_ha"].sum()
        largest = names.sort_values(ascending=False)
        shown = ", ".join(f"{name} ({units.area(area)})" for name, area in largest.head(3).items())
        found.findings.append(
            (
                f"{units.area(float(lost['area_ha'].sum()))} will not be rated: {shown}"
                + (f" and {len(largest) - 3} more map units" if len(largest) > 3 else ""),
                "Water, rock and built-up ground need nothing; soils with missing data may be in a newer survey.",
            )
        )


def _tell_climate(run: Run, found: CheckReport) -> None:
    climate = run.climate
    if climate is None:
        return
    cells = climate.cells if run.cells is None else run.cells
    if climate.normals is not None:
        kind = f"monthly normals, {run.study.study.years - 1} seasons of generated weather"
    else:
        kind = "daily record" + (f", {len(run.seasons)} whole seasons" if run.seasons is not None else "")
    product = climate.provenance.get("product", "")
    count = f"{len(cells)} {'cell' if len(cells) == 1 else 'cells'}"
    found.facts.append(("climate", f"{count}; {kind}" + (f"; {product}" if product else "")))
    found.findings += [(p.what, p.fix) for p in run.problems if p.where == WHOLE_STUDY]


def _fields_without_soil(run: Run, sites: ResponseUnits | None, found: CheckReport) -> np.ndarray:
    """List fields that the soil map misses, wholly or in part; return True for each field wholly without."""
    if run.fields is None or run.grid is None or sites is None:
        return np.zeros(0 if run.fields is None else len(run.fields), dtype=bool)
    coverage = field_coverage(run.fields, sites.site_raster, run.grid, len(sites.sites))
    known = np.asarray(coverage.sum(axis=1)).ravel()
    rated = coverage @ (sites.sites["rated_share"].to_numpy(float) > 0)
    ids = run.fields["field_id"].astype(str).to_numpy()
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


def _overview(run: Run, sites: ResponseUnits | None, without: np.ndarray, found: CheckReport) -> Overview:
    least = zone_rules(run.tables, run.study)[0].rated_share_min
    cells = None if run.climate is None else run.climate.cells
    return Overview(
        title=found.name,
        grid=run.grid,
        site_raster=None if sites is None else sites.site_raster,
        rated=None if sites is None else sites.sites["rated_share"].to_numpy(float) >= least,
        fields=run.fields,
        without_soil=without,
        cells=cells,
        facts=found.facts,
        faults=[f"{error.what} {error.fix}" for error in found.faults],
        findings=[what for what, _ in found.findings],
        problems=sum(g.count for g in found.groups),
        us=run.study.study.units == "us",
    )
