"""Field boundaries in every form people have them."""

from __future__ import annotations

import json
import shutil
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from geo.errors import StudyError
from geo.ground.boundaries import clean_fields, geodesic_area_ha
from pipelines.read.fields.boundaries import read_fields
from pipelines.read.located import located
from tests.open_data import open_data

COLUMNS = ["field_id", "name", "irrigated", "previous_crop", "next_crop"]
X, Y = -600_000.0, 1_900_000.0


def county(crs="EPSG:5070"):
    """Return three invented fields: a quarter section, a circle, and one in two parts."""
    quarter = shapely.box(X, Y, X + 800, Y + 800)
    circle = shapely.Point(X + 2000, Y + 400).buffer(390, quad_segs=32)
    split = shapely.MultiPolygon(
        [shapely.box(X + 3000, Y, X + 3300, Y + 300), shapely.box(X + 3400, Y, X + 3700, Y + 300)]
    )
    return gpd.GeoDataFrame(
        {
            "field_id": ["NE-12", "P7", "Ł-3"],
            "name": ["Home quarter", "Pivot <b>7</b>", "Śplit & rest"],
            "irrigated": ["no", "Center Pivot", "dryland"],
            "previous_crop": ["winter wheat", "winter wheat", "barley"],
            "next_crop": ["corn", None, "sorghum"],
            "OWNER": ["nobody"] * 3,
        },
        geometry=[quarter, circle, split],
        crs="EPSG:5070",
    ).to_crs(crs)


def write_zip(folder, inner, target, prefix=""):
    with zipfile.ZipFile(target, "w") as archive:
        for file in sorted(folder.rglob(f"{inner}*")):
            archive.write(file, prefix + file.relative_to(folder).as_posix())


def make(kind, folder):
    fields = county()
    path = folder / {
        "gpkg": "f.gpkg", "shp": "f.shp", "fgb": "f.fgb", "gdb": "f.gdb", "geojson": "f.geojson",
        "geojson_crs_member": "old.geojson", "parquet": "f.parquet", "shp_zip": "f.zip", "shp_zip_nested": "n.zip",
        "gdb_zip": "g.zip", "folder": "inner",
    }[kind]  # fmt: skip
    if kind in ("gpkg", "shp", "fgb"):
        pyogrio.write_dataframe(fields, path)
    elif kind == "gdb":
        pyogrio.write_dataframe(
            fields, path, driver="OpenFileGDB", layer="parcels", geometry_type="MultiPolygon", promote_to_multi=True
        )
    elif kind == "geojson":
        pyogrio.write_dataframe(fields.to_crs(4326), path, layer_options={"COORDINATE_PRECISION": 9})
    elif kind == "geojson_crs_member":
        member = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::5070"}}
        path.write_text(json.dumps(json.loads(fields.to_json()) | {"crs": member}), encoding="utf-8")
    elif kind == "parquet":
        fields.to_parquet(path)
    elif kind == "gdb_zip":
        pyogrio.write_dataframe(
            fields,
            folder / "f.gdb",
            driver="OpenFileGDB",
            layer="parcels",
            geometry_type="MultiPolygon",
            promote_to_multi=True,
        )
        write_zip(folder, "f.gdb", path, "county/2024/")
        with zipfile.ZipFile(path, "a") as archive:
            for file in (folder / "f.gdb").iterdir():
                archive.write(file, f"county/2024/f.gdb/{file.name}")
    else:
        inner = folder / "inner"
        inner.mkdir()
        pyogrio.write_dataframe(fields, inner / "Field Lines.shp", encoding="UTF-8")
        if kind.startswith("shp_zip"):
            write_zip(inner, "Field Lines", path, "export 2024/shapes/" if kind == "shp_zip_nested" else "")
    return path


