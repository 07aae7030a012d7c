"""Run a study from its file to its published folder."""

from __future__ import annotations

import time
from collections.abc import Collection
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from pipelines.run.context import Report
from pipelines.run.measured import forget_measured, measured_table
from pipelines.run.result import StudyResult, save_result
from pipelines.run.study_run import run_study
from pipelines.show.field.page import write_field_pages
from pipelines.show.layers.export import publish_layers
from pipelines.show.layers.tables import write_csv
from pipelines.show.measurements.page import write_measured_page
from pipelines.show.measurements.words import PAGE as MEASURED_PAGE
from pipelines.study.file import load_study
from pipelines.study.staging import staged
from pipelines.study.units import System


@dataclass(frozen=True)
class Published:
    """A finished run and where it lies."""

    result: StudyResult
    folder: Path
    seconds: float


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
        write_csv(result.problems, stage / "problems.csv", "metric")
        if result.measured is not None:
            system: System = "us" if result.settings["units"] == "us" else "metric"
            write_csv(measured_table(result.measured), stage / "measurements.csv", system)
        save_result(result, stage)
    report("publish", 4, 4)


def screen(study_file: Path, report: Report, out: Path | None = None, only: Collection[str] = ()) -> Published:
    """Read a study file, run it (or some of its fields) and publish the result."""
    clock = time.monotonic()
    study, digest = load_study(study_file)
    target = out or (Path.cwd() / study.study.out)
    result = run_study(study, study_file.parent, digest, report, only)
    publish(result, target, report, field_pages=study.run.field_pages)
    return Published(result, target, time.monotonic() - clock)
