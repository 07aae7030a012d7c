"""One small finished run, shared by the tests of what comes after a run."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from pipelines.show.publish import Published, screen
from tests.pipelines.tiny_study import write_tiny_study
from tests.sharing import made_once


@dataclass(frozen=True)
class TinyRun:
    """A finished run, its study file and every report of its progress. Tests must not change its folder."""

    published: Published
    study_file: Path
    reports: list[tuple[str, int, int]]

    @property
    def folder(self) -> Path:
        return self.published.folder


@pytest.fixture(scope="session")
def tiny_run(run_folder: Path) -> TinyRun:
    """Eight kilometres of the invented county, run once a session."""

    def make(home: Path) -> TinyRun:
        study_file = write_tiny_study(home)
        reports: list[tuple[str, int, int]] = []
        published = screen(study_file, lambda *report: reports.append(report), home / "out")
        return TinyRun(published, study_file, reports)

    return made_once(run_folder / "tiny", make)


@pytest.fixture(scope="session")
def quick_county(run_folder: Path) -> Published:
    """The whole invented county on a coarser grid, without parameter sets and field pages, run once a session."""

    def make(home: Path) -> Published:
        bounds = ("bounds = [-581840.0, 1910480.0, -573840.0, 1918480.0]\n", "")
        replace = (bounds, ("years = 9", "years = 31"), ("60.0", "90.0"))
        study_file = write_tiny_study(home, sets=0, replace=replace, more="field_pages = false\n")
        return screen(study_file, lambda *_: None, home / "out")

    return made_once(run_folder / "quick", make)
