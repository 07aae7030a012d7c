"""Slope from elevation."""

from __future__ import annotations

import shutil
import subprocess

import numpy as np
import pytest
import rasterio
from hypothesis import given, settings
from hypothesis import strategies as st
from rasterio.transform import from_origin
from scipy import ndimage
from scipy.sparse import csr_matrix

from geo.errors import StudyError
from geo.ground.terrain import site_means, slope_percent
from geo.rating import place_means

# Neighbourhood, cell size (m), dz/dx, dz/dy.
WORKED = [
    pytest.param(
        [[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5.0, 0.05, -3.8, id="worked example of the 3x3 method, from memory"
    ),
    pytest.param([[0, 1, 2], [0, 1, 2], [0, 1, 2]], 10.0, 0.1, 0.0, id="plane, by hand"),
    pytest.param([[0, 0, 0], [0, 9, 0], [0, 0, 0]], 10.0, 0.0, 0.0, id="the centre has no weight, Horn 1981"),
    pytest.param([[0, 0, 8], [0, 0, 0], [0, 0, 0]], 1.0, 1.0, -1.0, id="corner weighs 1 of 8, Horn 1981"),
    pytest.param([[0, 0, 0], [0, 0, 8], [0, 0, 0]], 1.0, 2.0, 0.0, id="side weighs 2 of 8, Horn 1981"),
]


@pytest.mark.parametrize(("heights", "cell", "east", "south"), WORKED)
def test_horn_on_one_neighbourhood(heights, cell, east, south):
    slope = slope_percent(np.array(heights, float), cell)
    assert slope[1, 1] == pytest.approx(100 * np.hypot(east, south), rel=1e-6)


@given(
    a=st.floats(-0.5, 0.5), b=st.floats(-0.5, 0.5), dy=st.sampled_from([10.0, 30.0]),
    dx=st.sampled_from([10.0, 30.0]), hole=st.tuples(st.integers(2, 4), st.integers(2, 6)),
)  # fmt: skip
@settings(max_examples=50, deadline=None)
def test_a_plane_has_one_slope_up_to_its_edges_and_round_a_hole(a, b, dy, dx, hole):
    rows, columns = np.mgrid[0:7, 0:9]
    plane = 1200 + a * columns * dx + b * rows * dy
    slope = slope_percent(plane, (dy, dx))
    np.testing.assert_allclose(slope, 100 * np.hypot(a, b), rtol=1e-4, atol=1e-3)
    plane[hole] = np.nan
    holed = slope_percent(plane, (dy, dx))
    np.testing.assert_array_equal(np.isnan(holed), np.isnan(plane))
    np.testing.assert_allclose(holed[np.isfinite(plane)], 100 * np.hypot(a, b), rtol=1e-4, atol=1e-3)


def rough(shape=(60, 80)):
    return ndimage.gaussian_filter(np.random.default_rng(5).normal(0, 300, shape), 4) + 1300


def test_agrees_with_the_weighted_difference_filter_of_a_general_library():
    # scipy's Sobel filter has the same 1, 2, 1 weights.
    heights = rough()
    east, south = (ndimage.sobel(heights, axis=k) / (8 * 30) for k in (1, 0))
    expected = 100 * np.hypot(east, south)
    np.testing.assert_allclose(slope_percent(heights, 30.0)[1:-1, 1:-1], expected[1:-1, 1:-1], rtol=1e-4)


@pytest.mark.skipif(shutil.which("gdaldem") is None, reason="needs the gdaldem tool of GDAL")
def test_agrees_with_gdal(tmp_path):
    heights = rough().astype("float32")
    path, out = tmp_path / "dem.tif", tmp_path / "slope.tif"
    profile = {
        "driver": "GTiff",
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:5070",
        "transform": from_origin(0, 0, 30, 30),
    }
    with rasterio.open(path, "w", width=heights.shape[1], height=heights.shape[0], **profile) as target:
        target.write(heights, 1)
    subprocess.run(["gdaldem", "slope", "-p", str(path), str(out), "-q"], check=True)
    with rasterio.open(out) as source:
        expected = source.read(1)
    np.testing.assert_allclose(slope_percent(heights, 30.0)[1:-1, 1:-1], expected[1:-1, 1:-1], rtol=1e-3, atol=1e-3)


def test_means_by_site_and_by_field():
    values = np.array([[1.0, 2.0, np.nan], [4.0, 8.0, 16.0]])
    sites = np.array([[0, 0, 2], [1, 1, -1]], np.int32)
    np.testing.assert_allclose(site_means(values, sites, 4), [1.5, 6.0, np.nan, np.nan])
    field = csr_matrix([[0.5, 0, 0, 0.25, 0, 0]])
    np.testing.assert_allclose(place_means(field, values.ravel()), [(0.5 * 1 + 0.25 * 4) / 0.75])


@pytest.mark.parametrize(
    ("heights", "cell"), [(np.zeros(4), 30.0), (np.zeros((4, 4)), 0.0), (np.zeros((4, 4)), (30.0, -30.0))]
)
def test_what_is_no_grid_is_refused(heights, cell):
    with pytest.raises(StudyError, match="Slope needs"):
        slope_percent(heights, cell)
