"""One county screened out of a state-wide raster, from study file to published folder, within the memory limit."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from rasterio.features import rasterize
from rasterio.transform import from_origin
from rasterio.windows import Window

from tests import format_sets as fs

pytestmark = pytest.mark.slow

SIDE = 62_000  # cells a side: 3.8 thousand million, 15 GB as 32-bit integers; 620 km, a large state
CELL = 10.0
COUNTY = (-615_840.0, 1_884_480.0, -567_930.0, 1_933_140.0)
LIMIT_MB = 1_500
WIDE = (-651_880.0, 1_848_810.0, -531_880.0, 1_968_810.0)
"""120 km a side, 14,400 km2: seven times the county, 144 million cells of the state's raster."""

SCREEN = """
import json, sys
from pathlib import Path
from tests.memory import peak_mb
from pipelines.show.publish import screen
published = screen(Path(sys.argv[1]), lambda *step: None, Path(sys.argv[2]))
zones = published.result.zones
print(json.dumps({
    "peak_mb": peak_mb(),
    "seconds": published.seconds,
    "grid": [published.result.grid.shape.y, published.result.grid.shape.x],
    "mapped": float((published.result.site_raster >= 0).mean()),
    "fields": len(published.result.fields),
    "zones": sorted(set(zones["zone"])),
}))
"""


@pytest.fixture(scope="module")
def state(tmp_path_factory):
    """Write a sparse tiled raster of a state in which only the county is filled in, and the tables beside it."""
    folder = tmp_path_factory.mktemp("state")
    left, bottom, right, top = COUNTY
    x = left - 30_000 * CELL - fs.SNAP_M
    y = top + 20_000 * CELL + fs.SNAP_M
    profile = {
        "driver": "GTiff", "count": 1, "height": SIDE, "width": SIDE, "dtype": "int32", "crs": fs.CRS,
        "transform": from_origin(x, y, CELL, CELL), "nodata": 2147483647, "tiled": True, "blockxsize": 512,
        "blockysize": 512, "compress": "DEFLATE", "SPARSE_OK": True, "BIGTIFF": "YES",
    }  # fmt: skip
    layer = gpd.read_file(fs.SAMPLE / "soils" / "spatial" / "soilmu_a_xx901.shp").to_crs(fs.CRS)
    height, width = int((top - bottom) / CELL) + 200, int((right - left) / CELL) + 200
    codes = rasterize(
        zip(layer.geometry, layer["MUKEY"].astype(int), strict=True),
        (height, width),
        fill=2147483647,
        transform=from_origin(left - fs.SNAP_M - 100 * CELL, top + fs.SNAP_M + 100 * CELL, CELL, CELL),
        dtype="int32",
    )
    for name, rows, columns in (("MapunitRaster_10m", height, width), ("wide", 12_200, 12_200)):
        window = Window(29_900 - (columns - width) // 2, 19_900 - (rows - height) // 2, columns, rows)
        with rasterio.open(folder / f"{name}.tif", "w", **profile) as target:
            for start in range(0, rows, 1_000):  # the wide one repeats the county in all directions
                some = codes[np.arange(start, min(start + 1_000, rows)) % height][:, np.arange(columns) % width]
                target.write(some[None], window=Window(window.col_off, window.row_off + start, *some.shape[::-1]))
    fs.write_soil_tables(folder / "state.gdb")
    return folder


def polygon_share() -> float:
    """Return the share of the county's box that the polygons cover."""
    layer = gpd.read_file(fs.SAMPLE / "soils" / "spatial" / "soilmu_a_xx901.shp").to_crs(fs.CRS)
    left, bottom, right, top = COUNTY
    return float(layer.area.sum() / ((right - left) * (top - bottom)))


def screened(folder: Path, raster: Path, bounds: tuple[float, ...]) -> dict:
    """Screen a window of the state in a process of its own; return what it says of itself."""
    study = fs.write_study(
        folder,
        soils=f'path = "{raster}"',
        climate=f'path = "{fs.SAMPLE}/climate/daily.nc"',
        fields=f'path = "{fs.SAMPLE}/fields.gpkg"',
    )
    text = study.read_text().replace(str(list(fs.BOUNDS)), str(list(bounds)))
    study.write_text(text.replace("parameter_sets = 0", "parameter_sets = 0\nfield_pages = false"))
    done = subprocess.run(
        [sys.executable, "-c", SCREEN, str(study), str(folder / "out")],
        capture_output=True,
        text=True,
        cwd=Path(__file__).resolve().parents[2],
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return json.loads(done.stdout.strip().splitlines()[-1])


def test_a_county_out_of_a_state_is_screened_below_the_memory_limit(state, tmp_path, record_property):
    seen = screened(tmp_path, state / "MapunitRaster_10m.tif", COUNTY)
    record_property("seen", seen)
    assert seen["peak_mb"] < LIMIT_MB, seen
    assert seen["grid"] == [1622, 1597]
    # The polygons cover this share of their own box: a county drawn in degrees leaves the corners of an Albers box.
    assert seen["mapped"] == pytest.approx(polygon_share(), abs=0.002)
    assert seen["fields"] == 380
    assert len(seen["zones"]) > 3
    assert (tmp_path / "out" / "index.html").exists()


def test_a_window_of_14400_km2_stays_below_the_same_limit(state, tmp_path, record_property):
    """With its height model, layers and county map; this took 3 GB when each step held the whole window."""
    seen = screened(tmp_path, state / "wide.tif", WIDE)
    record_property("seen", seen)
    assert seen["peak_mb"] < LIMIT_MB, seen
    assert seen["grid"][0] * seen["grid"][1] >= 16_000_000
    assert seen["mapped"] > 0.8
    assert seen["fields"] == 380


def test_without_bounds_the_fields_make_the_window(state, tmp_path):
    """The kind is found from the file; nobody has to say that this raster must be read by window."""
    some = fs.fields().iloc[:5]
    some.to_file(tmp_path / "fields.gpkg")
    study = fs.write_study(
        tmp_path,
        soils=f'path = "{state}/MapunitRaster_10m.tif"',
        climate=f'path = "{fs.SAMPLE}/climate/daily.nc"',
        fields='path = "fields.gpkg"',
    )
    lines = [line for line in study.read_text().splitlines() if not line.startswith("bounds")]
    study.write_text("\n".join(lines))
    result = fs.run(study)
    assert len(result.fields) == len(some)
    assert np.isin(result.fields["zone"], ["not_rated"]).mean() < 1
    assert (result.site_raster >= 0).mean() > 0.5