KINDS = [
    "gpkg",
    "shp",
    "fgb",
    "gdb",
    "geojson",
    "geojson_crs_member",
    "parquet",
    "shp_zip",
    "shp_zip_nested",
    "gdb_zip",
    "folder",
]


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_fields_come_out_of_every_format(kind, tmp_path):
    raw, problems = read_fields(make(kind, tmp_path))
    assert problems == []
    assert list(raw.columns) == [*COLUMNS, "geometry"]
    out, listed = clean_fields(raw, "EPSG:5070")
    assert listed == []
    expected = county()
    order = out.set_index("field_id").loc[expected["field_id"]]  # FlatGeobuf sorts its features in space
    assert order["name"].tolist() == expected["name"].tolist()
    assert order["irrigated"].tolist() == [False, True, False]
    assert order["previous_crop"].tolist() == ["winter wheat", "winter wheat", "barley"]
    assert order["next_crop"].tolist() == ["corn", "", "sorghum"]
    np.testing.assert_allclose(order.geometry.area, expected.area, rtol=1e-6)
    np.testing.assert_allclose(order["area_ha"], expected.area / 1e4, rtol=1e-4)


REAL = [
    ("csb100.gpkg", 5070),
    ("csb100_shp.zip", 5070),
    ("csb100.geojson", 4326),
    ("csb100.kml", 4326),
    ("csb100.kmz", 4326),
]


@pytest.mark.parametrize(("name", "epsg"), REAL, ids=[r[0] for r in REAL])
def test_real_crop_sequence_boundaries_agree_across_formats(name, epsg):
    path = open_data(f"fields/derived/{name}")
    raw, problems = read_fields(path)
    assert raw.crs.to_epsg() == epsg
    assert [p.what for p in problems] == ["no column says which fields are irrigated; all taken as dryland"]
    out, listed = clean_fields(raw, "EPSG:5070")
    assert (len(raw), len(out)) == (100, 100)
    assert {p.action for p in listed} == {"repaired"}
    assert len(listed) == 4
    # The survey's own acres of the same polygons (CSBACRES of the geodatabase).
    published = pyogrio.read_dataframe(open_data("fields/derived/csb100.gpkg"))["CSBACRES"].sum()
    assert out["area_ha"].sum() / 0.40468564224 == pytest.approx(published, rel=1e-3)


def test_real_crop_sequence_geodatabase_inside_its_zip():
    raw, _ = read_fields(open_data("fields/NationalCSB_2017-2024_rev23_sample100.zip"))
    assert raw["field_id"].iloc[0] == "351724000000001"
    assert raw["field_id"].is_unique
    assert raw["previous_crop"].iloc[0] == "shrubland"  # CDL2024 = 152
    out, listed = clean_fields(raw, "EPSG:5070")
    assert len(out) == 100
    assert not any("recorded as" in p.what for p in listed)  # CSBACRES was read as acres


def test_open_field_boundary_names_version_0_3_area_in_square_metres():
    raw, _ = read_fields(open_data("fields/fiboa_v0.3_example.parquet"))
    assert raw["field_id"].tolist()[0] == "12324"
    assert raw["previous_crop"].tolist() == ["Ackerland"] * 2  # a constant, kept in the file's `collection`
    assert raw["source_area_ha"].iloc[0] == pytest.approx(1.6311)
    out, listed = clean_fields(raw, "EPSG:25832")
    np.testing.assert_allclose(out["area_ha"], raw["source_area_ha"], rtol=0.01)
    assert not [p for p in listed if "recorded" in p.what]


def test_open_field_boundary_names_version_0_2_area_in_hectares():
    raw, _ = read_fields(open_data("fields/dk_2024_fiboa_0_2.parquet"))
    assert raw.crs.to_epsg() == 25832
    assert raw["source_area_ha"].iloc[0] == pytest.approx(6.38)
    out, listed = clean_fields(raw, "EPSG:25832")
    lost = {p.where for p in listed if p.action == "left out"}
    assert len(out) + len(lost) == 100
    # Their area is planar UTM, ours is geodesic (scale factor 0.9996), and theirs is cut to 0.01 ha.
    recorded, outline = raw["source_area_ha"].to_numpy(float), geodesic_area_ha(raw.geometry)
    np.testing.assert_allclose(outline, recorded, rtol=2.5e-3, atol=0.011)
    repeated = raw["field_id"].duplicated().sum()
    assert sum("of another field" in p.what for p in listed) == repeated > 0
    assert not any("recorded as" in p.what for p in listed)


def test_open_field_boundary_geojson():
    raw, _ = read_fields(open_data("fields/fiboa-example.json"))
    assert raw["field_id"].iloc[0] == "12324"
    assert raw["source_area_ha"].iloc[0] == pytest.approx(1.6311)


