"""Running a region: failing and empty tiles, a killed run, a scheduler, the page."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import psutil
import pytest
import rasterio

from geo.errors import StudyError
from pipelines.cli import main as cli
from pipelines.scale import cluster
from pipelines.scale.region_file import WorkersTable
from pipelines.scale.swept import Swept
from pipelines.scale.tile_run import Job
from pipelines.study.file import load_study
from pipelines.study.house import sample_dir
from tests.pipelines.scale.regions import die_on_the_second, halves, run_here, write_region
from tests.pipelines.tiny_study import BOUNDS, write_tiny_study

ROOT = Path(__file__).resolve().parents[3]
HOSTILE = '<img src=x onerror="alert(1)">'
_NO_HEIGHTS = (f'[elevation]\npath = "{sample_dir().as_posix()}/elevation.tif"\n\n', "")
"""Without heights there is no pass over the slopes, which makes the tests of the flow quick."""
_NO_BOUNDS = (f"bounds = {list(BOUNDS)}\n", "")


def _quick_study(folder: Path, *more: tuple[str, str]) -> Path:
    return write_tiny_study(folder, sets=0, replace=(_NO_HEIGHTS, *more), more="field_pages = false\n")


@pytest.fixture(scope="module")
def one_fails(tmp_path_factory: pytest.TempPathFactory) -> Swept:
    """Two counties and a far one without soils; in the east of the second the heights are impossible."""
    home = tmp_path_factory.mktemp("fails")
    counties = halves(names=(HOSTILE, "East"), far=True)
    counties.to_file(home / "counties.gpkg")
    with rasterio.open(sample_dir() / "elevation.tif") as source:
        values, profile = source.read(), source.profile
        x, y = counties.geometry.iloc[[1]].to_crs(source.crs).total_bounds[[2, 1]]
        row, column = source.index(x - 0.005, y + 0.02)
    values[0, row - 2 : row + 3, column - 2 : column + 3] = 20_000
    with rasterio.open(home / "heights.tif", "w", **profile) as spoilt:
        spoilt.write(values)
        spoilt.units = ("m",)
    study = write_tiny_study(
        home, sets=0,
        replace=((f"{sample_dir().as_posix()}/elevation.tif", f"{home.as_posix()}/heights.tif"), _NO_BOUNDS),
    )  # fmt: skip
    region = write_region(home, study, 'path = "counties.gpkg"\nid = "code"\nname = "label"')
    return run_here(region, home / "out")


def test_a_failing_tile_is_listed_and_the_others_go_on(one_fails: Swept) -> None:
    out = one_fails.folder
    record = json.loads((out / "run.json").read_text())
    status = {tile["tile"]: tile["status"] for tile in record["tiles"]}
    assert status == {"08001": "done", "08003": "failed", "08005": "empty"}
    why = next(tile for tile in record["tiles"] if tile["tile"] == "08003")
    assert "which no farmland has" in why["what"]
    assert "heights.tif" in why["where"]
    assert (out / "tiles" / "08001" / "index.html").is_file()
    assert not (out / "tiles" / "08003").exists()
    problems = (out / "problems.csv").read_text(encoding="utf-8-sig")
    assert '"08003"' in problems
    assert '"08005"' in problems


def test_a_tile_has_a_page_for_each_of_its_fields_and_says_where_it_belongs(one_fails: Swept) -> None:
    (record,) = one_fails.of("done")
    home = one_fails.folder / "tiles" / record["tile"]
    assert (home / "index.html").stat().st_size > 10_000
    assert len(list((home / "fields").glob("*.html"))) == record["counts"]["fields"] > 3
    settings = json.loads((home / "run.json").read_text())["settings"]
    assert settings["tile"] == {"id": "08001", "name": HOSTILE, "region": "Tiny region (invented)"}


def test_the_exit_code_and_the_summary_tell_of_the_failure(
    one_fails: Swept, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("pipelines.scale.sweep.sweep", lambda *_, **__: one_fails)
    assert cli.run(["sweep", "region.toml"]) == 1
    told = capsys.readouterr().out
    assert "1 of 3 tiles" in told
    assert "1 without soil" in told
    assert "08003: Heights run" in told
    assert "Open " in told


def test_the_page_escapes_names_and_names_what_is_missing(one_fails: Swept) -> None:
    text = (one_fails.folder / "index.html").read_text()
    assert "<script" not in text
    assert "<img src=x" not in text
    assert "&lt;img src=x" in text
    assert "default-src &#39;none&#39;" in text or "default-src 'none'" in text
    assert str(one_fails.folder.parent) not in text  # no path of this machine
    assert "East (Failed)" in text
    assert "Far (Nothing to map there)" in text


def test_the_page_links_to_every_tile_and_shows_the_ground(four_squares: Swept) -> None:
    text = (four_squares.folder / "index.html").read_text()
    links = set(re.findall(r'href="(tiles/[^"]+)"', text))
    assert len(links) == 4
    for link in links:
        assert (four_squares.folder / link).is_file()
    acres = four_squares.areas_ha().sum() / 0.40468564224  # international acre
    assert f"{acres:,.0f} acres" in text
    assert not re.search(r"(?:src|href)=.(?:https?:)?//", text)
    assert len(text) < 300_000


@pytest.mark.slow
def test_a_killed_run_goes_on_where_it_was(tmp_path: Path) -> None:
    halves().to_file(tmp_path / "counties.gpkg")
    region = write_region(tmp_path, _quick_study(tmp_path), 'path = "counties.gpkg"\nid = "code"')
    out = tmp_path / "out"
    command = [sys.executable, "-m", "pipelines.cli.main", "sweep", str(region), "--out", str(out), "--workers", "1"]
    with (tmp_path / "log").open("w") as log:
        process = subprocess.Popen(command, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, stderr=log)
    while not list(out.glob("tiles/0*/tile.json")) and process.poll() is None:
        time.sleep(0.05)
    children = psutil.Process(process.pid).children(recursive=True) if process.poll() is None else []
    os.kill(process.pid, signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL, (tmp_path / "log").read_text()
    assert children
    _, alive = psutil.wait_procs(children, timeout=30)
    assert not alive  # the workers end with their client
    (first,) = (f.parent for f in out.glob("tiles/0*/tile.json"))
    stamps = {f: f.stat().st_mtime_ns for f in first.rglob("*") if f.is_file()}
    assert len(stamps) > 20
    assert not (out / "index.html").exists()

    swept = run_here(region, out)
    assert swept.fresh == 1
    assert [r["status"] for r in swept.records] == ["done", "done"]
    assert {f: f.stat().st_mtime_ns for f in first.rglob("*") if f.is_file()} == stamps
    assert not list(out.rglob(".part-*"))
    assert (out / "index.html").is_file()
    assert run_here(region, out).fresh == 0

    # Another file of fields, one of them renamed: only the tile that has this field reads something else.
    fields = gpd.read_file(sample_dir() / "fields.gpkg")
    own = gpd.read_parquet(out / "fields" / "tile=08003")["field_id"].iloc[0]
    fields.loc[fields["field_id"] == own, "name"] = "Renamed"
    fields.to_file(tmp_path / "fields.gpkg", layer="fields")
    study = tmp_path / "study.toml"
    study.write_text(study.read_text().replace(f"{sample_dir().as_posix()}/fields.gpkg", "fields.gpkg"))
    assert run_here(region, out).fresh == 1
    renamed = gpd.read_parquet(out / "fields").set_index("field_id")
    assert renamed.loc[own, "name"] == "Renamed"
    assert renamed.loc[own, "tile_id"] == "08003"
    assert run_here(region, out).fresh == 0


def test_tiles_run_behind_a_scheduler(tmp_path: Path) -> None:
    from distributed import LocalCluster

    region = write_region(tmp_path, _quick_study(tmp_path), 'size_km = 4\nonly = ["r002c002"]')
    with LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, protocol="tcp://", dashboard_address=None
    ) as there:
        assert there.scheduler_address.startswith("tcp://")
        swept = run_here(region, tmp_path / "out", scheduler=there.scheduler_address)
        assert len(there.scheduler.workers) == 1  # a cluster that is not ours goes on
    assert [r["status"] for r in swept.records] == ["done"]
    assert there.scheduler_address in json.loads((tmp_path / "out" / "run.json").read_text())["workers"]


def test_a_scheduler_that_does_not_answer_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "_CONNECT_S", 0.5)
    region = write_region(tmp_path, _quick_study(tmp_path), "size_km = 4")
    with pytest.raises(StudyError, match="does not answer") as caught:
        run_here(region, tmp_path / "out", scheduler="tcp://127.0.0.1:9")
    assert "dask scheduler" in caught.value.fix
    with pytest.raises(StudyError, match="not the address of a scheduler"):
        run_here(region, tmp_path / "out", scheduler="127.0.0.1")


@pytest.mark.parametrize(
    ("table", "jobs", "cores", "memory_gb", "expected"),
    [
        pytest.param({}, 40, 8, 64, (8, 1), id="a worker a core"),
        pytest.param({}, 40, 8, 8, (3, 2), id="as many as the memory holds, cores shared out"),
        pytest.param({}, 2, 8, 64, (2, 4), id="no more than tiles"),
        pytest.param({}, 40, 2, 1, (1, 2), id="at least one"),
        pytest.param({"count": 5, "threads": 3}, 40, 8, 8, (5, 3), id="as asked"),
        pytest.param({"memory_gb": 8.0}, 40, 16, 64, (6, 2), id="large tiles"),
    ],
)
def test_workers_are_sized_by_cores_and_memory(
    table: dict[str, float], jobs: int, cores: int, memory_gb: float, expected: tuple[int, int]
) -> None:
    found = cluster.size_crew(WorkersTable(**table), jobs, cores, memory_gb * 1024**3)  # type: ignore[arg-type]
    assert found == expected


def test_a_missing_library_names_the_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(cluster.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setenv("COLUMNS", "200")
    assert cli.run(["sweep", "region.toml"]) == 1
    assert "python -m pip install 'springfill[scale]'" in capsys.readouterr().err


def test_a_second_run_in_the_same_folder_is_refused(tmp_path: Path) -> None:
    fcntl = pytest.importorskip("fcntl")
    region = write_region(tmp_path, _quick_study(tmp_path), "size_km = 4")
    (tmp_path / "out").mkdir()
    with (tmp_path / "out" / ".lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        with pytest.raises(StudyError, match="Another run is at work"):
            run_here(region, tmp_path / "out")


def test_nothing_but_failures_is_an_error(tmp_path: Path) -> None:
    far = ", ".join(f"{v + 500_000}" for v in BOUNDS)
    study = _quick_study(tmp_path, (", ".join(map(str, BOUNDS)), far))
    with pytest.raises(StudyError, match="No tile could be run") as caught:
        run_here(write_region(tmp_path, study, "size_km = 8"), tmp_path / "out")
    assert "soil" in str(caught.value)
    assert not (tmp_path / "out" / "index.html").exists()


@pytest.mark.slow
def test_a_worker_that_dies_fails_its_tile_alone(tmp_path: Path) -> None:
    jobs = [
        Job(i, str(i), "", tmp_path, load_study(_quick_study(tmp_path))[0], tmp_path, "", "", tmp_path)
        for i in range(3)
    ]
    found: dict[int, dict[str, object]] = {}

    def done(job: Job, result: object) -> None:
        lost = isinstance(result, BaseException)
        found[job.index] = cluster.lost_worker(job, result) if lost else {"status": result}  # type: ignore[arg-type]

    told: list[float] = []
    with cluster.crew(WorkersTable(count=1), len(jobs)) as team:
        cluster.work(team, die_on_the_second, jobs, done, told.append)
    assert {i: r["status"] for i, r in found.items()} == {0: "done", 1: "failed", 2: "done"}
    assert "memory_gb" in str(found[1]["fix"])
    assert told[-1] == 3
