"""Vector layers as geopandas, pyogrio, SQLite, pyarrow and DuckDB see them."""

from __future__ import annotations

import importlib.util
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
from pandas.testing import assert_frame_equal

from pipelines.show.layers.columns import describe
from pipelines.show.layers.request import export_layers
from pipelines.show.layers.vector_layers import build_layers
from pipelines.show.legend import zone_legend
from tests.handoff.system_gis import gdal_says

SPATIAL = ("fields", "zones", "response_units")
TABLES = ("map_units", "verdicts", "problems", "about")


@pytest.fixture(scope="module")
def layers(study):
    return build_layers(study)


def _same(left: pd.DataFrame, right: pd.DataFrame) -> None:
    """Equal values; text, missing text and integer widths may come back in another type."""

    def plain(frame):
        out = pd.DataFrame(frame).copy()
        for name in out.columns:
            if pd.api.types.is_numeric_dtype(out[name]):
                out[name] = out[name].astype(float)
            else:
                out[name] = out[name].astype(object).where(out[name].notna(), "").astype(object)
        return out

    assert_frame_equal(plain(left), plain(right), check_dtype=False, check_exact=True)


def _check(back: gpd.GeoDataFrame, layer) -> None:
    frame = layer.frame
    key = frame.columns[0]
    back = back.set_index(key).loc[frame[key]].reset_index()
    _same(back.drop(columns=back.geometry.name), frame.drop(columns="geometry"))
    assert back.geometry.is_valid.all()
    for one, two in zip(back.geometry, frame.geometry, strict=True):
        assert one.normalize().equals_exact(two.normalize(), 0)


@pytest.mark.parametrize("name", SPATIAL)
def test_geopackage_round_trip(published, layers, name):
    back = gpd.read_file(published / "springfill.gpkg", layer=name)
    assert back.crs.to_epsg() == 5070
    _check(back, layers[name])


@pytest.mark.parametrize("name", TABLES)
def test_geopackage_tables_round_trip(published, layers, name):
    back = pyogrio.read_dataframe(published / "springfill.gpkg", layer=name)
    _same(back, layers[name].frame)


def test_geoparquet_round_trip(published, layers):
    back = gpd.read_parquet(published / "fields.parquet")
    assert back.crs.to_epsg() == 5070
    _check(back.drop(columns="bbox", errors="ignore"), layers["fields"])


def test_verdicts_round_trip(published, layers):
    _same(pd.read_parquet(published / "verdicts.parquet"), layers["verdicts"].frame)


def test_flatgeobuf_round_trip(study, layers, tmp_path):
    (path,) = export_layers(study, tmp_path / "fields.fgb", fmt="flatgeobuf")
    _check(gpd.read_file(path), layers["fields"])


def test_zones_cover_the_ground_without_gaps_or_overlaps(published, study):
    zones = gpd.read_file(published / "springfill.gpkg", layer="zones")
    units = gpd.read_file(published / "springfill.gpkg", layer="response_units")
    pixels = int((study.site_raster >= 0).sum())
    for frame in (zones, units):
        assert shapely.coverage_is_valid(frame.geometry.to_numpy())
        assert frame.area.sum() == pytest.approx(pixels * 900, rel=1e-9)
        assert shapely.union_all(frame.geometry.to_numpy()).area == pytest.approx(pixels * 900, rel=1e-9)
    assert zones["zone_code"].is_unique
    assert zones["area_ha"].sum() == pytest.approx(pixels * 0.09)


def test_layers_and_columns_are_described(published, layers):
    with closing(sqlite3.connect(published / "springfill.gpkg")) as database:
        contents = {r[0]: r[1:] for r in database.execute(
            "SELECT table_name, data_type, identifier, description FROM gpkg_contents")}  # fmt: skip
        words = {(t, c): (title, text) for t, c, title, text in database.execute(
            "SELECT table_name, column_name, title, description FROM gpkg_data_columns")}  # fmt: skip
        query = "SELECT value, description FROM gpkg_data_column_constraints WHERE constraint_name = 'zone_codes'"
        enum = dict(database.execute(query))
        extensions = {r[0] for r in database.execute("SELECT extension_name FROM gpkg_extensions")}
        (version,) = database.execute("PRAGMA user_version").fetchone()
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert not database.execute("PRAGMA foreign_key_check").fetchall()
    assert version in (10200, 10300)
    assert "gpkg_schema" in extensions
    assert enum == {str(z.code): z.label for z in zone_legend()}
    for name, layer in layers.items():
        kind, title, text = contents[name]
        assert (kind, title, text) == ("features" if layer.spatial else "attributes", layer.title, layer.description)
        for column in layer.columns:
            assert words[name, column.name] == (column.titled, column.described)
    assert words["fields", "planting_water_mm_stubble"][1].endswith("[mm]")
    assert contents["layer_styles"][0] == "attributes"


def test_each_spatial_layer_has_one_default_style(published):
    styles = pyogrio.read_dataframe(published / "springfill.gpkg", layer="layer_styles")
    assert sorted(styles["f_table_name"]) == sorted(SPATIAL)
    assert styles["useAsDefault"].astype(bool).all()
    assert (styles["f_geometry_column"] == "geom").all()
    assert styles["styleSLD"].str.contains("StyledLayerDescriptor").all()


@pytest.mark.parametrize("name", [*SPATIAL, *TABLES])
def test_geopackage_metadata_has_provenance(published, study, name):
    info = pyogrio.read_info(published / "springfill.gpkg", layer=name)
    assert info["layer_metadata"]["study_hash"] == study.provenance["study_hash"]
    assert info["dataset_metadata"]["licence"] == "invented"
    assert "run.json" in info["dataset_metadata"]["record"]


