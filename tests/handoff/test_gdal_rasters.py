"""GeoTIFFs as GDAL's own readers see them: the wheel's, the Python-free strict validator, and the system's GDAL."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from rio_cogeo import cog_validate

from geo.rating.rule import ZONE_NAMES
from pipelines.show.layers.raster import amount_rasters, raster_names
from pipelines.show.legend import zone_legend
from tests.handoff.system_gis import gdal_says


def test_every_raster_is_a_strict_cog(published, study):
    verdicts = {n: cog_validate(str(published / "layers" / f"{n}.tif"), strict=True) for n in raster_names(study)}
    assert len(verdicts) > 15
    assert verdicts == dict.fromkeys(verdicts, (True, [], []))


def test_zones_read_back_as_they_were(published, study):
    codes = np.append(study.zones["zone_code"].to_numpy(), 0)[study.site_raster]
    with rasterio.open(published / "layers" / "zones.tif") as data:
        assert (data.dtypes, data.nodata, data.count) == (("uint8",), 0, 1)
        assert data.crs.to_epsg() == 5070
        assert data.transform == study.grid.affine
        np.testing.assert_array_equal(data.read(1), codes)
        assert {z.code: (*z.rgb, 255) for z in zone_legend()} == {k: data.colormap(1)[k] for k in ZONE_NAMES}
        assert data.overviews(1)
        for level in data.overviews(1):
            small = data.read(1, out_shape=(data.height // level, data.width // level))
            assert set(np.unique(small)) <= set(np.unique(codes))


def test_amounts_read_back_as_they_were(published, study):
    for layer in amount_rasters(study):
        with rasterio.open(published / "layers" / f"{layer.name}.tif") as data:
            assert set(data.dtypes) == {"float32"}, layer.name
            assert data.units == tuple(c.unit for c in layer.columns), layer.name
            assert all(data.descriptions), layer.name
            for band, (values, column) in enumerate(zip(layer.bands, layer.columns, strict=True), 1):
                expected = np.append(values, np.nan)[study.site_raster]
                read = data.read(band, masked=True).filled(np.nan)
                np.testing.assert_array_equal(read, expected, err_msg=f"{layer.name}, band {band}")
                tags = data.tags(band)
                assert tags["description"] == column.description, layer.name
                assert float(tags["STATISTICS_MAXIMUM"]) == pytest.approx(np.nanmax(expected), rel=1e-6), layer.name


def test_average_overviews_leave_out_pixels_without_data(published):
    with rasterio.open(published / "layers" / "capacity_mm.tif") as data:
        level = data.overviews(1)[0]
        small = data.read(1, masked=True, out_shape=(data.height // level, data.width // level))
        assert small.min() >= data.read(1, masked=True).min() - 1e-3


def test_probability_bands_have_names(published):
    with rasterio.open(published / "layers" / "probabilities.tif") as data:
        assert "shortfall_years_winter_killed" in data.descriptions
        assert "winterkill_years_winter_killed" in data.descriptions
        assert "survival_years_overwinter_early" in data.descriptions
        assert "cover_ok_years_overwinter_late" in data.descriptions
        values = data.read(masked=True)
        assert values.min() >= 0
        assert values.max() <= 1


def test_provenance_is_in_every_file(published, study):
    for name in raster_names(study):
        with rasterio.open(published / "layers" / f"{name}.tif") as data:
            tags = data.tags()
        assert tags["STUDY_HASH"] == study.provenance["study_hash"], name
        assert tags["SEED"] == "20", name
        assert "springfill" in tags["PROGRAM"], name
        assert "numpy" in tags["VERSIONS"], name
        assert "Invented soils, date 2026, licence invented" in tags["SOURCES"], name
        assert "licensed adviser" in tags["CAUTION"], name


_TABLE = """
import json, sys
from osgeo import gdal
gdal.UseExceptions()
data = gdal.Open(sys.argv[1])
band = data.GetRasterBand(1)
rat = band.GetDefaultRAT()
names = [rat.GetNameOfCol(i) for i in range(rat.GetColumnCount())]
rows = [[rat.GetValueAsString(r, c) for c in range(len(names))] for r in range(rat.GetRowCount())]
colours = band.GetColorTable()
print(json.dumps({"categories": band.GetCategoryNames(), "columns": names,
    "rows": rows, "colours": [list(colours.GetColorEntry(i)) for i in range(8)], "nodata": band.GetNoDataValue(),
    "unit": band.GetUnitType(), "usage": [rat.GetUsageOfCol(i) for i in range(len(names))]}))
"""


def test_system_gdal_sees_class_names_and_attribute_table(published, study, tmp_path):
    seen = gdal_says(_TABLE, [str(published / "layers" / "zones.tif")], tmp_path)
    legend = zone_legend()
    assert seen["categories"] == ["", *(z.label for z in legend)]
    assert seen["nodata"] == 0
    assert seen["colours"][1:] == [[*z.rgb, 255] for z in legend]
    assert seen["columns"][:3] == ["Value", "Count", "Class"]
    codes = np.append(study.zones["zone_code"].to_numpy(), 0)[study.site_raster]
    counts = np.bincount(codes.ravel(), minlength=8)[1:]
    assert [int(row[0]) for row in seen["rows"]] == [z.code for z in legend]
    assert [int(row[1]) for row in seen["rows"]] == counts.tolist()
    assert [float(row[10]) for row in seen["rows"]] == pytest.approx(counts * 0.09, abs=1e-3)


def test_all_empty_outcome_is_a_valid_file(study, tmp_path):
    """No termination date may be safe anywhere; the layer must still open."""
    from dataclasses import replace

    from pipelines.show.layers.raster import write_rasters

    outcomes = study.outcomes.copy()
    outcomes["latest_termination_day"] = outcomes["latest_termination_day"] * np.nan
    (path,) = write_rasters(replace(study, outcomes=outcomes), tmp_path, ["latest_termination_day"])
    assert cog_validate(str(path), strict=True)[0]
    with rasterio.open(path) as data:
        assert data.read(1, masked=True).mask.all()
