"""Blocks of rows: they cover the grid, they give what the whole grid gives, and they hold little memory."""

from __future__ import annotations

import tracemalloc
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import rioxarray  # noqa: F401  (registers the .rio accessor)
import xarray as xr

from geo.ground.grid import burn_map_units, nearest_cells, study_grid
from geo.ground.response_units import _label_pairs
from geo.ground.row_blocks import count_codes, renumber, row_blocks
from geo.ground.terrain import site_means, slope_percent


@pytest.mark.parametrize(("shape", "cells"), [((7, 3), 6), ((7, 3), 1), ((1, 9), 4), ((5, 5), 1000), ((0, 4), 8)])
def test_blocks_cover_every_row_once(shape, cells):
    blocks = list(row_blocks(shape, cells))
    assert [r for b in blocks for r in range(b.start, b.stop)] == list(range(shape[0]))
    assert all((b.stop - b.start) * shape[1] <= max(cells, shape[1]) for b in blocks)


def in_blocks_of(monkeypatch, cells: int) -> None:
    monkeypatch.setattr(row_blocks, "__defaults__", (cells,))


@pytest.mark.parametrize("cells", [11, 33, 10_000])
def test_counts_and_new_numbers_agree_with_numpy(monkeypatch, cells):
    in_blocks_of(monkeypatch, cells)
    codes = np.random.default_rng(3).integers(-1, 6, (20, 11)).astype(np.int32)
    np.testing.assert_array_equal(count_codes(codes, 8), [(codes == k).sum() for k in range(8)])
    new = np.array([3, -1, 0, 1, 2, -1], np.int32)
    expected = np.where(codes < 0, -1, new[codes])
    renumber(codes, new)
    np.testing.assert_array_equal(codes, expected)


@pytest.mark.parametrize("cells", [9, 18, 45])
def test_slope_and_its_means_do_not_depend_on_the_blocks(monkeypatch, cells):
    rng = np.random.default_rng(5)
    height = rng.normal(1000, 5, (13, 9)).astype(np.float32)
    height[rng.random(height.shape) < 0.15] = np.nan
    sites = rng.integers(-1, 4, height.shape).astype(np.int32)
    whole = slope_percent(height, 30.0)
    means = site_means(whole, sites, 4)
    in_blocks_of(monkeypatch, cells)
    np.testing.assert_array_equal(slope_percent(height, 30.0), whole)
    np.testing.assert_allclose(site_means(whole, sites, 4), means, rtol=1e-12)
    np.testing.assert_allclose(means[2], np.nanmean(whole[sites == 2]), rtol=1e-6)


BIG = study_grid((0, 0, 60_000, 60_000), "EPSG:5070", 30.0)  # four million cells: 16 MB as 32-bit integers
CELLS = pd.DataFrame({"latitude": [23.1, 23.4], "longitude": [-95.9, -95.6]}, index=pd.RangeIndex(2, name="cell"))


def keys_raster() -> SimpleNamespace:
    """Return a soil raster of 10 m cells in two-byte numbers, as the reader makes it: 72 MB."""
    codes = np.zeros((6000, 6000), np.int16)
    codes[:, 3000:] = 1
    step = np.arange(6000) * 10.0 + 5.0
    raster = xr.DataArray(codes, dims=("y", "x"), coords={"y": step[::-1], "x": step}).rio.write_crs(5070)
    return SimpleNamespace(polygons=None, code_raster=raster, codes={0: "west", 1: "east"})


SOIL = keys_raster()
HEIGHT = np.random.default_rng(1).normal(900, 3, BIG.shape).astype(np.float32)
HALVES = np.repeat(np.array([[0, 1]], np.int32), 2000, axis=0).repeat(1000, axis=1)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("work", "result_mb"),
    [
        pytest.param(lambda: burn_map_units(SOIL, BIG)[0], 16, id="soil map on the grid"),
        pytest.param(lambda: nearest_cells(BIG, CELLS), 16, id="nearest climate cell"),
        pytest.param(lambda: _label_pairs(HALVES, HALVES, 2)[0], 16, id="sites"),
        pytest.param(lambda: slope_percent(HEIGHT, 30.0), 16, id="slope"),
        pytest.param(lambda: site_means(HEIGHT, HALVES, 2), 0, id="mean slope of a map unit"),
    ],
)
def test_a_step_holds_its_result_and_blocks_never_a_second_grid_of_doubles(work, result_mb):
    """A grid of four million doubles is 32 MB; several of those were what a wide window ran out of memory by."""
    work()
    tracemalloc.start()
    try:
        work()
        peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()
    assert peak_mb < result_mb * 1.3 + 130, "blocks of a million cells, some fifteen arrays of doubles at most"
