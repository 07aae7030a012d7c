"""One tile of a region on a worker: the flow of a study through a window, published whole or not at all."""

from __future__ import annotations

import json
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geo.errors import NothingHere, StudyError
from geo.ground import cell_area_ha, study_grid
from geo.rating import zone_areas
from geo.soils import SoilTable
from pipelines.read.measurements.soundings import Measurements
from pipelines.run.context import Context, Report
from pipelines.run.inputs import (
    Problems,
    lay_grid,
    lay_inputs,
    lay_soils,
    read_field_layer,
    read_measurement_layer,
    read_slope,
    read_soil_layer,
)
from pipelines.run.result import StudyResult
from pipelines.run.study_run import run_inputs
from pipelines.scale.tiles import Tiles
from pipelines.scale.window_digest import window_digest
from pipelines.show.field.page import write_field_pages
from pipelines.show.publish import publish
from pipelines.study.file import Study
from pipelines.study.staging import file_sha256, staged_folder, write_whole
from pipelines.study.tables import load_tables

RECORD = "tile.json"
KEPT = ("layers/zones.tif", "fields.parquet", "run.json")
Part = Callable[[float], None]
"""Called with the share of a tile that is done, 0-1."""


@dataclass(frozen=True)
class Job:
    """What a worker is sent: small, paths absolute, so that every worker that sees the folders can do it.

    Attributes
    ----------
    index : int
        Position of the tile in `tiles_file`.
    tile, name : str
        Its id and its name.
    key : str
        Hash of settings, tables, borders and slopes; a finished tile with another key is done again.
    layers : str
        Hash of the layers' files. Where only that has changed, a finished tile is kept if its window reads the same.
    again : bool
        Do the tile again in any case.
    threads : int
        Cores for this tile.
    """

    index: int
    tile: str
    name: str
    tiles_file: Path
    study: Study
    folder: Path
    digest: str
    region: str
    out: Path
    key: str = ""
    layers: str = ""
    again: bool = False
    slopes_file: Path | None = None
    hashes: dict[str, str] = field(default_factory=dict)
    threads: int = 1

    @property
    def home(self) -> Path:
        """Folder of the tile."""
        return self.out / "tiles" / self.tile


@dataclass(frozen=True)
class Window:
    """A tile whose fields and soils are read: the run through its window, and whose a pixel is."""

    context: Context
    tiles: Tiles
    fields: gpd.GeoDataFrame
    soil: SoilTable
    problems: Problems


def _open_window(job: Job, report: Report) -> Window:
    """Read fields and soils of a tile; the window holds its ground and, whole, the fields that are its own."""
    tiles = Tiles(gpd.read_parquet(job.tiles_file))
    base, table = job.study, job.study.map
    limit = (
        None if table.bounds is None else study_grid(table.bounds, table.crs, table.resolution_m).extent.boundingbox
    )
    box = shapely.box(*tiles.shape(job.index).bounds)
    slopes = None if job.slopes_file is None else pd.read_parquet(job.slopes_file)["slope_percent"]

    def through(window: shapely.Geometry) -> Context:
        inside = window if limit is None else window & shapely.box(*limit.bbox)
        if inside.is_empty or not inside.area > 0:
            raise NothingHere("The tile lies outside the bounds of the study.", "[map] bounds", "Leave it out.")
        named = base.study.model_copy(update={"name": f"{job.name}, {base.study.name}"})
        study = base.model_copy(update={"study": named, "map": table.model_copy(update={"bounds": inside.bounds})})
        return Context(study, job.folder, load_tables(base), report, job.threads, dict(job.hashes), slopes)

    report("layers", 0, 3)
    fields, problems = read_field_layer(through(box), part=True)
    own = tiles.owners(fields) == job.index
    others = set(fields["field_id"][~own])
    problems = tuple(p for p in problems if p.layer != "fields" or p.where not in others)
    fields = fields[own].reset_index(drop=True)
    window = shapely.box(*shapely.total_bounds([box, *fields.geometry]))
    if base.elevation is not None:  # the slope of a pixel takes its neighbours
        window = shapely.box(*shapely.buffer(window, table.resolution_m).bounds)
    context = through(window)
    soil, of_soil = read_soil_layer(context, fields)
    return Window(context, tiles, fields, soil, problems + of_soil)


def _own_measurements(window: Window, index: int) -> tuple[Measurements | None, Problems]:
    """Read own measurements, and keep those of the tile's fields and, without a field, of its ground."""
    found, problems = read_measurement_layer(window.context)
    if found is None:
        return None, problems
    readings = found.readings
    places = gpd.GeoSeries(gpd.points_from_xy(readings["longitude"], readings["latitude"]), crs="EPSG:4326")
    at = gpd.GeoDataFrame(geometry=places.to_crs(window.context.study.map.crs))
    here = window.tiles.owners(at) == index
    own = np.where(readings["field_id"] != "", readings["field_id"].isin(set(window.fields["field_id"])), here)
    kept = replace(found, readings=readings[own].reset_index(drop=True))
    return (kept if own.any() else None), problems


def measure_slopes(job: Job) -> dict[str, tuple[float, int]]:
    """Return the sum of the slope (%) over the tile's own pixels, and their number, for each map unit of the window.

    The slope of a map unit is its mean over the whole region, as in a study that is not cut into tiles.
    """
    try:
        window = _open_window(job, _silent)
        grid = lay_grid(window.context, window.soil, window.fields)
        _, codes, map_units = lay_soils(window.context, window.soil, grid)
        slope, _ = read_slope(window.context, grid, codes)
    except StudyError:
        return {}  # the tile itself will say so
    assert slope is not None  # only asked of studies with a height model
    own = window.tiles.own_pixels(job.index, grid) & np.isfinite(slope.percent) & (codes >= 0)
    total = np.bincount(codes[own], weights=slope.percent[own].astype(float), minlength=len(map_units))
    pixels = np.bincount(codes[own], minlength=len(map_units))
    return {m: (float(t), int(n)) for m, t, n in zip(map_units, total, pixels, strict=True)}