def test_person_linked_columns_are_not_carried_on(tmp_path):
    unit = county().rename(columns={"field_id": "CLUNBR"}).assign(FARMNBR=4711, TRACTNBR=815, CLUNBR=[1, 2, 3])
    unit["CALCACRES"] = unit.area / 4046.8564224
    pyogrio.write_dataframe(unit, tmp_path / "clu.shp")
    raw, problems = read_fields(tmp_path / "clu.shp")
    out, listed = clean_fields(raw, "EPSG:5070")
    text = raw.drop(columns="geometry").to_csv() + out.drop(columns="geometry").to_csv() + str(problems + listed)
    assert "4711" not in text
    assert "815" not in text
    assert "nobody" not in text
    np.testing.assert_allclose(raw["source_area_ha"], unit.area / 1e4, rtol=1e-6)


KML = """<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><name>farm</name>
<Folder><name>North</name>
 <Placemark><name>A &amp; B</name><description><![CDATA[<script>alert(1)</script>]]></description><Polygon>
  <outerBoundaryIs><LinearRing><coordinates>{ring}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>
 <Folder><name>Inner</name><Placemark><name>Unclosed</name><Polygon><outerBoundaryIs><LinearRing>
  <coordinates>{open_ring}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></Folder>
</Folder>
<Folder><name>South</name><Placemark><name>Path</name><LineString><coordinates>{path}</coordinates></LineString></Placemark>
 <Placemark><name>Well</name><Point><coordinates>-103.0,40.0,0</coordinates></Point></Placemark></Folder>
<Placemark><name>Loose</name><Polygon><outerBoundaryIs><LinearRing><coordinates>{loose}</coordinates></LinearRing>
 </outerBoundaryIs></Polygon></Placemark>
</Document></kml>"""


def ring(west, closed=True):
    corners = [(west, 40.0), (west + 0.005, 40.0), (west + 0.005, 40.005), (west, 40.005)]
    return " ".join(f"{x},{y},1250" for x, y in corners + corners[: int(closed)])


@pytest.mark.parametrize("suffix", [".kml", ".kmz"])
def test_kml_folders_paths_points_heights_and_unclosed_rings(tmp_path, suffix):
    text = KML.format(ring=ring(-103), open_ring=ring(-103.1, False), path=ring(-103.2), loose=ring(-103.3))
    path = tmp_path / f"farm{suffix}"
    if suffix == ".kml":
        path.write_text(text, encoding="utf-8")
    else:
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("doc.kml", text)
    raw, problems = read_fields(path)
    assert sorted(raw["name"]) == ["A & B", "Loose", "Path", "Unclosed", "Well"]
    assert "script" not in raw.drop(columns="geometry").to_csv()
    assert any("1 rings that did not end where they began were closed" in p.what for p in problems)
    out, listed = clean_fields(raw, "EPSG:5070")
    assert sorted(out["name"]) == ["A & B", "Loose", "Path", "Unclosed"]
    assert sum(p.action == "left out" for p in listed) == 1
    np.testing.assert_allclose(out["area_ha"], out["area_ha"].iloc[0], rtol=1e-6)
    assert not out.geometry.has_z.any()


EXTENDED = """<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>
<Schema name="f" id="f"><SimpleField name="field_id" type="string"/>
<SimpleField name="irrigated" type="string"/></Schema><Document id="inner"><name>inner</name>
<Placemark><name>Home</name><ExtendedData><SchemaData schemaUrl="#f"><SimpleData name="field_id">H-7</SimpleData>
<SimpleData name="irrigated">yes</SimpleData></SchemaData></ExtendedData><Polygon><outerBoundaryIs><LinearRing>
<coordinates>{ring}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></Document></Document></kml>"""


@pytest.mark.parametrize("suffix", [".kml", ".kmz"])
def test_extended_data_of_a_placemark_is_read_zipped_or_not(tmp_path, suffix):
    path = tmp_path / f"farm{suffix}"
    text = EXTENDED.format(ring=ring(-103))
    if suffix == ".kml":
        path.write_text(text, encoding="utf-8")
    else:
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("doc.kml", text)
            archive.writestr("files/icon.png", b"")
    raw, _ = read_fields(path)
    assert raw[["field_id", "name", "irrigated"]].to_numpy().tolist() == [["H-7", "Home", True]]


