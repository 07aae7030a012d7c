"""The study grid, and soils and climate laid on it."""

from __future__ import annotations

import tracemalloc
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import rioxarray
import shapely
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer
from rasterio.transform import from_origin

from geo.errors import StudyError
from geo.ground.grid import burn_map_units, cell_area_ha, nearest_cells, study_grid

HIGH_PLAINS = (-600_000.0, 1_900_000.0, -597_000.0, 1_902_000.0)


def soil_of(polygons=None, code_raster=None, codes=None):
    return SimpleNamespace(polygons=polygons, code_raster=code_raster, codes=codes)


@given(
    left=st.floats(-2e6, 2e6),
    bottom=st.floats(3e5, 3e6),
    width=st.floats(1, 5e4),
    height=st.floats(1, 5e4),
    resolution=st.sampled_from([10.0, 30.0, 90.0]),
)
@settings(max_examples=60, deadline=None)
def test_grid_covers_bounds_and_sits_on_whole_multiples(left, bottom, width, height, resolution):
    grid = study_grid((left, bottom, left + width, bottom + height), resolution_m=resolution)
    box = grid.extent.boundingbox
    slack = 1e-6 * resolution + 1e-6
    assert box.left <= left + slack
    assert box.bottom <= bottom + slack
    assert box.right >= left + width - slack
    assert box.top >= bottom + height - slack
    assert left - box.left < resolution + slack
    for edge in box.bbox:
        assert abs(edge / resolution - round(edge / resolution)) < 1e-6


def test_same_study_gives_an_equal_grid():
    assert study_grid(HIGH_PLAINS) == study_grid(HIGH_PLAINS)
    assert study_grid(HIGH_PLAINS) != study_grid(HIGH_PLAINS, resolution_m=10)


@pytest.mark.parametrize(
    ("bounds", "crs", "resolution", "says"),
    [
        ((-103, 40, -102, 41), "EPSG:4326", 30, "projected CRS in metres"),
        ((0, 0, 1e5, 1e5), "EPSG:2231", 30, "projected CRS in metres"),  # state plane, US survey feet
        ((10, 0, 10, 5), "EPSG:5070", 30, "empty"),
        ((0, 0, np.nan, 5), "EPSG:5070", 30, "empty"),
        ((0, 0, 1e4, 1e4), "EPSG:5070", 0, "above 0"),
        ((-2e6, 3e5, 2e6, 3e6), "EPSG:5070", 10, "cells"),
    ],
)
def test_unusable_grids_are_refused_with_a_way_out(bounds, crs, resolution, says):
    with pytest.raises(StudyError, match=says) as error:
        study_grid(bounds, crs, resolution)
    assert error.value.fix


def test_cell_area_on_an_equal_area_grid_is_the_square_of_the_resolution():
    assert cell_area_ha(study_grid(HIGH_PLAINS)) == pytest.approx(0.09, rel=1e-12)


def test_cell_area_on_utm_follows_the_published_scale_factor():
    # On the central meridian of a UTM zone the scale factor is 0.9996 (Snyder 1987, USGS PP 1395, p. 57):
    # a 30 m grid cell covers 900 / 0.9996**2 m2 of ground.
    grid = study_grid((499_000, 4_430_000, 501_000, 4_432_000), "EPSG:26913")
    assert cell_area_ha(grid) == pytest.approx(0.09 / 0.9996**2, rel=2e-6)


