"""The record of a run: hashes that others can repeat, licences, versions, counts."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import os
from pathlib import Path

import pytest
import rasterio

from pipelines.run.context import Context
from pipelines.run.provenance import _layer, _with, files_of, hash_path
from pipelines.study.file import load_study
from pipelines.study.house import sample_dir
from pipelines.study.input_facts import source_facts
from pipelines.study.tables import load_tables
from pipelines.study.words import load_catalogue
from tests.pipelines.conftest import TinyRun
from tests.pipelines.tiny_study import write_tiny_study


@pytest.mark.parametrize(
    ("content", "digest"),
    [
        pytest.param(
            b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", id="FIPS 180-4 example 'abc'"
        ),
        pytest.param(
            b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", id="FIPS 180-4 empty message"
        ),
    ],
)
def test_a_file_has_its_sha256(tmp_path: Path, content: bytes, digest: str) -> None:
    (tmp_path / "f").write_bytes(content)
    assert hash_path(tmp_path / "f") == digest


def test_a_folder_follows_names_and_contents(tmp_path: Path) -> None:
    for name in ("one", "two", "three"):
        (tmp_path / name / "inner").mkdir(parents=True)
        (tmp_path / name / "inner" / "a.txt").write_text("x")
    same = hash_path(tmp_path / "one")
    assert hash_path(tmp_path / "two") == same
    (tmp_path / "two" / "inner" / "a.txt").rename(tmp_path / "two" / "inner" / "b.txt")
    (tmp_path / "three" / "inner" / "a.txt").write_text("y")
    assert len({same, hash_path(tmp_path / "two"), hash_path(tmp_path / "three")}) == 3


@pytest.fixture(scope="module")
def record(tiny_run: TinyRun) -> dict:
    return json.loads((tiny_run.folder / "run.json").read_text(encoding="utf-8"))


def test_inputs_carry_hash_licence_and_title(record: dict) -> None:
    inputs = {row["layer"]: row for row in record["inputs"]}
    assert set(inputs) == {"soils", "climate", "fields", "elevation"}
    assert inputs["fields"]["sha256"] == hashlib.sha256((sample_dir() / "fields.gpkg").read_bytes()).hexdigest()
    assert inputs["soils"]["sha256"] == hash_path(sample_dir() / "soils")
    for row in inputs.values():
        assert row["licence"]
        assert row["title"]
        assert row["date"]


def test_the_study_file_and_the_versions_are_named(record: dict, tiny_run: TinyRun) -> None:
    assert record["study_hash"] == hashlib.sha256(tiny_run.study_file.read_bytes()).hexdigest()
    assert record["versions"]["numpy"] == importlib.metadata.version("numpy")
    assert record["seed"] == 20
    assert record["settings"]["rules"]["shortfall_max"] == 0.2
    assert record["settings"]["parameters"] == {}, "nothing is changed in the tiny study"
    assert sum(record["settings"]["mixes"]["overwinter"]["groups"].values()) == pytest.approx(1.0)


def test_counts_are_those_of_the_result(record: dict, tiny_run: TinyRun) -> None:
    result, counts = tiny_run.published.result, record["counts"]
    assert counts["fields"] == len(result.fields)
    assert counts["sites"] == len(result.sites)
    assert counts["units"] == len(result.units)
    assert counts["seasons"] == 8
    assert counts["problems"] == len(result.problems)
    assert counts["parameter_sets"] == 2


@pytest.mark.parametrize(
    ("path", "files"),
    [
        pytest.param("rain_*.nc", ["rain_1990.nc", "rain_1991.nc"], id="a pattern is the files that it matches"),
        pytest.param("farm.shp", ["farm.dbf", "farm.prj", "farm.shp"], id="a shapefile is all of its parts"),
        pytest.param("rain_1990.nc", ["rain_1990.nc"], id="a file is itself"),
        pytest.param("gone.nc", [], id="nothing"),
    ],
)
def test_inputs_are_all_of_their_files(tmp_path: Path, path: str, files: list[str]) -> None:
    for name in ("rain_1990.nc", "rain_1991.nc", "farm.shp", "farm.dbf", "farm.prj", "farm.txt", "other.dbf"):
        (tmp_path / name).write_text(name, encoding="utf-8")
    assert [p.name for p in files_of(tmp_path / path)] == files


def test_a_second_file_of_a_layer_is_an_input_too(tmp_path: Path) -> None:
    """Soil tables beside a raster, or a station list, change the answer as much as the layer does."""
    file = write_tiny_study(tmp_path, sets=0)
    study, _ = load_study(file)
    (tmp_path / "stations.txt").write_text("one", encoding="utf-8")
    (tmp_path / "rain.csv").write_text("1", encoding="utf-8")
    table = study.climate.model_copy(update={"path": "rain.csv", "options": {"stations": "stations.txt"}})
    run = Context(study.model_copy(update={"climate": table}), tmp_path, load_tables(study), lambda *_: None)
    paths = _with(table.path, table.options.get("stations"))
    before = _layer(run, "climate", paths)
    (tmp_path / "stations.txt").write_text("two", encoding="utf-8")
    assert before["path"] == "rain.csv, stations.txt"
    assert _layer(run, "climate", paths)["sha256"] != before["sha256"]


@pytest.mark.parametrize(
    ("lines", "row", "shown"),
    [
        pytest.param("", {"licence": "not stated", "date": "2020-03-04", "date_of": "file"},
                     ["file date 2020-03-04", "licence not stated"], id="nothing stated"),
        pytest.param('licence = "CC BY 4.0"\ndate = "2024-10"',
                     {"licence": "CC BY 4.0", "date": "2024-10", "date_of": "layer"},
                     ["date 2024-10", "licence CC BY 4.0"], id="both stated"),
        pytest.param("date = 2024-10-01", {"licence": "not stated", "date": "2024-10-01", "date_of": "layer"},
                     ["date 2024-10-01", "licence not stated"], id="a TOML date"),
        pytest.param("date = 2024", {"licence": "not stated", "date": "2024", "date_of": "layer"},
                     ["date 2024", "licence not stated"], id="a year as a number"),
    ],
)  # fmt: skip
def test_a_layer_has_the_licence_and_date_that_the_study_states(tmp_path, lines, row, shown) -> None:
    file = write_tiny_study(tmp_path, sets=0, replace=(('fields.gpkg"', f'fields.gpkg"\n{lines}'),))
    text = file.read_text(encoding="utf-8").replace(f"{sample_dir().as_posix()}/fields.gpkg", "fields.gpkg")
    file.write_text(text, encoding="utf-8")
    (tmp_path / "fields.gpkg").write_bytes(b"x")
    os.utime(tmp_path / "fields.gpkg", (1583280000, 1583280000))  # 4 March 2020
    study, _ = load_study(file)
    run = Context(study, tmp_path, load_tables(study), lambda *_: None)
    found = _layer(run, "fields", study.fields.path)
    assert {k: found[k] for k in row} == row
    assert list(source_facts(found, load_catalogue()).values())[1:] == shown


def test_what_the_study_states_goes_before_what_the_file_says(tmp_path: Path) -> None:
    file = write_tiny_study(tmp_path, sets=0, replace=(('normals.nc"', 'normals.nc"\nlicence = "ours"'),))
    study, _ = load_study(file)
    run = Context(study, tmp_path, load_tables(study), lambda *_: None)
    assert _layer(run, "climate", study.climate.path, licence="theirs")["licence"] == "ours"
    assert _layer(run, "fields", study.fields.path, licence="theirs")["licence"] == "theirs"


def test_the_sample_study_says_that_it_is_invented_and_free() -> None:
    study, _ = load_study(sample_dir() / "study.toml")
    for layer in (study.soils, study.climate, study.fields, study.elevation):
        assert layer.licence == "invented; free to use"
        assert layer.date


def test_pages_and_layers_tell_the_terms(tiny_run: TinyRun) -> None:
    """The tiny study states them for its soils only."""
    page = (tiny_run.folder / "index.html").read_text(encoding="utf-8")
    sheet = next((tiny_run.folder / "fields").glob("*.html")).read_text(encoding="utf-8")
    about = (tiny_run.folder / "layers" / "data_dictionary.html").read_text(encoding="utf-8")
    stac = json.loads((tiny_run.folder / "layers" / "item.json").read_text(encoding="utf-8"))
    for text in (page, sheet, about, "\n".join(stac["properties"]["springfill:sources"])):
        assert "date 2026, licence invented; free to use" in text
        assert "licence not stated" in text
        assert "file date 20" in text
    with rasterio.open(tiny_run.folder / "layers" / "zones.tif") as source:
        assert "licence invented; free to use" in source.tags()["SOURCES"]
    assert "see its publisher" not in page + sheet + about