def test_a_kmz_cut_short_is_refused(tmp_path):
    path = tmp_path / "farm.kmz"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("doc.kml", EXTENDED.format(ring=ring(-103)))
    path.write_bytes(path.read_bytes()[:-40])
    with pytest.raises(StudyError, match="damaged or incomplete"):
        read_fields(path)


def test_a_kml_that_only_links_is_refused(tmp_path):
    path = tmp_path / "link.kml"
    path.write_text('<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><NetworkLink/></kml>')
    with pytest.raises(StudyError):
        read_fields(path)


def test_unclosed_ring_in_geojson_is_closed_and_listed(tmp_path):
    corners = [[-103, 40], [-102.99, 40], [-102.99, 40.01], [-103, 40.01]]
    shapes = [{"type": "Polygon", "coordinates": [corners]}, None]
    features = [{"type": "Feature", "properties": {"id": i}, "geometry": g} for i, g in enumerate(shapes)]
    path = tmp_path / "f.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    raw, problems = read_fields(path)
    assert [(p.what, p.action) for p in problems][0] == (
        "1 rings that did not end where they began were closed",
        "repaired",
    )
    out, listed = clean_fields(raw, "EPSG:5070")
    assert out["field_id"].tolist() == ["0"]
    assert [p.where for p in listed if p.action == "left out"] == ["1"]


def test_the_first_polygon_layer_is_read_and_the_others_are_named(tmp_path):
    path = tmp_path / "many.gpkg"
    points = county().set_geometry(county().centroid)
    pyogrio.write_dataframe(points, path, layer="wells")
    pyogrio.write_dataframe(county(), path, layer="fields_2023")
    pyogrio.write_dataframe(county().iloc[:2], path, layer="fields_2024")
    raw, problems = read_fields(path)
    assert len(raw) == 3
    assert problems[0].what == "only fields_2023 was read, not wells, fields_2024"
    raw, problems = read_fields(path, layer="Fields_2024")
    assert len(raw) == 2
    assert problems == []
    with pytest.raises(StudyError, match="no layer 'nope'") as error:
        read_fields(path, layer="nope")
    assert "fields_2023" in error.value.fix


def test_several_layers_in_one_zip(tmp_path):
    inner = tmp_path / "inner"
    inner.mkdir()
    pyogrio.write_dataframe(county().set_geometry(county().centroid), inner / "a_wells.shp")
    pyogrio.write_dataframe(county(), inner / "b_fields.shp")
    pyogrio.write_dataframe(county().iloc[:1], inner / "c_more.shp")
    write_zip(inner, "", tmp_path / "all.zip")
    raw, problems = read_fields(tmp_path / "all.zip")
    assert len(raw) == 3
    assert "only b_fields was read, not a_wells, c_more" in problems[0].what
    raw, _ = read_fields(tmp_path / "all.zip", layer="c_more")
    assert len(raw) == 1


def test_shapefile_without_prj_has_no_crs_until_one_is_given(tmp_path):
    pyogrio.write_dataframe(county(), tmp_path / "f.shp")
    (tmp_path / "f.prj").unlink()
    raw, _ = read_fields(tmp_path / "f.shp")
    with pytest.raises(StudyError, match="does not say"):
        clean_fields(raw, "EPSG:5070")
    raw, problems = read_fields(tmp_path / "f.shp", crs="EPSG:5070")
    out, _ = clean_fields(raw, "EPSG:5070")
    assert len(out) == 3
    assert problems == []


def test_state_plane_feet_give_the_same_hectares(tmp_path):
    pyogrio.write_dataframe(county("EPSG:2231"), tmp_path / "feet.shp")  # Colorado North, US survey feet
    out, _ = clean_fields(read_fields(tmp_path / "feet.shp")[0], "EPSG:5070")
    np.testing.assert_allclose(out["area_ha"], county().area / 1e4, rtol=1e-4)


