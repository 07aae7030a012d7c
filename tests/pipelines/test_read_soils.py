"""The same small area in each survey form gives the same profiles; what is wrong is said with file and row."""

from __future__ import annotations

import shutil
import zipfile

import numpy as np
import pandas as pd
import pyogrio
import pytest

from geo.errors import StudyError
from geo.ground.grid import burn_map_units, study_grid
from geo.ground.response_units import build_units
from geo.soils.table import AWC_COLUMNS
from pipelines.read.soils.dispatch import read_soils
from pipelines.read.soils.survey import find_survey_areas
from tests.geo.soil_frames import check_profiles
from tests.open_data import open_data
from tests.pipelines import soil_files as sf

X0, Y0 = sf.ORIGIN
SIDE = sf.BLOCK * sf.CELL
UPPER_LEFT = (X0 + 30, Y0 - SIDE + 60, X0 + SIDE - 60, Y0 - 30, sf.CRS)  # inside the first map unit


@pytest.fixture(scope="module")
def export(tmp_path_factory):
    return sf.write_export(tmp_path_factory.mktemp("export"))


@pytest.fixture(scope="module")
def geodatabase(tmp_path_factory):
    return sf.write_geodatabase(tmp_path_factory.mktemp("gdb") / "larkspur.gdb")


@pytest.fixture(scope="module")
def expected(export):
    return read_soils(export)[0]


def test_survey_export_folder(export):
    soils, problems = read_soils(export)
    profiles = soils.profiles
    check_profiles(profiles[profiles["rated"]])
    assert list(soils.map_units.index) == list(sf.MUKEYS)
    assert soils.map_units["symbol"].tolist() == ["1100", "22", "7", "W"]
    assert soils.map_units.at[sf.SHALLOW, "name"] == "Shallow | complex"
    assert soils.map_units["rated_share"].tolist() == pytest.approx([0.95, 0.90, 0.60, 0.0])
    # By hand: 25 cm at 0.23, the rest at 0.20; rock at 40 cm under 0.15.
    assert profiles.at[f"{sf.SILT}-1", "awc_1_mm"] == pytest.approx(250 * 0.23 + 54.8 * 0.20)
    assert profiles.at[f"{sf.SILT}-1", "awc_4_mm"] == pytest.approx(60.96)
    assert profiles.loc[f"{sf.SHALLOW}-1", list(AWC_COLUMNS)].sum() == pytest.approx(60.0)
    assert profiles["hydrologic_group"].tolist()[:3] == ["D", "C", "A"]  # dual; 2 um/s; survey
    assert len(soils.polygons) == 5
    assert soils.polygons.crs.to_epsg() == 4326
    assert sorted(p.what.split(" (")[0] for p in problems if p.action == "left out") == [
        "not rated: rock or bare land",
        "not rated: water",
    ]


@pytest.mark.slow
@pytest.mark.parametrize("form", ["zip", "folder of zips", "no column list", "deep folder"])
def test_other_ways_to_hand_over_an_export(form, export, expected, tmp_path):
    if form == "zip":
        path = sf.zip_folder(export, tmp_path / "wss_SSA_LK001")
    elif form == "folder of zips":
        sf.zip_folder(export, tmp_path / "wss_SSA_LK001_soildb")
        path = tmp_path
    elif form == "no column list":
        path = sf.write_export(tmp_path, listing=False)
    else:
        shutil.copytree(export, tmp_path / "downloads" / "soils" / "LK001")
        path = tmp_path
    soils, _ = read_soils(path)
    pd.testing.assert_frame_equal(soils.profiles, expected.profiles)
    assert len(soils.polygons) == 5


def test_geodatabase(geodatabase, expected):
    soils, problems = read_soils(geodatabase)
    pd.testing.assert_frame_equal(soils.profiles, expected.profiles, check_dtype=False)
    pd.testing.assert_frame_equal(soils.map_units, expected.map_units, check_dtype=False)
    assert soils.polygons.crs.to_epsg() == 5070
    assert len(problems) == 3  # rock outcrop, water, one group computed


def test_zipped_geodatabase(geodatabase, expected, tmp_path):
    soils, _ = read_soils(sf.zip_folder(geodatabase, tmp_path / "larkspur.gdb"))
    pd.testing.assert_frame_equal(soils.profiles, expected.profiles, check_dtype=False)


