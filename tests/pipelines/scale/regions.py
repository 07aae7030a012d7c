"""Region files for the tests: the tiny study of the invented county, cut into tiles."""

from __future__ import annotations

import os
from pathlib import Path

import geopandas as gpd
import shapely

from pipelines.scale.sweep import sweep
from pipelines.scale.swept import Swept
from pipelines.scale.tile_run import Job
from tests.pipelines.tiny_study import BOUNDS

PIXEL = 60.0


def write_region(folder: Path, study: Path, tiles: str, more: str = "") -> Path:
    """Write a region file and return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "region.toml"
    head = f'[region]\nname = "Tiny region (invented)"\nstudy = "{study.as_posix()}"\nout = "region"\n\n'
    path.write_text(f"{head}[tiles]\n{tiles}\n{more}", encoding="utf-8")
    return path


def halves(names: tuple[str, str] = ("West", "East"), far: bool = False) -> gpd.GeoDataFrame:
    """Return the window of the tiny study as two invented counties with a crooked border; far: one without soils."""
    left, bottom, right, top = BOUNDS
    middle = (left + right) / 2
    border = [(middle - 500, bottom), (middle + 700, (bottom + top) / 2 + 31), (middle - 200, top)]
    west = shapely.Polygon([(left, bottom), *border, (left, top)])
    east = shapely.Polygon([*border, (right, top), (right, bottom)])
    shapes, codes, words = [west, east], ["08001", "08003"], list(names)
    if far:
        shapes.append(shapely.box(left - 90_000, bottom, left - 85_000, bottom + 5000))
        codes.append("08005")
        words.append("Far")
    return gpd.GeoDataFrame({"code": codes, "label": words}, geometry=shapes, crs="EPSG:5070")


def run_here(region: Path, out: Path, **options: object) -> Swept:
    """Run a region in this process."""
    return sweep(region, lambda *_: None, out, processes=False, **options)  # type: ignore[arg-type]


def die_on_the_second(job: Job) -> str:
    """End the worker on the second job, as a machine does that runs out of memory."""
    if job.index == 1:
        os._exit(1)
    return "done"