def test_an_error_of_the_library_gets_its_file_and_key():
    nowhere = county().set_crs(None, allow_override=True)
    with pytest.raises(StudyError) as caught, located("fields.shp", "fields"):
        clean_fields(nowhere, "EPSG:5070")
    assert caught.value.where == "fields.shp"
    assert "look projected" in caught.value.fix
    assert 'crs = "EPSG:..." under [fields]' in caught.value.fix
    with pytest.raises(StudyError, match="None of the") as caught, located("fields.shp", "fields"):
        clean_fields(county(), "EPSG:5070", study_area=(10.0, 50.0, 11.0, 51.0))
    assert caught.value.where == "fields.shp"
    assert "under [fields]" not in caught.value.fix


def test_a_crs_in_the_study_file_overrules_the_file_and_says_so(tmp_path):
    pyogrio.write_dataframe(county().set_crs(5071, allow_override=True), tmp_path / "f.gpkg")
    raw, problems = read_fields(tmp_path / "f.gpkg", crs="EPSG:5070")
    assert raw.crs.to_epsg() == 5070
    assert "the study file counts" in problems[0].what
    with pytest.raises(StudyError, match="not a coordinate reference system"):
        read_fields(tmp_path / "f.gpkg", crs="EPSG:banana")


def test_projected_geojson_without_crs_member(tmp_path):
    path = tmp_path / "f.geojson"
    path.write_text(json.dumps({k: v for k, v in json.loads(county().to_json()).items() if k != "crs"}))
    with pytest.raises(StudyError, match="not degrees"):
        clean_fields(read_fields(path)[0], "EPSG:5070")
    out, _ = clean_fields(read_fields(path, crs="EPSG:5070")[0], "EPSG:5070")
    assert len(out) == 3


def test_columns_are_named_by_the_user_and_shapefile_cuts_are_understood(tmp_path):
    fields = county().rename(
        columns={"previous_crop": "harvested_this_year", "name": "Common Name", "irrigated": "H2O"}
    )
    pyogrio.write_dataframe(fields, tmp_path / "f.shp")
    names = {"previous_crop": "harvested_this_year", "name": "common name", "irrigated": "h2o"}
    raw, _ = read_fields(tmp_path / "f.shp", columns=names)
    assert raw["previous_crop"].tolist() == ["winter wheat", "winter wheat", "barley"]
    assert raw["name"].iloc[0] == "Home quarter"
    assert raw["irrigated"].tolist() == [False, True, False]
    with pytest.raises(StudyError, match="no column 'nope' for name") as error:
        read_fields(tmp_path / "f.shp", columns={"name": "nope"})
    assert "H2O" in error.value.fix
    with pytest.raises(StudyError, match="no column colour"):
        read_fields(tmp_path / "f.shp", columns={"colour": "x"})


IRRIGATED = [
    *((w, True) for w in ["yes", "Y", "TRUE", "1", "Pivot", "center pivot", "drip", "Flood"]),
    *((w, False) for w in ["no", "N", "false", "0", "Dryland", "rainfed", "none", "", None]),
]


@pytest.mark.parametrize(("word", "expected"), IRRIGATED, ids=[repr(w) for w, _ in IRRIGATED])
def test_words_for_irrigated(tmp_path, word, expected):
    pyogrio.write_dataframe(county().assign(irrigated=["yes", word, "no"]), tmp_path / "f.gpkg")
    raw, problems = read_fields(tmp_path / "f.gpkg")
    assert raw["irrigated"].tolist() == [True, expected, False]
    assert problems == []


@pytest.mark.parametrize(
    "values", [[1, 0, 1], [1.0, np.nan, 1.0], [True, False, True]], ids=["int", "float_null", "bool"]
)
def test_numbers_for_irrigated(tmp_path, values):
    pyogrio.write_dataframe(county().assign(irrigated=values), tmp_path / "f.gpkg")
    raw, problems = read_fields(tmp_path / "f.gpkg")
    assert raw["irrigated"].tolist() == [True, False, True]
    assert problems == []


def test_an_unknown_word_for_irrigated_is_listed_with_the_field(tmp_path):
    pyogrio.write_dataframe(county().assign(irrigated=["no", "sometimes", "no"]), tmp_path / "f.gpkg")
    raw, problems = read_fields(tmp_path / "f.gpkg")
    assert not raw["irrigated"].any()
    assert [(p.where, p.action) for p in problems] == [("P7", "warning")]
    assert "'sometimes' is neither yes nor no" in problems[0].what


