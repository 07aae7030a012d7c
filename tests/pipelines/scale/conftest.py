"""One region, run once a session: four squares of the window that the tiny study runs undivided."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.scale.swept import Swept
from tests.pipelines.conftest import TinyRun
from tests.pipelines.scale.regions import run_here, write_region
from tests.sharing import made_once


@pytest.fixture(scope="session")
def four_squares(tiny_run: TinyRun, run_folder: Path) -> Swept:
    """The tiny study in four tiles, without field pages. Tests must not change its folder."""

    def make(home: Path) -> Swept:
        study = home / "study.toml"
        study.write_text(tiny_run.study_file.read_text() + "field_pages = false\n")
        return run_here(write_region(home, study, "size_km = 4"), home / "out")

    return made_once(run_folder / "four", make)
