"""One small finished run, shared by the tests of what comes after a run."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from pipelines.show.publish import Published, screen
from tests.pipelines.tiny_study import write_tiny_study


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
def tiny_run(tmp_path_factory: pytest.TempPathFactory) -> TinyRun:
    """Eight kilometres of the invented county, run once a session."""
    home = tmp_path_factory.mktemp("tiny")
    study_file = write_tiny_study(home)
    reports: list[tuple[str, int, int]] = []
    published = screen(study_file, lambda *told: reports.append(told), home / "out")
    return TinyRun(published, study_file, reports)


@pytest.fixture(scope="session")
def quick_county(tmp_path_factory: pytest.TempPathFactory) -> Published:
    """The whole invented county on a coarser grid, without parameter sets and field pages, run once a session."""
    home = tmp_path_factory.mktemp("county")
    bounds = ("bounds = [-581840.0, 1910480.0, -573840.0, 1918480.0]\n", "")
    more = "field_pages = false\n"
    study_file = write_tiny_study(
        home, sets=0, replace=(bounds, ("years = 9", "years = 31"), ("60.0", "90.0")), more=more
    )
    return screen(study_file, lambda *_: None, home / "out")
