"""Elevation onto the study grid."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import rasterio
from pyproj import Transformer
from rasterio.transform import from_origin

from geo.errors import StudyError
from geo.ground.grid import study_grid
from geo.ground.terrain import slope_percent
from pipelines.read.elevation import read_elevation

X, Y = -600_000.0, 1_900_020.0
GRID = study_grid((X, Y, X + 1500, Y + 1200))


def write(path, values, origin, cell, crs="EPSG:5070", unit="m", nodata=None, **more):
    profile = {"driver": "GTiff", "count": 1, "dtype": values.dtype.name, "crs": crs, "nodata": nodata}
    height, width = values.shape
    with rasterio.open(
        path, "w", width=width, height=height, transform=from_origin(*origin, cell, cell), **profile, **more
    ) as out:
        out.write(values, 1)
        if unit:
            out.units = (unit,)
    return path


def plane(cell, margin=600.0, east=0.03, south=0.04):
    """Return a plane that rises 3 % eastward and 4 % southward: slope 5 % everywhere."""
    width, height = (int((side + 2 * margin) / cell) for side in (1500, 1200))
    rows, columns = np.mgrid[0:height, 0:width]
    values = 1200 + ((columns + 0.5) * east + (rows + 0.5) * south) * cell
    return values.astype("float32"), (X - margin, Y + 1200 + margin)


@pytest.mark.parametrize("cell", [5.0, 10.0, 30.0, 90.0])
def test_finer_and_coarser_sources_keep_the_slope(tmp_path, cell):
    values, origin = plane(cell)
    heights, problems = read_elevation(write(tmp_path / "dem.tif", values, origin, cell), GRID)
    assert heights.shape == GRID.shape
    assert problems == []
    np.testing.assert_allclose(slope_percent(heights, 30.0)[1:-1, 1:-1], 5.0, atol=0.02)
    expected = 1200 + (600 + 15) * 0.03 + (600 + 15) * 0.04
    assert heights[0, 0] == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize(
    ("unit", "stored", "factor"),
    [
        ("ft", "", 0.3048),
        (None, "foot", 0.3048),
        (None, "US survey foot", 1200 / 3937),  # NIST SP 811 app. B
        (None, "cm", 0.01),
        (None, "0.1 m", 0.1),
        ("m", "ft", 1.0),
    ],
)
def test_vertical_units(tmp_path, unit, stored, factor):
    values, origin = plane(30.0)
    path = write(tmp_path / "dem.tif", (values / factor).astype("float32"), origin, 30.0, unit=stored)
    heights, problems = read_elevation(path, GRID, unit=unit)
    assert heights.mean() == pytest.approx(1200 + 0.03 * 1350 + 0.04 * 1200, abs=1.0)
    assert problems == []


def test_an_unstated_unit_is_listed(tmp_path):
    values, origin = plane(30.0)
    _, problems = read_elevation(write(tmp_path / "dem.tif", values, origin, 30.0, unit=""), GRID)
    assert [p.what for p in problems] == ["the file does not say its vertical unit; metres were taken"]


def test_degrees_are_brought_to_the_grid(tmp_path):
    to_degrees = Transformer.from_crs(5070, 4326, always_xy=True)
    lon, lat = to_degrees.transform(X + 750, Y + 600)
    step = 1 / 10800  # one third of an arc second
    rows, columns = np.mgrid[0:400, 0:400]
    west, north = lon - 200 * step, lat + 200 * step
    x, y = Transformer.from_crs(4326, 5070, always_xy=True).transform(
        west + (columns + 0.5) * step, north - (rows + 0.5) * step
    )
    values = (1200 + 0.03 * (x - X) - 0.04 * (y - Y)).astype("float32")
    heights, _ = read_elevation(write(tmp_path / "dem.tif", values, (west, north), step, crs="EPSG:4326"), GRID)
    np.testing.assert_allclose(slope_percent(heights, 30.0)[2:-2, 2:-2], 5.0, atol=0.25)


def test_no_data_stays_unknown_and_is_counted(tmp_path):
    values, origin = plane(30.0)
    values[:, :35] = -9999
    heights, problems = read_elevation(write(tmp_path / "dem.tif", values, origin, 30.0, nodata=-9999), GRID)
    assert np.isnan(heights[:, :15]).all()
    assert np.isfinite(heights[:, 16:]).all()
    assert problems[0].what.startswith("30.0% of the study grid has no elevation")
    soils = np.zeros(GRID.shape, bool)
    soils[:, 20:] = True
    _, problems = read_elevation(tmp_path / "dem.tif", GRID, needed=soils)
    assert problems == []


def test_only_the_window_is_read(tmp_path):
    path = tmp_path / "state.tif"
    sparse = {"tiled": True, "blockxsize": 512, "blockysize": 512, "compress": "deflate", "sparse_ok": True}
    profile = {
        "driver": "GTiff",
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:5070",
        "width": 60_000,
        "height": 60_000,
    }
    with rasterio.open(
        path, "w", transform=from_origin(-1_000_000, 2_300_000, 10, 10), nodata=-9999, **profile, **sparse
    ) as out:
        window = rasterio.windows.from_bounds(X - 100, Y - 100, X + 1600, Y + 1300, transform=out.transform)
        window = window.round_offsets().round_lengths()
        out.write(np.full((int(window.height), int(window.width)), 1234.0, "float32"), 1, window=window)
    tracemalloc.start()
    heights, _ = read_elevation(path, GRID, unit="m")
    assert tracemalloc.get_traced_memory()[1] < 50e6
    tracemalloc.stop()
    np.testing.assert_allclose(heights, 1234.0)


def bad(kind, folder):
    values, origin = plane(30.0)
    path = folder / "dem.tif"
    if kind == "far_away":
        write(path, values, (0.0, 1_000_000.0), 30.0)
    elif kind == "no_crs":
        write(path, values, origin, 30.0, crs=None)
    elif kind == "all_no_data":
        write(path, np.full_like(values, -9999), origin, 30.0, nodata=-9999)
    elif kind == "unmarked_no_data":
        values[40:50, 40:50] = -32768
        write(path, values, origin, 30.0)
    elif kind == "odd_unit":
        write(path, values, origin, 30.0, unit="fathom")
    elif kind == "text":
        path.write_text("no raster")
    return path


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("missing", "does not exist"), ("far_away", "does not meet"), ("no_crs", "coordinate reference system"),
        ("all_no_data", "no heights"), ("unmarked_no_data", "no farmland"), ("odd_unit", "fathom"),
        ("text", "cannot be read"),
    ],
)  # fmt: skip
def test_unusable_elevation_ends_in_one_message_with_a_fix(tmp_path, kind, says):
    path = bad(kind, tmp_path)
    with pytest.raises(StudyError, match=says) as error:
        read_elevation(path, GRID)
    assert error.value.fix
    assert str(tmp_path) in error.value.where


def test_a_band_that_is_not_there_is_named(tmp_path):
    values, origin = plane(30.0)
    with pytest.raises(StudyError, match="no band 2"):
        read_elevation(write(tmp_path / "dem.tif", values, origin, 30.0), GRID, band=2)
