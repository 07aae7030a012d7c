"""The output folder is made sure of before a run."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from geo.errors import StudyError
from pipelines.study.file import Study
from pipelines.study.output_folder import input_paths, ready_folder


def _study(**tables: object) -> Study:
    base = {"study": {"name": "a"}, "soils": {"path": "soils"}, "climate": {"path": ["climate/*.nc", "a.csv"]}}
    return Study.model_validate(base | tables)


def test_inputs_are_absolute_and_a_pattern_is_its_folder(tmp_path: Path) -> None:
    study = _study(fields={"path": "../f.gpkg"}, elevation={"path": "e.tif"})
    names = ["soils", "climate", "a.csv", "../f.gpkg", "e.tif"]
    assert input_paths(study, tmp_path) == [(tmp_path / n).resolve() for n in names]


@pytest.mark.parametrize(
    ("target", "refused"),
    [
        pytest.param(".", True, id="the study folder itself"),
        pytest.param("soils", True, id="the folder of the soils"),
        pytest.param("climate", True, id="the folder of a pattern"),
        pytest.param("out", False, id="a folder beside the layers"),
        pytest.param("soils/out", False, id="a folder below a layer"),
    ],
)
def test_results_never_lie_among_the_layers(tmp_path: Path, target: str, refused: bool) -> None:
    (tmp_path / "soils").mkdir()
    (tmp_path / "climate").mkdir()
    inputs = input_paths(_study(), tmp_path)
    if not refused:
        with ready_folder(tmp_path / target, inputs):
            pass
        return
    with pytest.raises(StudyError, match="among the layers") as caught, ready_folder(tmp_path / target, inputs):
        pass
    assert "--out" in caught.value.fix


def test_a_failed_run_leaves_no_empty_folder_and_no_file_is_lost(tmp_path: Path) -> None:
    old = tmp_path / "old"
    old.mkdir()
    (old / "index.html").write_text("earlier")
    for target in (tmp_path / "new" / "deep", old):
        with pytest.raises(StudyError, match="failed"), ready_folder(target, []):
            raise StudyError("failed")
    assert not (tmp_path / "new").exists()
    assert (old / "index.html").read_text() == "earlier"


@pytest.mark.skipif(os.name == "nt", reason="POSIX file names")
def test_a_folder_that_cannot_be_made_stops_before_the_run(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StudyError, match="cannot be written"), ready_folder(tmp_path / "file" / "out", []):
        pytest.fail("the run has started")
