"""What makes a tile stale: its inputs, its settings, its neighbours; and nothing else."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from pipelines.scale.jobs import plan_jobs, unfinished
from pipelines.scale.region_file import load_region
from pipelines.scale.tile_run import KEPT, Job
from pipelines.scale.tiles import plan_tiles
from pipelines.study.tables import load_tables
from tests.pipelines.scale.regions import write_region
from tests.pipelines.tiny_study import write_tiny_study


def _row(folder: Path, shift: float = 0.0, third: str = "Third") -> None:
    """Four counties in a row; the border between the first two moves."""
    edges = [0, 1000 + shift, 2000, 3000, 4000]
    shapes = [shapely.box(a, 0, b, 1000) for a, b in zip(edges, edges[1:], strict=False)]
    names = ["First", "Second", third, "Fourth"]
    frame = gpd.GeoDataFrame({"code": list("abcd"), "label": names}, geometry=shapes, crs="EPSG:5070")
    frame.to_file(folder / "counties.gpkg")


def _keys(folder: Path) -> dict[str, str]:
    return {job.tile: job.key + job.layers for job in _jobs(folder)}


def _jobs(folder: Path) -> list[Job]:
    region, study, study_file, digests = load_region(folder / "region.toml")
    tiles = plan_tiles(region.tiles, study, folder, study_file.parent)
    return plan_jobs(region, study, study_file.parent, digests, tiles, load_tables(study), folder / "out")[0]


@pytest.fixture
def home(tmp_path: Path) -> Path:
    fields = tmp_path / "fields.gpkg"
    gpd.GeoDataFrame({"field_id": ["1"]}, geometry=[shapely.box(0, 0, 90, 90)], crs="EPSG:5070").to_file(fields)
    text = (tmp_path / "text").as_posix()
    study = write_tiny_study(tmp_path, sets=0)
    lines = study.read_text().splitlines()
    lines = [f'path = "{fields.as_posix()}"' if "fields.gpkg" in line else line for line in lines]
    study.write_text("\n".join(line for line in lines if text not in line) + "\n")
    _row(tmp_path)
    write_region(tmp_path, study, 'path = "counties.gpkg"\nid = "code"\nname = "label"')
    (tmp_path / "out").mkdir()
    return tmp_path


def _edit(name: str, old: str, new: str) -> Callable[[Path], None]:
    def edit(folder: Path) -> None:
        text = (folder / name).read_text()
        assert old in text
        (folder / name).write_text(text.replace(old, new))

    return edit


def _add_field(folder: Path) -> None:
    shapes = [shapely.box(0, 0, 90, 90), shapely.box(200, 0, 290, 90)]
    gpd.GeoDataFrame({"field_id": ["1", "2"]}, geometry=shapes, crs="EPSG:5070").to_file(folder / "fields.gpkg")


@pytest.mark.parametrize(
    ("change", "stale"),
    [
        pytest.param(_edit("study.toml", "[soils]", "# a comment\n[soils]"), "", id="a comment in the study file"),
        pytest.param(_edit("region.toml", "[tiles]", "# a comment\n[tiles]"), "", id="a comment in the region file"),
        pytest.param(_edit("study.toml", 'out = "tiny"', 'out = "other"'), "", id="another folder in the study file"),
        pytest.param(_edit("study.toml", "seed = 20", "seed = 21"), "abcd", id="the seed"),
        pytest.param(_edit("study.toml", "[soils]", "[rules]\nshortfall_max = 0.3\n[soils]"), "abcd", id="a rule"),
        pytest.param(_add_field, "abcd", id="a layer"),
        pytest.param(lambda folder: _row(folder, shift=120), "abc", id="a border: both sides and the neighbour"),
        pytest.param(lambda folder: _row(folder, third="Other"), "c", id="the name of one"),
    ],
)
def test_what_makes_a_tile_stale(home: Path, change: Callable[[Path], None], stale: str) -> None:
    before = _keys(home)
    change(home)
    after = _keys(home)
    assert "".join(tile for tile in before if before[tile] != after[tile]) == stale


def test_only_whole_tiles_with_the_same_key_are_finished(home: Path) -> None:
    jobs = _jobs(home)
    a, b, c, d = jobs
    for job, record in (
        (a, {"status": "done", "key": a.key, "layers": a.layers}),
        (b, {"status": "done", "key": "another", "layers": b.layers}),
        (c, {"status": "empty", "key": c.key, "layers": c.layers}),
        (d, {"status": "done", "key": d.key, "layers": d.layers}),
    ):
        job.home.mkdir(parents=True)
        (job.home / "tile.json").write_text(json.dumps(record))
    for name in KEPT:
        (a.home / name).parent.mkdir(exist_ok=True)
        (a.home / name).write_text("here")
    assert [job.tile for job in unfinished(jobs)] == ["b", "d"]  # d: its files are gone
    assert [job.tile for job in unfinished([replace(job, again=True) for job in jobs])] == ["a", "b", "c", "d"]
    assert [job.tile for job in unfinished([replace(job, layers="new") for job in jobs])] == ["a", "b", "c", "d"]
    (a.home / "tile.json").write_text("{ half a rec")
    assert [job.tile for job in unfinished(jobs)] == ["a", "b", "d"]