def test_a_pixel_takes_the_polygon_that_holds_its_centre():
    grid = study_grid(HIGH_PLAINS)
    rng = np.random.default_rng(7)
    points = shapely.MultiPoint(rng.uniform(HIGH_PLAINS[:2], HIGH_PLAINS[2:], (40, 2)))
    cells = shapely.voronoi_polygons(points, extend_to=grid.extent.geom).geoms
    polygons = gpd.GeoDataFrame(
        {"map_unit_id": [f"m{i % 13:02d}" for i in range(len(cells))]}, geometry=list(cells), crs="EPSG:5070"
    )
    codes, ids = burn_map_units(soil_of(polygons.to_crs("EPSG:4326")), grid)
    assert ids == sorted(set(polygons["map_unit_id"]))
    x = grid.coordinates["x"].values
    y = grid.coordinates["y"].values
    centres = shapely.points(*np.meshgrid(x, y))
    inside = polygons.sindex.query(centres.ravel(), predicate="intersects")
    expected = np.empty(centres.size, dtype=object)
    expected[inside[0]] = polygons["map_unit_id"].to_numpy()[inside[1]]
    got = np.asarray(ids, dtype=object)[codes.ravel()]
    # The trip through degrees and back moves an edge by nanometres: allow one pixel in 6,700.
    assert (got != expected).sum() <= 1
    assert codes.dtype == np.int32


def test_pixels_without_soil_are_minus_one_and_absent_units_are_not_listed():
    grid = study_grid(HIGH_PLAINS)
    left, bottom, right, top = HIGH_PLAINS
    polygons = gpd.GeoDataFrame(
        {"map_unit_id": ["here", "far", "nothing", "hair"]},
        geometry=[
            shapely.box(left, bottom, left + 900, top),
            shapely.box(left + 9e5, bottom, left + 9.1e5, top),
            None,
            shapely.box(left + 1501, bottom, left + 1502, bottom + 1),  # between centres
        ],
        crs="EPSG:5070",
    )
    codes, ids = burn_map_units(soil_of(polygons), grid)
    assert ids == ["here"]
    assert (codes == 0).sum() == 30 * grid.shape.y
    assert (codes == -1).sum() == codes.size - 30 * grid.shape.y


@pytest.mark.parametrize("layer", ["polygons", "raster"])
def test_soils_elsewhere_or_without_crs_stop_the_run(layer):
    grid = study_grid(HIGH_PLAINS)
    if layer == "polygons":
        far = gpd.GeoDataFrame({"map_unit_id": ["a"]}, geometry=[shapely.box(0, 0, 1, 1)], crs="EPSG:4326")
        bad = [soil_of(far), soil_of(far.set_crs(None, allow_override=True))]
    else:
        raster = xr.DataArray(np.ones((4, 4), int), dims=("y", "x"), coords={"y": [3, 2, 1, 0], "x": [0, 1, 2, 3]})
        bad = [
            soil_of(code_raster=raster.rio.write_crs(4326), codes={1: "a"}),
            soil_of(code_raster=raster, codes={1: "a"}),
        ]
    with pytest.raises(StudyError, match="do not meet"):
        burn_map_units(bad[0], grid)
    with pytest.raises(StudyError, match="coordinate reference system"):
        burn_map_units(bad[1], grid)
    with pytest.raises(StudyError, match="no map"):
        burn_map_units(soil_of(), grid)


def code_raster(values, grid, flip=False):
    raster = xr.DataArray(
        values, dims=("y", "x"), coords={"y": grid.coordinates["y"].values, "x": grid.coordinates["x"].values}
    ).rio.write_crs(str(grid.crs))
    return raster.isel(y=slice(None, None, -1)) if flip else raster


@pytest.mark.parametrize("flip", [False, True], ids=["north_up", "south_up"])
@pytest.mark.parametrize("dtype", ["int32", "float64", "uint32"])
def test_a_code_raster_on_the_same_grid_comes_through_unchanged(flip, dtype):
    grid = study_grid(HIGH_PLAINS)
    rng = np.random.default_rng(3)
    values = rng.choice([2_512_001, 2_512_777, 99], grid.shape).astype(dtype)
    expected = np.select([values == 2_512_001, values == 2_512_777], [0, 1], -1)
    if dtype == "float64":
        values[5, :] = np.nan
        expected[5, :] = -1
    soil = soil_of(code_raster=code_raster(values, grid, flip), codes={2_512_001: "a", 2_512_777: "b", 5: "never"})
    codes, ids = burn_map_units(soil, grid)
    assert ids == ["a", "b"]
    np.testing.assert_array_equal(codes, expected)


