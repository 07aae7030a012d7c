"""A region in tiles says what the same study says undivided."""

from __future__ import annotations

import json
from pathlib import Path

import duckdb
import geopandas as gpd
import numpy as np
import pandas as pd
import pint
import pytest
import rasterio
import xarray as xr

from geo.rating.rule import ZONE_CODES
from pipelines.scale.swept import Swept
from tests.handoff.system_gis import gdal_says
from tests.pipelines.conftest import TinyRun

HEIGHT_NOISE = 0.02
"""Reprojected heights differ by up to 0.03 m with the window that is read (GDAL, an eighth of a pixel), and
with them slopes; in millimetres of water and kilograms of biomass that stays below this."""


def test_zones_are_the_same_pixel_by_pixel(tiny_run: TinyRun, four_squares: Swept) -> None:
    with (
        rasterio.open(tiny_run.folder / "layers" / "zones.tif") as whole,
        rasterio.open(four_squares.folder / "zones.vrt") as tiles,
    ):
        assert tiles.transform == whole.transform
        np.testing.assert_array_equal(tiles.read(1), whole.read(1))
        assert tiles.colormap(1)[3] == whole.colormap(1)[3]
        assert tiles.crs == whole.crs


_DRAWN = """
import json, sys
from osgeo import gdal
gdal.UseExceptions()
found = []
for name in sys.argv[1:]:
    data = gdal.Open(name)
    band = data.GetRasterBand(1)
    table = band.GetColorTable()
    colours = [table.GetColorEntry(i) for i in range(8)]
    found.append([band.Checksum(), band.GetCategoryNames(), colours, band.GetNoDataValue()])
print(json.dumps(found))
"""


def test_the_gdal_of_the_system_draws_the_mosaic_as_it_draws_the_whole(
    tiny_run: TinyRun, four_squares: Swept, tmp_path: Path
) -> None:
    """Another GDAL than the one that wrote it: same pixels (its checksum), class names, colours and no-data value."""
    files = [tiny_run.folder / "layers" / "zones.tif", four_squares.folder / "zones.vrt"]
    whole, tiles = gdal_says(_DRAWN, [str(f) for f in files], tmp_path)  # type: ignore[misc]
    assert tiles == whole


def test_each_tile_holds_its_own_pixels_and_no_other(four_squares: Swept) -> None:
    """Counted, not painted over: the pixels of the tiles add up to those of the mosaic."""
    with rasterio.open(four_squares.folder / "zones.vrt") as data:
        pixels = int((data.read(1) > 0).sum())
    counts = []
    for tile in four_squares.tiles.frame["tile"]:
        with rasterio.open(four_squares.folder / "tiles" / tile / "layers" / "zones.tif") as data:
            counts.append(int((data.read(1) > 0).sum()))
    assert sum(counts) == pixels
    assert len(counts) == 4
    assert min(counts) > 0.2 * pixels


def test_fields_are_the_same_and_none_is_cut_or_doubled(tiny_run: TinyRun, four_squares: Swept) -> None:
    whole = gpd.read_parquet(tiny_run.folder / "fields.parquet").set_index("field_id").sort_index()
    tiles = gpd.read_parquet(four_squares.folder / "fields").set_index("field_id").sort_index()
    # The undivided study lists, unrated, fields that its window in degrees touches and its grid does not.
    whole = whole[whole.intersects(four_squares.tiles.frame.union_all())]
    crossing = whole.geometry.apply(lambda f: four_squares.tiles.frame.intersects(f).sum() > 1)
    assert crossing.sum() >= 1
    assert tiles.index.tolist() == whole.index.tolist()
    assert tiles.geometry.geom_equals(whole.geometry).all()
    for name in whole.columns.drop("geometry"):
        if whole[name].dtype.kind == "f":
            np.testing.assert_allclose(tiles[name], whole[name], rtol=0, atol=HEIGHT_NOISE, err_msg=name)
        else:
            assert tiles[name].astype(str).tolist() == whole[name].astype(str).tolist(), name


def test_a_field_is_in_the_tile_that_holds_its_representative_point(four_squares: Swept) -> None:
    fields = gpd.read_parquet(four_squares.folder / "fields")
    shapes = four_squares.tiles.frame.set_index("tile").geometry
    points = fields.representative_point()
    inside = points.intersects(shapes.union_all())
    assert inside.sum() > 5
    assert not inside.all()  # fields on the edge of the region go to the first tile that they meet
    for tile, point, field_id in zip(
        fields["tile_id"][inside], points[inside], fields["field_id"][inside], strict=True
    ):
        assert shapes[tile].intersects(point), field_id


def test_ground_adds_up_over_zones_and_tiles(tiny_run: TinyRun, four_squares: Swept) -> None:
    whole = tiny_run.published.result
    by_zone = whole.sites["area_ha"].groupby(whole.zones["zone"]).sum()
    areas = four_squares.areas_ha()
    for zone in ZONE_CODES:
        assert areas[zone] == pytest.approx(by_zone.get(zone, 0.0), abs=1e-6), zone
    record = json.loads((four_squares.folder / "run.json").read_text())
    assert sum(record["areas_ha"].values()) == pytest.approx(float(areas.sum()), abs=1e-3)
    csv = pd.read_csv(four_squares.folder / "tiles.csv")
    acres = csv[[c for c in csv if c.startswith("area_acres")]].to_numpy().sum()
    assert acres == pytest.approx(float(areas.sum()) / 0.40468564224, rel=1e-6)  # international acre


def test_parts_are_one_data_set_for_a_database(four_squares: Swept) -> None:
    where = (four_squares.folder / "fields" / "*" / "*.parquet").as_posix()
    rows = duckdb.sql(
        f"SELECT tile, tile_id, count(*) AS n FROM read_parquet('{where}', hive_partitioning = true) GROUP BY ALL"
    ).df()
    assert (rows["tile"] == rows["tile_id"]).all()
    assert rows.set_index("tile_id")["n"].to_dict() == {
        r["tile"]: r["counts"]["fields"] for r in four_squares.records if r["counts"]["fields"]
    }


def test_the_store_holds_every_site_with_its_ground(four_squares: Swept) -> None:
    registry = pint.UnitRegistry()
    with xr.open_zarr(four_squares.folder / "outcomes.zarr") as store:
        assert float(store["area"].sum()) == pytest.approx(float(four_squares.areas_ha().sum()), rel=1e-5)
        assert store.attrs["Conventions"].startswith("CF-")
        assert store["planting_gap_mm"].attrs["units"] == "mm"
        for name, values in store.data_vars.items():
            if unit := values.attrs.get("units"):
                assert (
                    registry.parse_units(unit.replace("kg ha-1", "kg/hectare").replace("degC day", "delta_degC*day"))
                    is not None
                ), name
        for tile in four_squares.tiles.frame["tile"]:
            with xr.open_dataset(four_squares.folder / "tiles" / tile / "layers" / "outcomes.nc") as own:
                part = store.isel(site=np.flatnonzero(store["tile"].values == tile))
                same = own.isel(site=part["tile_site"].values)
                assert part["map_unit_id"].values.tolist() == [str(v) for v in same["map_unit_id"].values]
                for name in ("planting_gap_mm", "stored_mm", "zone_code", "shortfall_by_target"):
                    np.testing.assert_array_equal(part[name].values, same[name].values)