@pytest.mark.parametrize("tables", ["geodatabase", "export", "csv"])
@pytest.mark.parametrize("value", ["key", "index with attribute table"])
def test_map_unit_raster(tables, value, export, geodatabase, expected, tmp_path):
    codes = sf.code_array()
    path = tmp_path / "MapunitRaster_30m.tif"
    if value == "key":
        sf.write_raster(path, codes, nodata=2147483647)
    else:
        keys, index = np.unique(codes, return_inverse=True)
        sf.write_raster(path, (index.reshape(codes.shape) + 1).astype("int16"), nodata=0)
        table = pd.DataFrame({"Value": np.arange(len(keys)) + 1, "Count": 400, "MUKEY": keys.astype(str)})
        pyogrio.write_dataframe(table, tmp_path / "MapunitRaster_30m.tif.vat.dbf", driver="ESRI Shapefile")
    if tables == "geodatabase":
        shutil.copytree(geodatabase, tmp_path / "larkspur.gdb")
    elif tables == "export":
        shutil.copytree(export / "tabular", tmp_path / "tabular")
    else:
        for name, frame in sf.tables().items():
            frame.to_csv(tmp_path / f"{name}.csv", index=False)
    soils, _ = read_soils(path)
    pd.testing.assert_frame_equal(soils.profiles, expected.profiles, check_dtype=False)
    assert soils.polygons is None
    assert soils.code_raster.dtype == np.int16, "two bytes a cell, not the key itself"
    assert soils.code_raster.rio.crs.to_epsg() == 5070
    shown = np.vectorize(soils.codes.get)(soils.code_raster.to_numpy())
    assert (shown == sf.code_array().astype(str)).all()


def test_map_unit_raster_with_named_tables(geodatabase, tmp_path):
    path = sf.write_raster(tmp_path / "keys.tif", sf.code_array())
    soils, _ = read_soils(path, variables={"tables": str(geodatabase)})
    assert set(soils.map_units.index) == set(sf.MUKEYS)
    with pytest.raises(StudyError, match="tables of the map unit raster were not found"):
        read_soils(path)


@pytest.mark.slow
@pytest.mark.parametrize("form", ["export", "geodatabase", "raster"])
def test_only_the_window_is_read(form, export, geodatabase, tmp_path):
    path = {"export": export, "geodatabase": geodatabase}.get(form)
    if path is None:
        path = sf.write_raster(tmp_path / "keys.tif", sf.code_array())
    variables = {"tables": str(geodatabase)} if form == "raster" else None
    soils, problems = read_soils(path, area=UPPER_LEFT, variables=variables)
    assert list(soils.map_units.index) == [sf.SILT]
    assert len(soils.profiles) == 2
    assert not [p for p in problems if "Water" in p.where]
    if form == "raster":
        assert soils.code_raster.shape == (19, 19)  # 17 cells, one more on each side
    far = (0.0, 0.0, 1000.0, 1000.0, sf.CRS)
    with pytest.raises(StudyError, match="does not cover the study area"):
        read_soils(path, area=far, variables=variables)


def test_map_unit_raster_keeps_no_data_and_unknown_keys(geodatabase, tmp_path):
    codes = sf.code_array()
    codes[0, 0], codes[0, 1] = 2147483647, 999
    path = sf.write_raster(tmp_path / "keys.tif", codes, nodata=2147483647)
    soils, problems = read_soils(path, variables={"tables": str(geodatabase)})
    assert soils.code_raster.to_numpy()[0, 0] == -1
    assert soils.map_units.at["999", "reason"] == "not in the soil tables"
    assert [p.where for p in problems if "not in the tables" in p.what] == ["map unit 999"]


def test_keys_that_decimals_cannot_hold_are_refused(geodatabase, tmp_path):
    values = np.full((4, 4), 26_000_001, dtype="float32")
    path = sf.write_raster(tmp_path / "keys.tif", values)
    with pytest.raises(StudyError, match="32-bit decimals"):
        read_soils(path, kind="map_unit_raster", variables={"tables": str(geodatabase)})


def test_several_areas_and_a_repeated_one(export, tmp_path):
    shutil.copytree(export, tmp_path / "LK001")
    shutil.copytree(export, tmp_path / "copy" / "LK001")
    other = sf.write_export(tmp_path / "second", data=_renumbered())
    for file in list((other / "spatial").iterdir()):
        file.rename(file.with_name(file.name.replace("lk001", "lk003")))
    layer = pyogrio.read_dataframe(other / "spatial" / "soilmu_a_lk003.shp")
    layer["MUKEY"] = layer["MUKEY"].str.replace("318", "418")
    pyogrio.write_dataframe(layer, other / "spatial" / "soilmu_a_lk003.shp")
    soils, problems = read_soils(tmp_path)
    assert len(soils.map_units) == 8
    assert len(soils.polygons) == 10
    assert [p.what for p in problems if "given twice" in p.what] == ["given twice; one copy is used"]