def test_a_code_raster_in_another_crs_agrees_with_the_polygons_it_was_made_from():
    grid = study_grid(HIGH_PLAINS)
    left, bottom, right, top = HIGH_PLAINS
    halves = gpd.GeoDataFrame(
        {"map_unit_id": ["west", "east"]},
        geometry=[shapely.box(left, bottom, left + 1400, top), shapely.box(left + 1400, bottom, right, top)],
        crs="EPSG:5070",
    )
    utm = halves.to_crs("EPSG:26913")
    fine = study_grid(tuple(utm.total_bounds + [-100, -100, 100, 100]), "EPSG:26913", 10)
    values = rasterio.features.rasterize(
        [(g, i + 1) for i, g in enumerate(utm.geometry)], out_shape=fine.shape, transform=fine.affine, dtype="int32"
    )
    from_raster, ids = burn_map_units(
        soil_of(code_raster=code_raster(values, fine), codes={1: "west", 2: "east"}), grid
    )
    from_polygons, same = burn_map_units(soil_of(halves), grid)
    assert ids == same
    differ = from_raster != from_polygons
    assert differ.mean() < 0.01  # only pixels whose centre is within half a source cell of the line


def test_only_the_window_of_a_statewide_raster_is_read(tmp_path):
    # 40,000 x 40,000 codes are 6.4 GB once loaded; the county needs 0.03 % of them.
    path = tmp_path / "state.tif"
    origin = from_origin(-1_200_000, 2_400_000, 30, 30)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=40_000,
        height=40_000,
        count=1,
        dtype="int32",
        crs="EPSG:5070",
        transform=origin,
        tiled=True,
        blockxsize=256,
        blockysize=256,
        compress="deflate",
        sparse_ok=True,
        nodata=0,
    ) as out:
        window = rasterio.windows.from_bounds(*HIGH_PLAINS, transform=origin)
        out.write(np.full((67, 100), 42, "int32"), 1, window=window.round_offsets().round_lengths())
    grid = study_grid(HIGH_PLAINS)
    with rioxarray.open_rasterio(path) as raster:
        tracemalloc.start()
        codes, ids = burn_map_units(soil_of(code_raster=raster.squeeze("band", drop=True), codes={42: "a"}), grid)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert ids == ["a"]
    assert (codes == 0).mean() > 0.95
    assert peak < 50e6


@given(seed=st.integers(0, 2**32 - 1), n=st.integers(1, 40))
@settings(max_examples=25, deadline=None)
def test_nearest_cells_equal_brute_force(seed, n):
    rng = np.random.default_rng(seed)
    grid = study_grid((-600_000, 1_900_000, -600_000 + 30 * 75, 1_900_000 + 30 * 101))
    box = np.array(grid.extent.boundingbox.bbox)
    xy = rng.uniform(box[:2] - 1500, box[2:] + 1500, (n, 2))
    lon, lat = Transformer.from_crs(5070, 4326, always_xy=True).transform(xy[:, 0], xy[:, 1])
    cells = pd.DataFrame({"latitude": lat, "longitude": lon}, index=pd.RangeIndex(n, name="cell"))
    got = nearest_cells(grid, cells)
    x, y = np.meshgrid(grid.coordinates["x"].values, grid.coordinates["y"].values)
    distance = np.hypot(x[..., None] - xy[:, 0], y[..., None] - xy[:, 1])
    chosen = np.take_along_axis(distance, got[..., None].astype(int), axis=-1)[..., 0]
    np.testing.assert_allclose(chosen, distance.min(axis=-1), atol=1e-5)
    assert got.shape == grid.shape
    assert got.dtype == np.int32


def test_cells_without_coordinates_are_refused():
    grid = study_grid(HIGH_PLAINS)
    with pytest.raises(StudyError, match="no latitude or longitude"):
        nearest_cells(grid, pd.DataFrame({"latitude": [40.0, np.nan], "longitude": [-103.0, -103.0]}))
    with pytest.raises(StudyError, match="no climate cells"):
        nearest_cells(grid, pd.DataFrame({"latitude": [], "longitude": []}))
