"""A state-wide raster is read by window: memory stays far below the size of the raster."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin
from rasterio.windows import Window

from geo.errors import StudyError
from pipelines.read.soils.dispatch import read_soils
from tests.pipelines import soil_files as sf

pytestmark = pytest.mark.slow

SIDE = 60_000  # cells a side: 3.6 thousand million, 14 GB as 32-bit integers
COUNTY = 3_000

_READ = """
import json, sys
from tests.memory import peak_mb
from pipelines.read.soils.dispatch import read_soils
x0, y0 = {origin}
cell, county = 10.0, {county}
left, top = x0 + 30_000 * cell, y0 - 20_000 * cell
area = (left, top - county * cell, left + county * cell, top, "EPSG:5070")
start = peak_mb()
soils, problems = read_soils(sys.argv[1], area=area, variables={{"tables": sys.argv[2]}})
peak = peak_mb()
print(json.dumps({{"peak_mb": peak, "start_mb": start, "shape": soils.code_raster.shape,
                   "units": list(soils.map_units.index)}}))
"""


@pytest.fixture(scope="module")
def state(tmp_path_factory):
    """Write a sparse tiled raster of a state with one county filled in, and the tables beside it."""
    folder = tmp_path_factory.mktemp("state")
    path = folder / "MapunitRaster_10m.tif"
    profile = {
        "driver": "GTiff",
        "count": 1,
        "height": SIDE,
        "width": SIDE,
        "dtype": "int32",
        "crs": "EPSG:5070",
        "transform": from_origin(*sf.ORIGIN, 10.0, 10.0),
        "nodata": 2147483647,
        "tiled": True,
        "blockxsize": 512,
        "blockysize": 512,
        "compress": "DEFLATE",
        "SPARSE_OK": True,
        "BIGTIFF": "YES",
    }
    block = np.kron(sf.code_array(), np.ones((38, 38), dtype="int32"))
    with rasterio.open(path, "w", **profile) as target:
        for i in range(3):
            for j in range(3):
                window = Window(29_720 + j * block.shape[1], 19_720 + i * block.shape[0], *block.shape[::-1])
                target.write(block[None], window=window)
    return path, sf.write_geodatabase(folder / "state.gdb")


def test_a_county_out_of_a_state_stays_below_the_memory_limit(state):
    raster, tables = state
    code = _READ.format(origin=sf.ORIGIN, county=COUNTY)
    done = subprocess.run(
        [sys.executable, "-c", code, str(raster), str(tables)],
        capture_output=True,
        text=True,
        cwd=Path(__file__).resolve().parents[2],
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    seen = json.loads(done.stdout.strip().splitlines()[-1])
    assert seen["shape"] == [COUNTY + 2, COUNTY + 2]
    assert sorted(seen["units"]) == sorted(sf.MUKEYS)
    assert seen["peak_mb"] < 1500
    assert seen["peak_mb"] - seen["start_mb"] < 900


def test_a_state_without_a_window_is_refused(state):
    raster, tables = state
    with pytest.raises(StudyError, match="3,600 million cells"):
        read_soils(raster, variables={"tables": str(tables)})