def _renumbered() -> dict[str, pd.DataFrame]:
    data = sf.tables()
    for frame in data.values():
        for column in ("mukey", "cokey"):
            if column in frame:
                frame[column] = (
                    frame[column].str.replace("^318", "418", regex=True).str.replace("^26", "36", regex=True)
                )
    return data


def test_a_broken_row_is_listed_with_its_file_and_the_rest_is_kept(tmp_path):
    home = sf.write_export(tmp_path)
    file = home / "tabular" / "chorizon.txt"
    rows = file.read_text(encoding="utf-8").splitlines()
    file.write_text("\r\n".join([*rows, rows[2] + '|"stray"']) + "\r\n", encoding="utf-8", newline="")
    soils, problems = read_soils(home)
    assert soils.profiles["rated"].sum() == 4
    broken = [p for p in problems if "fields, not 171" in p.what]
    assert len(broken) == 1
    assert "chorizon.txt" in broken[0].where


def test_a_value_out_of_bounds_names_file_and_row(tmp_path):
    data = sf.tables()
    data["chorizon"].loc[3, "awc_r"] = 6.0
    _, problems = read_soils(sf.write_export(tmp_path, data=data))
    where = [p.where for p in problems if "value 6 is outside the limits" in p.what]
    assert len(where) == 1
    assert where[0].endswith("chorizon.txt row 4, awc_r")


def _drop_tables(home):
    shutil.rmtree(home / "tabular")


def _drop_polygons(home):
    shutil.rmtree(home / "spatial")


def _drop_horizons(home):
    (home / "tabular" / "chorizon.txt").unlink()


def _empty_components(home):
    (home / "tabular" / "comp.txt").write_text("")


def _other_columns(home):
    (home / "tabular" / "comp.txt").write_text('"1"|"2"|"3"\r\n')


@pytest.mark.slow
@pytest.mark.parametrize(
    ("damage", "kind", "what"),
    [
        (_drop_tables, "survey_export", "No soil survey tables were found"),
        (_drop_polygons, "auto", "has tables but no map unit polygons"),
        (_drop_horizons, "auto", "has no table chorizon"),
        (_empty_components, "auto", "component is empty"),
        (_other_columns, "auto", "has 3 columns in its first row where 109 are expected"),
    ],
)
def test_a_damaged_export_says_what_where_and_what_to_do(damage, kind, what, tmp_path):
    home = sf.write_export(tmp_path)
    damage(home)
    with pytest.raises(StudyError, match=what) as error:
        read_soils(home, kind=kind)
    assert error.value.where
    assert error.value.fix


def test_polygons_without_crs_are_taken_as_the_exports_are(tmp_path):
    home = sf.write_export(tmp_path)
    (home / "spatial" / "soilmu_a_lk001.prj").unlink()
    soils, problems = read_soils(home)
    assert soils.polygons.crs.to_epsg() == 4326
    assert [p for p in problems if "no coordinate system in the file" in p.what]


def test_a_geodatabase_without_tables_is_refused(tmp_path):
    path = tmp_path / "only_map.gdb"
    pyogrio.write_dataframe(sf.polygons(), path, layer="MUPOLYGON", driver="OpenFileGDB")
    with pytest.raises(StudyError, match="has no table mapunit"):
        read_soils(path)


@pytest.mark.parametrize(
    ("name", "what"),
    [("missing", "does not exist"), ("notes.txt", "no known kind"), ("broken.zip", "neither a folder")],
)
def test_paths_that_are_no_soils(name, what, tmp_path):
    if name != "missing":
        (tmp_path / name).write_text("hello")
    with pytest.raises(StudyError, match=what):
        read_soils(tmp_path / name)


def test_unknown_kind_lists_the_known_ones(tmp_path):
    with pytest.raises(StudyError, match="not known") as error:
        read_soils(tmp_path, kind="soil")
    assert "survey_export" in error.value.fix


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sample", "units", "polygons", "rated"),
    [("soil/co671_cdg", 4, 4, 10), ("soil/isuag_ia", 2, 3, 7)],
    ids=["SSURGO CO671, tables written by R", "SSURGO IA015, tables written by R"],
)
def test_real_samples_with_dotted_names(sample, units, polygons, rated):
    soils, problems = read_soils(open_data(sample))
    assert len(soils.map_units) == units
    assert len(soils.polygons) == polygons
    assert soils.profiles["rated"].sum() == rated
    left = [p for p in problems if p.what.startswith("not rated")]
    assert rated + len(left) == len(soils.profiles)
    check_profiles(soils.profiles[soils.profiles["rated"]])