def test_geoparquet_metadata(published):
    file = pq.ParquetFile(published / "fields.parquet")
    wanted = (b"geo", b"about")
    meta = {k.decode(): json.loads(v) for k, v in file.schema_arrow.metadata.items() if k in wanted}
    geo = meta["geo"]
    assert geo["version"] == "1.1.0"
    column = geo["columns"][geo["primary_column"]]
    assert column["encoding"] == "WKB"
    assert set(column["covering"]["bbox"]) == {"xmin", "ymin", "xmax", "ymax"}
    assert column["crs"]["id"] == {"authority": "EPSG", "code": 5070}
    assert {file.metadata.row_group(0).column(i).compression for i in range(file.metadata.num_columns)} == {"ZSTD"}
    gap = describe("planting_gap_mm_winter_killed")
    words = file.schema_arrow.field(gap.name).metadata
    for key, text in (("unit", "mm"), ("title", gap.label), ("description", gap.description), ("plain", gap.plain)):
        assert words[key.encode()].decode() == text
    assert meta["about"]["seed"] == "20"
    assert json.loads(meta["about"]["versions"])["numpy"] == np.__version__
    field = file.schema_arrow.field("area_ha")
    assert field.metadata[b"unit"] == b"ha"


def _duckdb():
    duckdb = pytest.importorskip("duckdb")
    connection = duckdb.connect()
    connection.execute("SET autoinstall_known_extensions = false")
    found = importlib.util.find_spec("duckdb_extension_spatial")
    file = found and next(Path(found.origin).parent.rglob(f"v{duckdb.__version__}/spatial.duckdb_extension"), None)
    return duckdb, connection, file


def test_duckdb_reads_the_parquet_table(published, study):
    _, connection, _ = _duckdb()
    query = "SELECT count(*), sum(area_ha), max(zone_code) FROM read_parquet(?)"
    count, area, code = connection.execute(query, [str(published / "fields.parquet")]).fetchone()
    assert (count, code) == (len(study.fields), study.fields["zone_code"].max())
    assert area == pytest.approx(study.fields["area_ha"].sum())


@pytest.mark.slow
@pytest.mark.parametrize("file", ["fields.parquet", "springfill.gpkg"])
def test_duckdb_spatial_sees_the_same_shapes(published, study, file):
    duckdb, connection, extension = _duckdb()
    if extension is None:
        pytest.skip(f"no spatial extension for DuckDB {duckdb.__version__} (package duckdb-extension-spatial)")
    connection.load_extension(str(extension))
    path = str(published / file)
    source = "read_parquet(?)" if file.endswith(".parquet") else "ST_Read(?)"
    shape = "geometry" if file.endswith(".parquet") else "geom"
    kind = connection.execute(f"SELECT typeof({shape}) FROM {source} LIMIT 1", [path]).fetchone()[0]
    value = f"ST_GeomFromWKB({shape})" if kind == "BLOB" else shape
    rows = connection.execute(
        f"SELECT field_id, ST_Area({value}), ST_IsValid({value}) FROM {source}", [path]
    ).fetchall()
    area = dict(zip(study.fields["field_id"], study.fields.area, strict=True))
    assert {r[0] for r in rows} == set(area)
    assert all(r[2] for r in rows)
    assert [r[1] for r in rows] == pytest.approx([area[r[0]] for r in rows], rel=1e-12)


def test_duckdb_prunes_by_the_bounding_box(published, study):
    _, connection, _ = _duckdb()
    x = float(study.fields.bounds["minx"].iloc[3])
    query = "SELECT field_id FROM read_parquet(?) WHERE bbox.xmin <= ? AND bbox.xmax >= ?"
    rows = connection.execute(query, [str(published / "fields.parquet"), x + 30, x + 30]).fetchall()
    assert rows == [(study.fields["field_id"].iloc[3],)]


_OGR = """
import json, sys
from osgeo import gdal, ogr
gdal.UseExceptions()
data = gdal.OpenEx(sys.argv[1], gdal.OF_VECTOR)
out = {}
for i in range(data.GetLayerCount()):
    layer = data.GetLayer(i)
    definition = layer.GetLayerDefn()
    fields = [definition.GetFieldDefn(k) for k in range(definition.GetFieldCount())]
    out[layer.GetName()] = {"count": layer.GetFeatureCount(),
        "alias": {f.GetName(): f.GetAlternativeName() for f in fields},
        "domain": {f.GetName(): f.GetDomainName() for f in fields},
        "valid": all(f.geometry() is None or f.geometry().IsValid() for f in layer)}
domain = data.GetFieldDomain("zone_codes")
out["version"] = [int(v) for v in gdal.VersionInfo("RELEASE_NAME").split(".")[:2]]
out["domain"] = domain.GetEnumeration() if domain else None
print(json.dumps(out))
"""


def test_system_gdal_sees_titles_and_coded_zones(published, study, tmp_path):
    seen = gdal_says(_OGR, [str(published / "springfill.gpkg")], tmp_path)
    assert seen["fields"]["count"] == len(study.fields)
    assert seen["fields"]["domain"]["zone_code"] == "zone_codes"
    assert seen["domain"] == {str(z.code): z.label for z in zone_legend()}
    assert all(seen[name]["valid"] for name in SPATIAL)
    if tuple(seen["version"]) < (3, 7):
        pytest.skip("GDAL shows titles of GeoPackage columns from 3.7 on; the rest of this test has passed")
    assert seen["fields"]["alias"]["planting_water_mm_stubble"] == describe("planting_water_mm_stubble").titled
