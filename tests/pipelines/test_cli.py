"""The command line as a user meets it: help, exit codes, red text, never a traceback for the user's own errors."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from itertools import product
from pathlib import Path

import pytest

from geo.options import COVERS
from geo.rating import TESTS
from pipelines.cli import layers as cli_layers
from pipelines.cli import main as cli
from pipelines.cli import run as cli_run
from pipelines.study.file import load_study
from tests.pipelines.conftest import TinyRun
from tests.pipelines.tiny_study import write_tiny_study

ROOT = Path(__file__).resolve().parents[2]
COMMANDS = ("demo", "new", "check", "screen", "sweep", "explain", "doctor", "export", "fetch")


@pytest.fixture(autouse=True)
def _wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal wide enough that a message is one line, and no colour codes in it."""
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setenv("NO_COLOR", "1")


def _process(*arguments: str, cwd: Path | None = None, code: str | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", code] if code else [sys.executable, "-m", "pipelines.cli.main", *arguments]
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(command, cwd=cwd or ROOT, env=env, capture_output=True, text=True, timeout=300, check=False)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example_that_runs_the_command(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run([command, "--help"]) == 0
    told = capsys.readouterr().out
    assert f"springfill {command}" in told
    assert "Example" in told


@pytest.mark.slow
def test_help_lists_every_command_and_loads_no_heavy_library() -> None:
    code = (
        "import sys, pipelines.cli.main as c; rc = c.run(['--help']);"
        "heavy = {'numpy', 'pandas', 'xarray', 'numba', 'geopandas', 'folium', 'matplotlib', 'scipy', 'pyproj'};"
        "print('HEAVY', sorted(heavy & set(sys.modules)));"
        "sys.exit(rc)"
    )
    done = _process(code=code)
    assert done.returncode == 0, done.stderr
    assert "HEAVY []" in done.stdout
    for command in COMMANDS:
        assert re.search(rf"\b{command}\b", done.stdout), command


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("springfill")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        pytest.param(["scren", "x.toml"], "scren", id="misspelt command"),
        pytest.param(["screen"], "STUDY.toml", id="no study file"),
        pytest.param(["explain", "x"], "--field", id="neither field nor point"),
        pytest.param(["explain", "x", "--field", "a", "--point", "1,2"], "either", id="both field and point"),
        pytest.param(["explain", "x", "--point", "here"], "LON,LAT", id="no point"),
        pytest.param(["explain", "x", "--point", "1,2,3"], "LON,LAT", id="three numbers"),
        pytest.param(["fetch", "x"], "--county", id="no area to fetch"),
        pytest.param(["fetch", "x", "--county", "31"], "five digits", id="short county code"),
        pytest.param(["fetch", "x", "--bounds", "1,2,3"], "four numbers", id="three bounds"),
        pytest.param(["fetch", "x", "--county", "31057", "--years", "2020-1991"], "1991-2020", id="years backwards"),
        pytest.param(
            ["fetch", "x", "--county", "31057", "--source", "soils"], "NAME=URL", id="source without address"
        ),
    ],
)
def test_wrong_usage_ends_with_two(arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(arguments) == 2
    error = capsys.readouterr().err
    assert told in error
    assert "Traceback" not in error


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        pytest.param(["screen", "nothing.toml"], "no study file", id="study file missing"),
        pytest.param(["check", "nothing.toml"], "no study file", id="check without a study file"),
        pytest.param(["explain", "nothing", "--field", "a"], "no such result folder", id="no result folder"),
        pytest.param(["export", "nothing", "x.shp"], ".gpkg (gpkg), .parquet", id="an ending that is no format"),
        pytest.param(["export", "nothing", "x.gpkg"], "no such result folder", id="no result to export"),
    ],
)
def test_a_users_error_ends_with_one_and_what_to_do(
    arguments: list[str],
    told: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.run(arguments) == 1
    error = capsys.readouterr().err
    assert told in error
    assert "to do:" in error
    assert "Traceback" not in error
    assert list(tmp_path.iterdir()) == []


def test_missing_layer_is_named_with_its_path(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = write_tiny_study(tmp_path, replace=(("/fields.gpkg", "/feilds.gpkg"),))
    assert cli.run(["screen", str(study), "--out", str(tmp_path / "out")]) == 1
    error = capsys.readouterr().err
    assert "feilds.gpkg" in error
    assert "Traceback" not in error
    assert not (tmp_path / "out").exists()


def test_an_unexpected_error_is_one_line_with_a_log(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a bug [red]with markup[/red]")

    monkeypatch.setattr(cli_run, "_screen", broken)
    monkeypatch.setattr(cli.tempfile, "tempdir", str(tmp_path))
    assert cli.run(["demo"]) == 1
    error = capsys.readouterr().err
    assert "ZeroDivisionError: a bug [red]with markup[/red]" in error
    assert "Traceback" not in error
    assert "--debug" in error
    log = next(tmp_path.glob("springfill-*.log"))
    assert str(log) in error
    assert "ZeroDivisionError" in log.read_text()
    assert "springfill demo" in log.read_text()


@pytest.mark.parametrize("arguments", [["--debug", "demo"], ["demo", "--debug"]])
def test_debug_shows_the_traceback(
    arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(cli_run, "_screen", broken)
    monkeypatch.setattr(cli.tempfile, "tempdir", str(tmp_path))
    assert cli.run(arguments) == 1
    assert "Traceback" in capsys.readouterr().err


def test_control_c_stops_with_130(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def slow(*_: object) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(5)

    monkeypatch.setattr(cli_run, "_screen", slow)
    before = signal.getsignal(signal.SIGINT)
    assert cli.run(["demo"]) == 130
    assert "as they were" in capsys.readouterr().err
    assert signal.getsignal(signal.SIGINT) is before


def test_new_writes_once_and_never_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "my county"
    assert cli.run(["new", str(folder)]) == 0
    study, _ = load_study(folder / "study.toml")
    assert study.study.name == "My county"
    (folder / "study.toml").write_text("mine")
    assert cli.run(["new", str(folder)]) == 1
    assert (folder / "study.toml").read_text() == "mine"
    assert cli.run(["new", str(folder / "study.toml")]) == 1
    assert "a file, not a folder" in capsys.readouterr().err


@pytest.mark.slow
def test_screen_prints_areas_that_add_up_files_and_what_to_open(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = write_tiny_study(tmp_path, sets=0, more="field_pages = false\n")
    assert cli.run(["screen", str(study), "--out", str(tmp_path / "out")]) == 0
    told, progress = capsys.readouterr()
    assert "Running the water balance" in progress
    assert "Running the water balance" not in told
    rows = re.finditer(r"^[1-7] .*?\s([\d,.]+)\s+\d+%\s*$", told, re.MULTILINE)
    areas = [float(m[1].replace(",", "")) for m in rows]
    total = int(re.search(r"all ground\s+([\d,]+)", told)[1].replace(",", ""))  # type: ignore[index]
    assert len(areas) == 7
    assert abs(sum(areas) - total) <= 7
    assert total == pytest.approx(8000 * 8000 / 4046.86, rel=0.02)  # international acre: 4,046.86 m2
    opened = re.search(r"Open (\S+index\.html)", told)
    assert opened
    assert Path(opened[1]).is_file()
    assert "fields/" not in told


@pytest.mark.slow
def test_screen_takes_its_folder_from_the_study_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    study = write_tiny_study(tmp_path / "given", sets=0, more="field_pages = false\n")
    monkeypatch.chdir(tmp_path)
    assert cli.run(["screen", str(study)]) == 0
    assert (tmp_path / "tiny" / "index.html").is_file()


def test_explain_a_field_and_a_point_from_the_command_line(
    tiny_run: TinyRun, capsys: pytest.CaptureFixture[str]
) -> None:
    field_id = str(tiny_run.published.result.fields["field_id"].iloc[0])
    assert cli.run(["explain", str(tiny_run.folder), "--field", field_id]) == 0
    assert field_id in capsys.readouterr().out
    assert cli.run(["explain", str(tiny_run.folder), "--point", "-102.84,40.06"]) == 0
    assert "Zone" in capsys.readouterr().out
    rated = tiny_run.published.result.fields.query("zone != 'not_rated'")
    place = rated.geometry.to_crs("EPSG:4326").iloc[0].representative_point()
    assert cli.run(["explain", str(tiny_run.folder), "-p", f"{place.x:.5f} {place.y:.5f}", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["longitude"] == pytest.approx(place.x, abs=1e-5)
    assert {(row["cover"], row["test"]) for row in found["reason"]["verdicts"]} == set(product(COVERS, TESTS))


def test_export_from_the_command_line(tiny_run: TinyRun, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "fields.geojson"
    assert cli.run(["export", str(tiny_run.folder), str(target), "--layer", "fields"]) == 0
    assert str(target) in capsys.readouterr().out
    features = json.loads(target.read_text())["features"]
    target.unlink()
    assert cli.run(["export", str(tiny_run.folder), str(target)]) == 0  # a file called after a layer asks for it
    assert json.loads(target.read_text())["features"] == features
    capsys.readouterr()
    assert cli.run(["export", str(tiny_run.folder), str(tmp_path / "mine.geojson")]) == 1
    assert "--layer" in capsys.readouterr().err
    assert len(features) == len(tiny_run.published.result.fields)
    assert cli.run(["export", str(tiny_run.folder), "any", "--format", "cog", "--list"]) == 0
    assert "zones" in capsys.readouterr().out.split()
    assert cli.run(["export", str(tiny_run.folder), str(target), "--layer", "feilds"]) == 1
    assert "Did you mean fields?" in capsys.readouterr().err


def test_doctor_finds_this_machine_fit(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["doctor"]) == 0
    told = capsys.readouterr().out
    assert "GDAL" in told
    assert "PROJ" in told


def test_doctor_names_two_copies_that_clash_and_what_does_not_load(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("rasterio.__gdal_version__", "1.11.5")
    monkeypatch.delattr("pyproj.proj_version_str")
    assert cli.run(["doctor"]) == 1
    told = capsys.readouterr().out
    assert "Two major versions of GDAL: 1.11.5 in rasterio" in told
    assert "PROJ in pyproj does not work: AttributeError" in told
    assert told.count("to do:") == 2


@pytest.mark.parametrize(
    ("text", "bounds"),
    [
        pytest.param("-103,40,-102,41", (-103.0, 40.0, -102.0, 41.0), id="commas"),
        pytest.param("-103 40 -102 41", (-103.0, 40.0, -102.0, 41.0), id="spaces"),
        pytest.param("part.gpkg", None, id="a file"),
        pytest.param("1,2,3", None, id="three numbers"),
    ],
)
def test_bounds(text: str, bounds: tuple[float, ...] | None) -> None:
    assert cli_layers.parse_bounds(text) == bounds


@pytest.mark.slow
def test_output_into_a_closed_pipe_is_quiet(tiny_run: TinyRun) -> None:
    field_id = str(tiny_run.published.result.fields["field_id"].iloc[0])
    command = f"{sys.executable} -m pipelines.cli.main explain {tiny_run.folder} --field {field_id} | head -1"
    done = subprocess.run(["bash", "-c", command], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert field_id in done.stdout
    assert "Traceback" not in done.stderr