def test_real_export_with_its_own_column_list():
    areas = find_survey_areas(open_data("soil/az649_ssurgo"))
    assert len(areas) == 1
    assert areas[0].columns["component"][-1] == "cokey"
    with pytest.raises(StudyError, match="no map unit polygons"):
        read_soils(open_data("soil/az649_ssurgo"))


def test_files_in_a_zip_are_not_unpacked(export, tmp_path):
    path = sf.zip_folder(export, tmp_path / "LK001")
    before = sorted(p.name for p in tmp_path.iterdir())
    read_soils(path)
    assert sorted(p.name for p in tmp_path.iterdir()) == before
    with zipfile.ZipFile(path) as archive:
        assert any(n.endswith("tabular/comp.txt") for n in archive.namelist())


def test_coarse_national_export_names(export, expected, tmp_path):
    home = tmp_path / "wss_gsmsoil_XX"
    shutil.copytree(export, home)
    for file in list((home / "spatial").iterdir()):
        file.rename(file.with_name(file.name.replace("soilmu_a_lk001", "gsmsoilmu_a_xx")))
    soils, _ = read_soils(home)
    pd.testing.assert_frame_equal(soils.profiles, expected.profiles)


def test_a_geodatabase_without_map_says_how_to_go_on(tmp_path):
    path = sf.write_geodatabase(tmp_path / "tables_only.gdb", with_polygons=False)
    with pytest.raises(StudyError, match="neither map unit polygons nor a raster") as error:
        read_soils(path)
    assert "GeoTIFF" in error.value.fix


def _pixel_capacity(soils, grid) -> np.ndarray:
    """Return the capacity of the rated soil of each pixel by foot, (4, row, column), NaN where nothing is rated."""
    codes, ids = burn_map_units(soils, grid)
    units = build_units(codes, ids, np.zeros(codes.shape, np.int32), soils, pixel_area_ha=0.09)
    table = soils.profiles.loc[units.units["profile_id"], list(AWC_COLUMNS)].to_numpy()
    weights = units.site_units
    site = np.full((len(units.sites), 4), np.nan)
    for key, group in weights.groupby("site"):
        site[key] = (table[group["unit"]] * group["weight"].to_numpy()[:, None]).sum(axis=0)
    out = np.where(units.site_raster >= 0, 0, np.nan) + np.moveaxis(site[np.maximum(units.site_raster, 0)], 2, 0)
    return out


@pytest.mark.slow
def test_three_forms_of_one_area_give_the_same_water_on_every_pixel(export, geodatabase, tmp_path):
    """Polygons in degrees, a raster of keys, and a capacity grid made from it, laid on one study grid.

    The raster and the polygons agree to 0.5 mm (the response units round); pixels that a boundary crosses may
    differ, since the export's coordinates are degrees: at most 2 % of the pixels. The grid is rounded to 2 mm.
    """
    raster = sf.write_raster(tmp_path / "keys.tif", sf.code_array())
    first, _ = read_soils(export)
    second, _ = read_soils(raster, variables={"tables": str(geodatabase)})
    rated = first.profiles[first.profiles["rated"]]
    mean = rated[list(AWC_COLUMNS)].mul(rated["weight"], axis=0).groupby(rated["map_unit_id"]).sum()
    keys = sf.code_array().astype(str)
    water = np.stack([np.vectorize(lambda k, c=c: mean[c].get(k, np.nan) / 304.8)(keys) for c in AWC_COLUMNS])
    edges = (0, 30.48, 60.96, 91.44, 121.92)
    labels = tuple(f"awc {a:.2f}-{b:.2f} cm" for a, b in zip(edges[:-1], edges[1:], strict=True))
    third, _ = read_soils(
        sf.write_raster(tmp_path / "awc.tif", water.astype("float32"), descriptions=labels, units=("cm/cm",) * 4)
    )
    grid = study_grid((X0, Y0 - 2 * SIDE, X0 + 2 * SIDE, Y0), sf.CRS, sf.CELL)
    maps = [_pixel_capacity(s, grid) for s in (first, second, third)]
    for other, tolerance in ((maps[0], 0.5), (maps[2], 1.5)):
        both = np.isfinite(maps[1]).all(axis=0) & np.isfinite(other).all(axis=0)
        assert both.sum() >= 0.98 * 3 * sf.BLOCK**2
        close = (np.abs(other - maps[1]) <= tolerance).all(axis=0)
        assert close[both].mean() >= 0.98
