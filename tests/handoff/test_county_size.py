"""A county of 1650 x 1650 pixels is exported in the time that a planner waits."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import rasterio
import scipy.ndimage
import scipy.spatial
from affine import Affine
from odc.geo.geobox import GeoBox

from geo.rating.rule import ZONE_NAMES
from pipelines.show.layers.export import publish_layers
from tests.builders import tiny_result

SIDE, PATCHES, MAP_UNITS = 1650, 18_600, 161
"""Pixels a side, soil patches and map units of a large county."""


@pytest.fixture(scope="module")
def county():
    """Soil-like patches with wavy borders under an 11 x 14 grid of climate cells."""
    rng = np.random.default_rng(3)
    rows, columns = np.mgrid[:SIDE, :SIDE]
    wave = [scipy.ndimage.gaussian_filter(rng.normal(size=(SIDE, SIDE)), 7) * 63 for _ in range(2)]
    tree = scipy.spatial.cKDTree(rng.uniform(0, SIDE, (PATCHES, 2)))
    patch = tree.query(np.c_[(rows + wave[0]).ravel(), (columns + wave[1]).ravel()])[1].reshape(SIDE, SIDE)
    unit = rng.integers(0, MAP_UNITS, PATCHES)[patch]
    cell = (rows * 14 // SIDE) * 11 + columns * 11 // SIDE
    pairs, site = np.unique(unit * 1000 + cell, return_inverse=True)
    site = site.reshape(SIDE, SIDE).astype(np.int32)
    n = len(pairs)
    code = rng.integers(1, 8, MAP_UNITS)[pairs // 1000]
    small = tiny_result()
    index = pd.RangeIndex(n, name="site")
    sites = pd.DataFrame(
        {
            "map_unit_id": (pairs // 1000).astype(str), "symbol": "A", "name": "invented", "cell": pairs % 4,
            "rated_share": 0.9, "reason": "", "area_ha": np.bincount(site.ravel(), minlength=n) * 0.09,
        },
        index=index,
    )  # fmt: skip
    alike = rng.integers(0, len(small.sites), n)
    zones = small.zones.iloc[alike].set_axis(index).assign(zone_code=code, zone=[ZONE_NAMES[c] for c in code])
    by_site = {
        name: getattr(small, name).isel(site=alike).assign_coords(site=np.arange(n))
        for name in ("outcomes", "verdicts", "irrigated_verdicts")
    }
    fields = np.arange(500 * len(small.fields)) % len(small.fields)
    return replace(
        small, grid=GeoBox((SIDE, SIDE), Affine(30, 0, -600000, 0, -30, 1900000), "EPSG:5070"), site_raster=site,
        sites=sites, zones=zones, **by_site, fields=small.fields.iloc[fields].reset_index(drop=True),
        field_verdicts=small.field_verdicts.isel(field=fields),
        field_outcomes=small.field_outcomes.isel(field=fields),
    )  # fmt: skip


@pytest.mark.slow
def test_a_large_county_is_exported(county, tmp_path, record_property):
    small = tiny_result()
    publish_layers(small, tmp_path / "warm")
    started = time.process_time()  # processor time, which other work on the machine does not change
    publish_layers(county, tmp_path / "out")
    spent = time.process_time() - started
    with rasterio.open(tmp_path / "out" / "layers" / "zones.tif") as zones:
        assert zones.read(1).min() >= 1
    record_property("core seconds for 1650 x 1650 pixels", round(spent, 1))
    assert (tmp_path / "out" / "springfill.gpkg").stat().st_size > 1_000_000