def run_tile(job: Job, part: Part | None = None) -> dict[str, Any]:
    """Run a tile and publish it to ``<out>/tiles/<id>/``; return its record, which says what went wrong, if anything.

    Never raises for a fault of the tile: the others go on.
    """
    clock = time.monotonic()
    record: dict[str, Any] = {"tile": job.tile, "name": job.name, "key": job.key, "layers": job.layers}
    try:
        return _run(job, record, _shares(job.study, part))
    except NothingHere as error:
        record |= {"status": "empty", "what": error.what, "where": error.where, "fix": error.fix}
    except StudyError as error:
        record |= {"status": "failed", "what": error.what, "where": error.where, "fix": error.fix}
    except Exception as error:
        what = f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"
        record |= {"status": "failed", "what": what, "where": "", "fix": "", "trace": traceback.format_exc()}
    record |= {"seconds": round(time.monotonic() - clock, 2)}
    if record["status"] == "empty":
        with staged_folder(job.home) as home:
            _write(home / RECORD, record)
    return record


def _run(job: Job, head: dict[str, Any], report: Report) -> dict[str, Any]:
    started, clock, busy = datetime.now(UTC), time.monotonic(), time.process_time()
    window = _open_window(job, report)
    measured, of_water = _own_measurements(window, job.index)
    context = window.context
    inputs = lay_inputs(context, window.fields, window.soil, measured, window.problems + of_water)
    head["read"] = window_digest(inputs)
    if kept := _kept(job, head["read"]):
        return kept
    own = window.tiles.own_pixels(job.index, inputs.grid)
    if not (own & (inputs.codes >= 0)).any() and not len(inputs.fields):
        raise NothingHere("No pixel of the tile has a soil.", "soils", "Leave it out, or use larger tiles.")
    study = context.study
    whole = run_inputs(context, inputs, job.digest, started, clock)
    whole.settings["tile"] = {"id": job.tile, "name": job.name, "region": job.region}
    result = own_ground(whole, own)
    areas = zone_areas(result.zones, result.sites["area_ha"])
    record = head | {
        "status": "done", "areas_ha": {str(k): float(v) for k, v in areas.items()},
        "counts": whole.provenance["counts"], "closure_mm": whole.provenance["closure_mm"],
        "started": whole.provenance["started"],
    }  # fmt: skip
    with staged_folder(job.home) as home:
        publish(result, home, report, field_pages=False)
        if study.run.field_pages and len(whole.fields):  # a field is shown whole, also beyond the tile
            write_field_pages(whole, home / "fields", progress=lambda n, of: report("field pages", n, of))
        record["files"] = {name: file_sha256(home / name) for name in KEPT}
        record |= {
            "seconds": round(time.monotonic() - clock, 2),
            "cpu_seconds": round(time.process_time() - busy, 2),
            "peak_mb": _peak_mb(),
            "threads": job.threads,
        }
        _write(home / RECORD, record)
    return record


def _kept(job: Job, read: str) -> dict[str, Any] | None:
    """Return the record of a finished tile that would come out the same, its file brought up to date; else None."""
    earlier = read_record(job.home)
    if job.again or earlier is None or (earlier.get("key"), earlier.get("read")) != (job.key, read):
        return None
    _write(job.home / RECORD, earlier | {"layers": job.layers})
    return earlier | {"layers": job.layers, "kept": True}


def own_ground(result: StudyResult, own: np.ndarray) -> StudyResult:
    """Return a result whose map ends at the edge of the tile; what is known of fields and sites stays."""
    rows, columns = np.flatnonzero(own.any(axis=1)), np.flatnonzero(own.any(axis=0))
    if not rows.size:
        rows = columns = np.array([0])
    cut = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    site = np.where(own[cut], result.site_raster[cut], np.int32(-1))
    pixels = np.bincount(site.ravel() + 1, minlength=len(result.sites) + 1)[1:]
    sites = result.sites.assign(area_ha=pixels * cell_area_ha(result.grid))
    return replace(result, grid=result.grid[cut], site_raster=np.ascontiguousarray(site), sites=sites)


def _write(path: Path, record: dict[str, Any]) -> None:
    write_whole(path, json.dumps(record, indent=1, default=str))


def read_record(folder: Path) -> dict[str, Any] | None:
    """Return the record of a tile that is whole; None when the folder holds none, or its files are gone."""
    try:
        record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(record, dict) or (
        record.get("status") == "done" and not all((folder / name).is_file() for name in KEPT)
    ):
        return None
    return record


def _peak_mb() -> int:
    """Return the most memory that this process has held, in MB, over all its tiles; 0 where nobody counts."""
    try:
        import resource
    except ImportError:  # Windows
        return 0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak // 1024 if sys.platform.startswith("linux") else peak // 1024**2


def _shares(study: Study, part: Part | None) -> Report:
    """Return a report that passes on the share of the tile that is done, at most twice a second."""
    if part is None:
        return _silent
    from pipelines.run.progress import WorkDone, run_plan

    work, last = WorkDone(run_plan(study.run.parameter_sets, study.run.field_pages)), 0.0

    def report(step: str, done: int, total: int) -> None:
        nonlocal last
        work.tell(step, done, total)
        if (now := time.monotonic()) - last >= 0.5:
            last = now
            part(work.fraction)

    return report


def _silent(step: str, done: int, total: int) -> None:
    return None
