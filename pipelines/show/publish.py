"""Run a study from its file to its published folder."""

from __future__ import annotations

import json
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.sparse import csr_matrix

from geo.errors import problem_table
from geo.soils import WILTING_COLUMNS
from pipelines.run.measured import forget_measured, measured_table
from pipelines.run.provenance import provenance
from pipelines.run.result import StudyResult, save_result
from pipelines.run.state import Report, Run
from pipelines.run.steps import STEPS
from pipelines.show.field.page import write_field_pages
from pipelines.show.layers.export import publish_layers
from pipelines.show.layers.tables import write_csv
from pipelines.show.measurements.page import write_measured_page
from pipelines.show.measurements.words import PAGE as MEASURED_PAGE
from pipelines.study.file import Study, load_study
from pipelines.study.staging import staged
from pipelines.study.tables import load_tables, zone_rules
from pipelines.study.units import System


@dataclass(frozen=True)
class Published:
    """A finished run and where it lies."""

    result: StudyResult
    folder: Path
    seconds: float


def run_study(study: Study, folder: Path, digest: str, report: Report) -> StudyResult:
    """Run every step and gather the result.

    Parameters
    ----------
    study : Study
    folder : Path
        Folder that the study's paths are relative to.
    digest : str
        SHA-256 of the study file.
    report : callable
        Progress, see `pipelines.run.state.Report`.
    """
    started, clock = datetime.now(UTC), time.monotonic()
    run = Run(study, folder, load_tables(study), report)
    for step in STEPS:
        step(run)
    return gather_result(run, provenance(run, digest, started, time.monotonic() - clock))


def gather_result(run: Run, record: dict[str, object]) -> StudyResult:
    """Return what a run has worked out, with the record of its making, as the value that is published."""
    units, soil = run.units, run.soil
    assert units is not None
    assert soil is not None
    assert run.outcomes is not None
    assert run.zones is not None
    assert run.grid is not None
    assert run.cells is not None
    names = soil.map_units[["symbol", "name"]]
    sites = units.sites.drop(columns="pixels", errors="ignore").join(names, on="map_unit_id")
    inner = ["map_unit_id", "share", "rated", "reason", *WILTING_COLUMNS]
    profile = soil.profiles.drop(columns=inner, errors="ignore")
    fields = run.summary
    if fields is None:
        fields = gpd.GeoDataFrame({"field_id": [], "name": []}, geometry=[], crs=run.study.map.crs)
    dryland, irrigated = zone_rules(run.tables, run.study)
    settings = {
        **run.study.study.model_dump(),
        "season": {k: f"{m:02d}-{d:02d}" for k, (m, d) in run.study.season.model_dump().items()},
        "rules": asdict(dryland),
        "irrigated_rules": asdict(irrigated),
        "map": run.study.map.model_dump(),
        "parameters": dict(run.study.parameters),
        "mixes": {
            name: {"groups": dict(mix["groups"]), "density": float(mix.get("density", 1.0))}
            for name, mix in run.tables.mixes.items()
        },
        "mix_water_bonus": {k: float(v.get("mix_water_bonus", 0.0)) for k, v in run.tables.mixes.items()},
        "stubble_weeds": run.tables.weeds,
    }
    return StudyResult(
        settings=settings,
        grid=run.grid,
        site_raster=units.site_raster,
        sites=sites,
        units=units.units.join(profile, on="profile_id"),
        site_units=units.site_units,
        cells=run.cells,
        outcomes=run.outcomes,
        zones=run.zones.table,
        tests=run.zones.tests,
        fields=fields,
        coverage=run.coverage if run.coverage is not None else csr_matrix((0, len(sites))),
        problems=problem_table(run.problems),
        provenance=record,
        yearly=run.yearly,
        measured=run.measured,
    )


def publish(result: StudyResult, out: Path, report: Report, *, field_pages: bool = True) -> None:
    """Write the whole output folder; every file is written whole or not at all."""
    from pipelines.show.county.map import write_county_map  # loads folium, so late

    report("publish", 0, 4)
    # The layers are mostly compiled code, the pages mostly Python: side by side they share the cores well.
    with ThreadPoolExecutor(1) as beside:
        layers = beside.submit(publish_layers, result, out)
        write_county_map(result, out / "index.html")
        write_measured_page(result, out / MEASURED_PAGE, field_pages=field_pages)
        report("publish", 1, 4)
        if field_pages and len(result.fields):
            write_field_pages(result, out / "fields", progress=lambda done, total: report("field pages", done, total))
        report("publish", 2, 4)
        layers.result()
    report("publish", 3, 4)
    if result.measured is None:
        forget_measured(out)
    with staged(out) as stage:
        data = stage / "data"
        data.mkdir()
        save_result(result, data)
        write_csv(result.problems, stage / "problems.csv", "metric")
        if result.measured is not None:
            system: System = "us" if result.settings["units"] == "us" else "metric"
            write_csv(measured_table(result.measured), stage / "measurements.csv", system, result)
        record = {"settings": result.settings, **result.provenance}
        (stage / "run.json").write_text(json.dumps(record, indent=1, default=_plain), encoding="utf-8")
    report("publish", 4, 4)


def _plain(value: object) -> object:
    return value.item() if isinstance(value, np.generic) else str(value)


def screen(study_file: Path, report: Report, out: Path | None = None) -> Published:
    """Read a study file, run it and publish the result."""
    clock = time.monotonic()
    study, digest = load_study(study_file)
    target = out or (Path.cwd() / study.study.out)
    result = run_study(study, study_file.parent, digest, report)
    publish(result, target, report, field_pages=study.run.field_pages)
    return Published(result, target, time.monotonic() - clock)


def zone_areas(result: StudyResult) -> pd.Series:
    """Return hectares by zone over the whole map, dry to wet."""
    area = result.sites["area_ha"].groupby(result.zones["zone"]).sum()
    return area.reindex(list(dict.fromkeys(result.zones.sort_values("zone_code")["zone"])))
