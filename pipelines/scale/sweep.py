"""Run a region: find the tiles that are still to do, let the workers do them, join what they wrote."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from geo.errors import StudyError
from pipelines.run.progress import region_plan
from pipelines.scale.cluster import Crew, crew, lost_worker, need_libraries, reporting_tile, work
from pipelines.scale.jobs import Report, Slopes, plan_jobs, unfinished
from pipelines.scale.join import join
from pipelines.scale.region_file import Region, load_region
from pipelines.scale.swept import Swept
from pipelines.scale.tile_run import Job, read_record
from pipelines.scale.tiles import Tiles, plan_tiles
from pipelines.study.house import version
from pipelines.study.output_folder import input_paths, ready_folder
from pipelines.study.staging import PART
from pipelines.study.tables import load_tables, zone_rules

FAILED = "failed"


def sweep(
    region_file: Path,
    report: Report,
    out: Path | None = None,
    *,
    plan: Callable[[dict[str, float]], None] = lambda _: None,
    scheduler: str = "",
    workers: int = 0,
    again: bool = False,
    processes: bool = True,
) -> Swept:
    """Run every tile of a region that is not finished, and write the layers and the page over all of them.

    Parameters
    ----------
    region_file : Path
    report : callable
        Progress.
    out : Path, optional
        Folder for the results; by default the one that the region file names.
    plan : callable, optional
        Given the steps and their shares of the work as soon as they are known.
    scheduler : str
        Address of a scheduler, over that of the region file.
    workers : int
        Tiles at a time on this machine, over that of the region file.
    again : bool
        Do finished tiles again.
    processes : bool
        False runs the tiles in this process.

    Raises
    ------
    StudyError
        A fault of the region file, of a layer that all tiles need, or of the scheduler; or every tile failed.
    """
    clock, started = time.monotonic(), datetime.now(UTC)
    need_libraries()
    region, study, study_file, digests = load_region(region_file)
    region = _overruled(region, scheduler, workers)
    folder = study_file.parent.resolve()
    tiles = plan_tiles(region.tiles, study, region_file.parent, folder)
    tables = load_tables(study)
    zone_rules(tables, study)
    layers = input_paths(study, folder)
    for path in layers:
        if not path.exists():
            raise StudyError("A layer of the study does not exist.", str(path), "Check the paths in the study file.")
    if region.tiles.path is not None:
        layers.append((region_file.parent / region.tiles.path).resolve())
    target = (out or Path.cwd() / region.region.out).resolve()
    with ready_folder(target, layers), _alone(target):
        report("inputs", 0, 1)
        jobs, inputs = plan_jobs(region, study, folder, digests, tiles, tables, target, again=again)
        slopes = None if study.elevation is None else Slopes(jobs)
        report("inputs", 1, 1)
        records, words = _work_through(jobs, slopes, region, tiles, processes, report, plan)
        fresh = sum(r.pop("fresh") for r in records)
        _note_failures(target, records)
        if not any(r["status"] == "done" for r in records):
            raise _nothing(records, target)
        about = {
            "name": region.region.name, "program": f"springfill {version()}",
            "started": started.strftime("%Y-%m-%dT%H:%M:%SZ"), "region_hash": digests["region"],
            "study_hash": digests["study"], "tables_hash": tables.digest, "seed": study.study.seed,
            "mix_water_bonus": max(float(m.get("mix_water_bonus", 0.0)) for m in tables.mixes.values()),
            "stubble_weeds": tables.weeds, "workers": words, "inputs": inputs,
            "settings": study.model_dump(mode="json"),
        }  # fmt: skip
        swept = Swept(region, study, target, tiles, records, fresh, time.monotonic() - clock, about)
        join(swept, partial(report, "joining"))
    return replace(swept, seconds=time.monotonic() - clock)


def _work_through(
    jobs: list[Job],
    slopes: Slopes | None,
    region: Region,
    tiles: Tiles,
    processes: bool,
    report: Report,
    plan: Callable[[dict[str, float]], None],
) -> tuple[list[dict[str, Any]], str]:
    """Do what is still to do, with workers only where there is something; return a record a tile, and who worked."""
    with ExitStack() as stack:
        team = None
        if slopes is not None and slopes.todo:
            plan(region_plan(len(jobs), True))
            team = stack.enter_context(_crew(region, len(jobs), processes, report))
            slopes.measure(team, report)
        jobs = jobs if slopes is None else slopes.handed_out()
        todo = unfinished(jobs)
        todo.sort(key=lambda job: -tiles.shape(job.index).area)  # none of the large ones runs on alone at the end
        if todo and team is None:
            plan(region_plan(len(todo), False))
            team = stack.enter_context(_crew(region, len(todo), processes, report))
        found = {} if team is None else _run(team, todo, report)
        words = "" if team is None else f"{team.workers} on {team.words}, {team.threads} threads a tile"
    records = []
    for job in jobs:
        record = found.get(job.index) or read_record(job.home) or {}
        fresh = job.index in found and not record.pop("kept", False)
        records.append({"tile": job.tile, "name": job.name} | record | {"fresh": fresh})
    return records, words


@contextmanager
def _crew(region: Region, jobs: int, processes: bool, report: Report) -> Iterator[Crew]:
    report("workers", 0, 1)
    with crew(region.workers, jobs, processes=processes) as team:
        report("workers", 1, 1)
        yield team


def _overruled(region: Region, scheduler: str, workers: int) -> Region:
    """Lay the options of the command line over the file, through the same checks."""
    change: dict[str, Any] = {}
    if scheduler:
        change["scheduler"] = scheduler
    if workers:
        change |= {"count": workers, "scheduler": scheduler}
    if not change:
        return region
    from pydantic import ValidationError

    try:
        table = type(region.workers).model_validate(region.workers.model_dump() | change)
    except ValidationError as error:
        first = error.errors()[0]
        what = first["msg"].removeprefix("Value error, ")
        raise StudyError(f"{first['input']!r} {what}.", f"--{first['loc'][0]}", "Correct the option.") from None
    return region.model_copy(update={"workers": table})


@contextmanager
def _alone(out: Path) -> Iterator[None]:
    """Hold the folder against a second run, and clear away what a killed one has left half done."""
    with (out / ".lock").open("a") as lock:
        try:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except ImportError:  # Windows: two runs at a time are not caught there
            pass
        except OSError:
            raise StudyError(
                "Another run is at work in this folder.", str(out), "Wait for it, or name another folder with --out."
            ) from None
        for place in (out, out / "tiles", out / "slopes"):
            for left in place.glob(f"{PART}*"):
                shutil.rmtree(left, ignore_errors=True)
        yield


def _run(team: Crew, todo: list[Job], report: Report) -> dict[int, dict[str, Any]]:
    """Let the workers run the tiles; return their records by position."""
    records: dict[int, dict[str, Any]] = {}

    def done(job: Job, found: Any) -> None:
        records[job.index] = lost_worker(job, found) if isinstance(found, BaseException) else found

    report("tiles", 0, len(todo))
    jobs = [replace(job, threads=team.threads) for job in todo]
    work(team, reporting_tile, jobs, done, lambda n: report("tiles", n, len(todo)))
    return records


def _note_failures(out: Path, records: list[dict[str, Any]]) -> None:
    """Keep the trace of an unexpected error beside the results; take those of earlier runs away."""
    folder = out / FAILED
    shutil.rmtree(folder, ignore_errors=True)
    for record in records:
        trace = record.pop("trace", "")
        if trace:
            folder.mkdir(exist_ok=True)
            (folder / f"{record['tile']}.txt").write_text(trace, encoding="utf-8")


def _nothing(records: list[dict[str, Any]], out: Path) -> StudyError:
    first = next((r for r in records if r["status"] == "failed"), records[0])
    return StudyError(
        f"No tile could be run. The first, {first['tile']}: {first['what']}",
        str(first.get("where") or out),
        str(first.get("fix") or f"See {out / FAILED}."),
    )
