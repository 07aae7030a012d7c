"""Polygons that cover the ground: no gaps, no overlaps, valid, and the whole keeps its area."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rasterio.features
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from odc.geo.geobox import GeoBox

from pipelines.show.layers.zone_polygons import coverage_patches, site_polygons, zone_polygons


def _grid(shape):
    return GeoBox(shape, Affine(30, 0, -600000, 0, -30, 1900000), "EPSG:5070")


@given(arrays(np.int32, st.tuples(st.integers(1, 12), st.integers(1, 12)), elements=st.integers(-1, 4)))
@settings(max_examples=150, deadline=None)
def test_any_raster_becomes_a_valid_coverage(raster):
    patches, values = coverage_patches(raster)
    covered = int((raster >= 0).sum())
    assert set(values) == set(np.unique(raster[raster >= 0]))
    if not covered:
        return
    assert shapely.is_valid(patches).all()
    assert shapely.coverage_is_valid(patches)
    assert shapely.area(patches).sum() == pytest.approx(covered, abs=1e-9)
    assert shapely.union_all(patches).area == pytest.approx(covered, abs=1e-9)


@pytest.mark.slow
@given(arrays(np.int32, st.tuples(st.integers(2, 10), st.integers(2, 10)), elements=st.integers(-1, 5)))
@settings(max_examples=100, deadline=None)
def test_zones_are_the_sites_merged(raster):
    grid = _grid(raster.shape)
    code = pd.Series([1, 1, 2, 7, 3, 2], index=pd.RangeIndex(6, name="site"))
    sites = site_polygons(raster, grid)
    zones = zone_polygons(sites, code)
    assert zones.geometry.is_valid.all()
    assert sites.geometry.is_valid.all()
    assert zones["zone_code"].is_unique
    present = np.unique(raster[raster >= 0])
    assert set(zones["zone_code"]) == set(code[present])
    for row in zones.itertuples():
        parts = sites.geometry[code[sites["site"]].to_numpy() == row.zone_code]
        assert row.geometry.area == pytest.approx(parts.area.sum())
        assert row.geometry.symmetric_difference(parts.union_all()).area == pytest.approx(0, abs=1e-3)


def test_without_simplification_pixels_come_back_exactly():
    raster = np.random.default_rng(7).integers(-1, 5, (40, 50)).astype(np.int32)
    patches, values = coverage_patches(raster, simplify_pixels=0)
    back = rasterio.features.rasterize(zip(patches, values, strict=True), raster.shape, fill=-1, dtype="int32")
    np.testing.assert_array_equal(back, raster)


def test_simplification_removes_stairs_and_moves_no_border_far():
    rows, columns = np.mgrid[:80, :80]
    raster = (columns > rows * 0.6 + 10).astype(np.int32)
    stairs, _ = coverage_patches(raster, simplify_pixels=0)
    smooth, values = coverage_patches(raster)
    assert shapely.get_num_coordinates(smooth).sum() < shapely.get_num_coordinates(stairs).sum() / 2
    back = rasterio.features.rasterize(zip(smooth, values, strict=True), raster.shape, fill=-1, dtype="int32")
    assert (back != raster).mean() < 0.01
    for a, b in zip(smooth, stairs, strict=True):
        assert shapely.hausdorff_distance(a, b) <= 2.0


def test_corners_sit_on_the_grid():
    raster = np.zeros((3, 4), np.int32)
    sites = site_polygons(raster, _grid(raster.shape))
    assert sites.total_bounds.tolist() == [-600000, 1900000 - 90, -600000 + 120, 1900000]
    assert sites.crs.to_epsg() == 5070


def test_a_study_without_ground():
    sites = site_polygons(np.full((4, 4), -1, np.int32), _grid((4, 4)))
    assert len(sites) == 0
    assert len(zone_polygons(sites, pd.Series(dtype=int))) == 0
