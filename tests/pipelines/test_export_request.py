"""`export_layers`: layers, CRS, clip, units, formats; what is read back equals what was asked for."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
import xarray as xr

from geo.errors import StudyError
from pipelines.run.result import load_result, save_result
from pipelines.show.layers.columns import describe
from pipelines.show.layers.export import export_layers, layer_names, publish_layers
from pipelines.show.layers.request import FORMATS, format_of
from tests.builders import tiny_result


@pytest.fixture(scope="module")
def result():
    return tiny_result()


@pytest.fixture(scope="module")
def half(result, tmp_path_factory):
    """A clip: the western half of the study, as a file in another CRS."""
    west, south, east, north = result.grid.boundingbox.bbox
    path = tmp_path_factory.mktemp("clip") / "half.geojson"
    shape = gpd.GeoSeries([shapely.box(west - 100, south - 100, (west + east) / 2, north + 100)], crs=5070)
    shape.segmentize(50).to_crs(4326).to_file(path)
    return path


@pytest.mark.parametrize("fmt", FORMATS)
def test_every_format_writes_all_its_layers(result, tmp_path, fmt):
    files = export_layers(result, tmp_path / "out", fmt=fmt)
    assert files
    assert all(f.is_file() for f in files)
    mains = [f for f in files if f.suffix == FORMATS[fmt].suffix]
    assert len(mains) == (1 if FORMATS[fmt].one_file else len(layer_names(result, fmt)))


@pytest.mark.parametrize("fmt", ["gpkg", "geoparquet", "flatgeobuf", "geojson"])
def test_fields_read_back(result, tmp_path, fmt):
    (path,) = export_layers(result, tmp_path / f"fields{FORMATS[fmt].suffix}", layers=["fields"], fmt=fmt)
    back = gpd.read_parquet(path) if fmt == "geoparquet" else gpd.read_file(path)
    back = back.set_index("field_id").loc[result.fields["field_id"]]
    assert back["name"].tolist() == result.fields["name"].tolist()
    np.testing.assert_allclose(back["planting_gap_mm_winter_killed"], result.fields["planting_gap_mm_winter_killed"])
    assert back.crs.to_epsg() == (4326 if fmt == "geojson" else 5070)
    np.testing.assert_allclose(back.to_crs(5070).area, result.fields.area, rtol=2e-3 if fmt == "geojson" else 1e-12)


def test_crs_moves_shapes_and_pixels(result, tmp_path):
    (path,) = export_layers(result, tmp_path / "z.gpkg", layers=["zones"], crs="EPSG:32613", fmt="gpkg")
    zones = gpd.read_file(path)
    assert zones.crs.to_epsg() == 32613
    assert zones.is_valid.all()
    assert shapely.coverage_is_valid(zones.geometry.to_numpy())
    files = export_layers(result, tmp_path / "z.tif", layers=["zones"], crs="EPSG:32613", fmt="cog")
    with rasterio.open(next(f for f in files if f.suffix == ".tif")) as data:
        assert data.crs.to_epsg() == 32613
        codes = data.read(1)
        pixel = abs(data.transform.a * data.transform.e)
    for code, area in zip(zones["zone_code"], zones.area, strict=True):
        assert (codes == code).sum() * pixel == pytest.approx(area, rel=0.03)


def test_a_raster_in_degrees_keeps_its_areas(result, tmp_path):
    files = export_layers(result, tmp_path, layers=["zones"], crs="EPSG:4326", fmt="cog")
    text = next(f for f in files if f.name.endswith(".aux.xml")).read_text(encoding="utf-8")
    area = result.sites.groupby(result.zones["zone_code"])["area_ha"].sum()
    assert f"<F>{area[5]:g}</F>" in text


def test_clip_cuts_zones_and_keeps_fields_whole(result, tmp_path, half):
    (path,) = export_layers(result, tmp_path / "half.gpkg", clip=half, fmt="gpkg")
    zones = gpd.read_file(path, layer="zones")
    west, _, east, _ = result.grid.boundingbox.bbox
    assert zones.total_bounds[2] == pytest.approx((west + east) / 2, abs=0.5)
    ground = (result.site_raster[:, :30] >= 0).sum() * 900
    assert zones.area.sum() == pytest.approx(ground, rel=1e-3)
    assert zones["area_ha"].sum() == pytest.approx(ground / 1e4, rel=1e-3)
    assert zones["study_share"].sum() == pytest.approx(1)
    fields = gpd.read_file(path, layer="fields")
    touched = result.fields[result.fields.bounds["minx"] < (west + east) / 2]
    assert fields["field_id"].tolist() == touched["field_id"].tolist()
    np.testing.assert_allclose(fields.area, touched.area)
    units = pyogrio.read_dataframe(path, layer="map_units")
    assert units["area_ha"].sum() == pytest.approx(ground / 1e4, rel=1e-9)
    assert len(units) == 6


@pytest.mark.parametrize("as_text", [True, False])
def test_clip_by_a_box_in_degrees(result, tmp_path, as_text):
    west, south, east, north = result.grid.geographic_extent.boundingbox
    box = (west - 0.001, south - 0.001, (west + east) / 2, north + 0.001)
    clip = ",".join(map(str, box)) if as_text else box
    (path,) = [
        f for f in export_layers(result, tmp_path, layers=["capacity_mm"], clip=clip, fmt="cog") if f.suffix == ".tif"
    ]
    with rasterio.open(path) as data:
        assert data.width < 40
        cut = data.read(1, masked=True)
        grid = result.grid.affine
        left, top = (data.transform.c - grid.c) / grid.a, (data.transform.f - grid.f) / grid.e
    rows, columns = slice(round(top), round(top) + cut.shape[0]), slice(round(left), round(left) + cut.shape[1])
    capacity = np.append(result.outcomes["capacity_mm"].values, np.nan)[result.site_raster][rows, columns]
    inside = ~np.ma.getmaskarray(cut)
    assert inside.any()
    np.testing.assert_array_equal(cut.data[inside], capacity[inside])


def test_clip_of_the_outcomes_keeps_the_sites_that_are_left(result, tmp_path, half):
    (path,) = export_layers(result, tmp_path / "o.nc", clip=half, fmt="netcdf")
    with xr.open_dataset(path) as data:
        np.testing.assert_array_equal(data["site"], np.unique(result.site_raster[:, :30]))


@pytest.mark.slow
@pytest.mark.parametrize("fmt", ["gpkg", "csv", "cog", "netcdf"])
def test_us_units(result, tmp_path, fmt):
    layers = {"cog": ["planting_gap_mm"], "netcdf": None}.get(fmt, ["fields"])
    files = export_layers(result, tmp_path, layers=layers, units="us", fmt=fmt)
    gap = result.fields["planting_gap_mm_winter_killed"] / 25.4
    if fmt == "gpkg":
        np.testing.assert_allclose(gpd.read_file(files[0])["planting_gap_in_winter_killed"], gap, rtol=1e-12)
    elif fmt == "csv":
        path = next(f for f in files if f.suffix == ".csv")
        back = pd.read_csv(path)["planting_gap_in_winter_killed [in]"]
        np.testing.assert_allclose(back, gap.round(2), atol=1e-9)
    elif fmt == "cog":
        names = {f.name for f in files if f.suffix == ".tif"}
        assert names == {f"planting_gap_in_{o}.tif" for o in ("winter_killed", "overwinter_early", "overwinter_late")}
        with rasterio.open(next(f for f in files if f.name == "planting_gap_in_winter_killed.tif")) as data:
            assert data.units == ("in",)
            site = result.outcomes["planting_gap_mm"].sel(option="winter_killed", stat="mean").values / 25.4
            assert data.read(1)[0, 0] == pytest.approx(site[0], rel=1e-6)
    else:
        assert {f.name for f in files} == {"outcomes.nc", "field_outcomes.nc", "years.nc"}
        with xr.open_dataset(tmp_path / "outcomes.nc") as data:
            assert data["planting_gap_in"].attrs["units"] == "in"


def test_one_raster_takes_the_name_that_was_asked_for(result, tmp_path):
    files = export_layers(result, tmp_path / "mine.tif", layers=["zones"], fmt="cog")
    assert {f.name for f in files} == {"mine.tif", "mine.tif.aux.xml", "mine.qml", "mine.sld"}


def test_csv_of_fields_says_where_they_are(result, tmp_path):
    files = export_layers(result, tmp_path / "f.csv", layers=["fields"], fmt="csv")
    assert {f.name for f in files} == {"f.csv"}
    assert {"longitude [degrees]", "latitude [degrees]"} <= set(pd.read_csv(files[0]).columns)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"fmt": "dxf"}, "gpkg, geoparquet"),
        ({"layers": ["feilds"]}, "Did you mean fields?"),
        ({"layers": ["about"], "fmt": "flatgeobuf"}, "fields, zones, response_units"),
        ({"layers": ["shortfal"], "fmt": "cog"}, "shortfall_years"),
        ({"crs": "EPSG:0"}, "EPSG:26913"),
        ({"crs": "EPSG:5070", "fmt": "geojson"}, "RFC 7946"),
        ({"crs": "EPSG:5070", "fmt": "csv"}, "Leave the CRS out"),
        ({"units": "imperial"}, "'us' or 'metric'"),
        ({"clip": "1,2,3"}, "west,south,east,north"),
        ({"clip": "1,2,3,x"}, "west,south,east,north"),
        ({"clip": (40.0, -103.0, 41.0, -102.0)}, "west, south, east, north"),
        ({"clip": (-120.0, 30.0, -119.0, 31.0)}, "outside the study"),
        ({"clip": "nowhere.gpkg"}, "cannot be read"),
    ],
    ids=lambda v: str(v)[:40],
)
def test_a_wrong_wish_is_explained_and_writes_nothing(result, tmp_path, wrong, says):
    with pytest.raises(StudyError) as caught:
        export_layers(result, tmp_path / "out", **({"fmt": "gpkg"} | wrong))
    assert says in str(caught.value)
    assert not list(tmp_path.rglob("*.*"))


def test_a_clip_of_points_is_explained(result, tmp_path):
    gpd.GeoSeries([shapely.Point(-103.08, 39.91)], crs=4326).to_file(tmp_path / "points.gpkg")
    with pytest.raises(StudyError, match="no polygons"):
        export_layers(result, tmp_path / "out", clip=tmp_path / "points.gpkg")


@pytest.mark.parametrize(
    ("name", "layers", "fmt", "says"),
    [("a.shp", ["fields"], "gpkg", "a.gpkg"), ("a.fgb", ["fields", "zones"], "flatgeobuf", "name a folder")],
)
def test_a_file_name_that_does_not_fit(result, tmp_path, name, layers, fmt, says):
    with pytest.raises(StudyError) as caught:
        export_layers(result, tmp_path / name, layers=layers, fmt=fmt)
    assert says in str(caught.value)


def test_a_second_export_replaces_and_does_not_append(result, tmp_path):
    path = tmp_path / "a.gpkg"
    export_layers(result, path, layers=["fields", "problems"])
    export_layers(result, path, layers=["fields"])
    assert [n for n, _ in pyogrio.list_layers(path)] == ["fields", "layer_styles"]
    assert pyogrio.read_info(path, layer="fields")["features"] == len(result.fields)


@pytest.mark.slow
def test_a_second_run_leaves_no_layer_of_the_first(result, tmp_path):
    from dataclasses import replace

    publish_layers(result, tmp_path)
    (tmp_path / "layers" / "mine.tif").write_bytes(b"mine")
    fewer = replace(result, outcomes=result.outcomes.drop_vars("first_freeze_day"))
    publish_layers(fewer, tmp_path)
    names = {f.name for f in (tmp_path / "layers").iterdir()}
    assert not {"first_freeze_day.tif", "first_freeze_day.qml", "first_freeze_day.sld"} & names
    assert "mine.tif" in names


@pytest.mark.slow
def test_a_locked_geopackage_keeps_the_whole_earlier_set(result, tmp_path):
    publish_layers(result, tmp_path)
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    with closing(sqlite3.connect(tmp_path / "springfill.gpkg")) as database:
        database.execute("BEGIN IMMEDIATE")
        with pytest.raises(StudyError, match="open in another program"):
            publish_layers(tiny_result(names=("one",)), tmp_path)
        database.rollback()
    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before


@pytest.mark.slow
def test_a_county_without_fields_is_published(result, tmp_path):
    from dataclasses import replace

    none = gpd.GeoDataFrame({"field_id": [], "name": []}, geometry=[], crs="EPSG:5070")
    empty = {name: getattr(result, name).isel(field=slice(0)) for name in ("field_outcomes", "field_verdicts")}
    study = replace(result, fields=none, **empty, coverage=result.coverage[:0], problems=result.problems.iloc[:0])
    files = publish_layers(study, tmp_path)
    assert all(f.is_file() for f in files)
    assert pyogrio.read_info(tmp_path / "springfill.gpkg", layer="fields")["features"] == 0
    assert len(gpd.read_parquet(tmp_path / "fields.parquet")) == 0
    save_result(study, tmp_path)
    again = load_result(tmp_path)
    assert (len(again.fields), again.field_outcomes.sizes["field"], again.field_verdicts.sizes["field"]) == (0, 0, 0)


def test_broken_shapes_are_mended(result, tmp_path):
    from dataclasses import replace

    fields = result.fields.copy()
    x, y = fields.geometry.iloc[0].exterior.coords[0]
    bow = shapely.Polygon([(x, y), (x + 90, y + 90), (x + 90, y), (x, y + 90)])
    fields.loc[0, "geometry"] = bow
    (path,) = export_layers(replace(result, fields=fields), tmp_path / "a.gpkg", layers=["fields"])
    back = gpd.read_file(path)
    assert back.is_valid.all()
    assert back.geometry.iloc[0].area == pytest.approx(shapely.make_valid(bow).area)


def test_column_words_follow_the_units(result, tmp_path):
    (path,) = export_layers(result, tmp_path / "a.gpkg", layers=["fields"], units="us")
    with closing(sqlite3.connect(path)) as database:
        query = "SELECT title FROM gpkg_data_columns WHERE column_name = 'planting_gap_in_winter_killed'"
        assert database.execute(query).fetchone() == (describe("planting_gap_mm_winter_killed", "us").titled,)


@pytest.mark.parametrize("name", ["x.shp", "fields.kml", "zones.xlsx", "a.b"])
def test_an_unknown_ending_lists_what_can_be_written(tmp_path, name):
    with pytest.raises(StudyError) as caught:
        format_of(tmp_path / name)
    assert Path(name).suffix in caught.value.what
    for fmt, kind in FORMATS.items():
        assert f"{kind.suffix} ({fmt})" in caught.value.fix


@pytest.mark.parametrize(
    ("name", "fmt"), [("x.GPKG", "gpkg"), ("x.tif", "cog"), ("x.parquet", "geoparquet"), ("folder", "gpkg")]
)
def test_a_known_ending_chooses_its_format(tmp_path, name, fmt):
    assert format_of(tmp_path / name) == fmt


def test_a_folder_with_a_dot_in_its_name_is_a_folder(tmp_path):
    (tmp_path / "out.v2").mkdir()
    assert format_of(tmp_path / "out.v2") == "gpkg"