@pytest.mark.parametrize("kind", ["gpkg", "geojson", "parquet", "fgb", "shp_zip"])
def test_only_fields_of_the_area_are_read_and_the_rest_is_counted(kind, tmp_path):
    west, south, east, north = county().iloc[[0]].to_crs(4326).total_bounds
    area = (west - 0.001, south, east - 0.001, north)
    raw, problems = read_fields(make(kind, tmp_path), area=area)
    assert raw["field_id"].tolist() == ["NE-12"]
    assert [p.what for p in problems] == ["2 fields do not meet the study area and were not read"]


def test_swapped_coordinates_survive_the_area_filter_so_that_they_can_be_repaired(tmp_path):
    fields = county("EPSG:4326")
    fields = fields.set_geometry(shapely.transform(fields.geometry.to_numpy(), lambda xy: xy[:, ::-1]))
    pyogrio.write_dataframe(fields, tmp_path / "f.gpkg")
    area = tuple(county("EPSG:4326").total_bounds)
    raw, _ = read_fields(tmp_path / "f.gpkg", area=area)
    out, listed = clean_fields(raw, "EPSG:5070", study_area=area)
    assert len(out) == 3
    assert sum("exchanged" in p.what for p in listed) == 3


def test_whole_number_ids_with_a_gap_stay_whole(tmp_path):
    pyogrio.write_dataframe(county().assign(field_id=[12.0, np.nan, 14.0]), tmp_path / "f.gpkg")
    raw, _ = read_fields(tmp_path / "f.gpkg")
    assert raw["field_id"].tolist() == ["12", "", "14"]


def broken(kind, folder):
    if kind == "missing":
        return folder / "nothing.gpkg"
    if kind == "damaged_zip":
        source = make("shp_zip", folder)
        path = folder / "cut.zip"
        path.write_bytes(source.read_bytes()[:500])
    elif kind == "zip_of_photos":
        path = folder / "photos.zip"
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("a.jpg", b"x")
    elif kind == "unknown_suffix":
        path = folder / "fields.docx"
        path.write_bytes(b"x")
    elif kind == "not_a_geopackage":
        path = folder / "f.gpkg"
        path.write_bytes(b"hello")
    elif kind == "plain_parquet":
        path = folder / "f.parquet"
        pd.DataFrame({"a": [1]}).to_parquet(path)
    elif kind == "not_parquet":
        path = folder / "f.parquet"
        path.write_bytes(b"hello")
    elif kind == "shp_without_shx":
        path = make("shp", folder)
        path.with_suffix(".shx").unlink()
    else:
        path = folder / "table.gpkg"
        pyogrio.write_dataframe(pd.DataFrame({"field_id": ["a"]}), path)
    return path


@pytest.mark.parametrize(
    "kind",
    ["missing", "damaged_zip", "zip_of_photos", "unknown_suffix", "not_a_geopackage", "plain_parquet", "not_parquet",
     "shp_without_shx", "table_only"],
)  # fmt: skip
def test_broken_files_end_in_one_message_with_a_fix(kind, tmp_path):
    path = broken(kind, tmp_path)
    with pytest.raises(StudyError) as error:
        read_fields(path)
    assert error.value.fix
    assert tmp_path.name in error.value.where


@pytest.mark.skipif(shutil.which("ogr2ogr") is None, reason="needs ogr2ogr to write true arcs")
def test_true_circles_of_a_pivot_become_polygons(tmp_path):
    import subprocess

    wkt = f"CURVEPOLYGON(CIRCULARSTRING({X} {Y},{X + 400} {Y + 400},{X + 800} {Y},{X + 400} {Y - 400},{X} {Y}))"
    (tmp_path / "c.csv").write_text(f'field_id,WKT\nP1,"{wkt}"\n')
    target = tmp_path / "c.gpkg"
    subprocess.run(
        [
            "ogr2ogr",
            "-f",
            "GPKG",
            str(target),
            str(tmp_path / "c.csv"),
            "-a_srs",
            "EPSG:5070",
            "-nlt",
            "CURVEPOLYGON",
        ],
        check=True,
    )
    out, listed = clean_fields(read_fields(target)[0], "EPSG:5070")
    assert out["area_ha"].iloc[0] == pytest.approx(np.pi * 16, rel=1e-3)
    assert listed == []
