"""What is to do in a region: one job a tile, known by the hash of all that the tile depends on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from pipelines.run.context import Context
from pipelines.run.provenance import hash_files, input_layers
from pipelines.scale.cluster import Crew, measure_slopes, work
from pipelines.scale.region_file import Region
from pipelines.scale.tile_run import Job, read_record
from pipelines.scale.tiles import Tiles
from pipelines.study.file import Study
from pipelines.study.house import version
from pipelines.study.staging import staged_file, write_whole
from pipelines.study.tables import Tables

LAYERS = ("soils", "climate", "fields", "elevation", "measurements")
Report = Callable[[str, float, int], None]
"""Called as ``report(step, done, total)``; done may lie between two tiles."""


def plan_jobs(
    region: Region,
    study: Study,
    folder: Path,
    digests: dict[str, str],
    tiles: Tiles,
    tables: Tables,
    out: Path,
    *,
    again: bool = False,
) -> tuple[list[Job], list[dict[str, str]]]:
    """Return a job for each tile, in their order, and the layers of the study with their hashes."""
    base = Context(study, folder, tables, lambda *_: None)
    base = replace(base, hashes=hash_files(base))
    inputs = input_layers(base)
    tiles_file = out / "tiles.parquet"
    with staged_file(tiles_file) as path:
        tiles.frame.to_parquet(path, index=False)
    settings = study.model_dump(mode="json")
    settings["study"].pop("out")
    for name in LAYERS:  # what is in the files counts, not where they lie
        (settings[name] or {}).pop("path", None)
    common = {
        "program": version(), "settings": settings, "tables": tables.digest, "region": region.region.name,
    }  # fmt: skip
    layers = _hash([(i["layer"], i["sha256"]) for i in inputs])
    jobs = []
    for index in range(len(tiles)):
        near = [(tiles.id(i), hashlib.sha256(tiles.shape(i).wkb).hexdigest()) for i in tiles.near(index)]
        jobs.append(
            Job(
                index=index, tile=tiles.id(index), name=tiles.name(index), tiles_file=tiles_file, study=study,
                folder=folder, digest=digests["study"], region=region.region.name, out=out,
                key=_hash(common | {"tile": tiles.id(index), "name": tiles.name(index), "near": near}),
                layers=layers, hashes=dict(base.hashes), again=again,
            )
        )  # fmt: skip
    return jobs, inputs


def _hash(value: object) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True).encode()).hexdigest()


def unfinished(jobs: list[Job]) -> list[Job]:
    """Return the jobs whose tile is not there, or was made from other layers or settings."""
    return [job for job in jobs if job.again or not _same(read_record(job.home), job)]


def _same(record: dict[str, Any] | None, job: Job) -> bool:
    return record is not None and (record.get("key"), record.get("layers")) == (job.key, job.layers)


class Slopes:
    """The mean slope of each map unit over the whole region: measured tile by tile, handed to every tile.

    What a tile has measured is kept in ``slopes/``, so that a killed run does not measure it again.
    """

    def __init__(self, jobs: list[Job]) -> None:
        self._jobs = jobs
        self._folder = jobs[0].out / "slopes"
        self._folder.mkdir(exist_ok=True)
        self._found: dict[int, dict[str, Any]] = {}
        for job in jobs:
            try:
                kept = json.loads(self._file(job).read_text(encoding="utf-8"))
            except (OSError, ValueError):
                continue
            if _same(kept, job) and not job.again:
                self._found[job.index] = kept["map_units"]
        self.todo = [job for job in jobs if job.index not in self._found]

    def _file(self, job: Job) -> Path:
        return self._folder / f"{job.tile}.json"

    def measure(self, team: Crew, report: Report) -> None:
        """Let the workers measure what is not known yet; a tile that cannot be read gives nothing."""

        def done(job: Job, found: Any) -> None:
            sums = {} if isinstance(found, BaseException) else found
            self._found[job.index] = sums
            if sums:
                record = {"key": job.key, "layers": job.layers, "map_units": sums}
                write_whole(self._file(job), json.dumps(record))

        report("slope", 0, len(self.todo))
        work(team, measure_slopes, self.todo, done, lambda n: report("slope", n, len(self.todo)))

    def handed_out(self) -> list[Job]:
        """Return the jobs with the file of slopes; the key of each takes in the slopes in its window.

        Profiles that are alike share one unit, and the first of them in the tables is used. It may lie outside
        the window, and its slope, alike to 1 %, is not in the key.
        """
        rows = [(m, *v) for job in self._jobs for m, v in self._found.get(job.index, {}).items()]
        sums = pd.DataFrame(rows, columns=["map_unit_id", "total", "pixels"]).groupby("map_unit_id").sum()
        slopes = (sums["total"] / sums["pixels"].where(sums["pixels"] > 0)).rename("slope_percent").astype(float)
        file = self._jobs[0].out / "slopes.parquet"
        with staged_file(file) as path:
            slopes.to_frame().to_parquet(path)
        out = []
        for job in self._jobs:
            inside = {m: round(float(slopes[m]), 6) for m in sorted(self._found.get(job.index, {}))}
            out.append(replace(job, key=_hash([job.key, inside]), slopes_file=file))
        return out
