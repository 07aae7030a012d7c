"""The invented sample county: complete, labelled, consistent with itself and with the formats it imitates."""

from __future__ import annotations

import filecmp
import math
import tomllib
from pathlib import Path

import cf_xarray  # noqa: F401
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import rasterio
import shapely
import xarray as xr

from geo.soils.pedotransfer import texture_class
from sample_layers import build_larkspur as county
from sample_layers.larkspur_climate import build_normals, normals_at
from sample_layers.larkspur_export import read_columns
from sample_layers.larkspur_frame import Frame
from sample_layers.larkspur_soils import AGGREGATE_DEPTHS_CM, water_storage_cm
from tests.open_data import open_data

SAMPLE = Path(county.__file__).resolve().parent
FRAME = Frame(county.MILES)
ELLIPSOID = pyproj.Geod(ellps="WGS84")
# columns of one row, counted on every row of a real export (survey area AZ649, 2025)
WIDTHS = {"legend": 14, "mapunit": 24, "comp": 109, "chorizon": 171, "crstrcts": 13, "muaggatt": 40, "mstabcol": 14}


def table(folder: Path, name: str) -> pd.DataFrame:
    """Read one table of an export, its column names taken from the export's own list."""
    listed = pd.read_csv(folder / "mstabcol.txt", sep="|", header=None, dtype={2: str})
    files = pd.read_csv(folder / "mstab.txt", sep="|", header=None)
    own = files.loc[files[4] == name, 0].iloc[0]
    names = listed[listed[0] == own].sort_values(1)[2].tolist()
    keys = dict.fromkeys(("mukey", "cokey", "chkey", "corestrictkey", "lkey", "musym"), str)
    return pd.read_csv(folder / f"{name}.txt", sep="|", header=None, names=names, dtype=keys)


@pytest.fixture(scope="module")
def tables() -> dict[str, pd.DataFrame]:
    return {
        n: table(SAMPLE / "soils" / "tabular", n) for n in ("mapunit", "comp", "chorizon", "crstrcts", "muaggatt")
    }


@pytest.fixture(scope="module")
def polygons() -> gpd.GeoDataFrame:
    return gpd.read_file(SAMPLE / "soils" / "spatial" / "soilmu_a_xx901.shp")


@pytest.fixture(scope="module")
def fields() -> gpd.GeoDataFrame:
    return gpd.read_file(SAMPLE / "fields.gpkg")


@pytest.fixture(scope="module")
def normals() -> xr.Dataset:
    with xr.open_dataset(SAMPLE / "climate" / "normals.nc") as ds:
        return ds.load()


# --- the whole -----------------------------------------------------------------------------------------------


def test_all_layers_together_stay_below_six_megabytes() -> None:
    files = [p for p in SAMPLE.rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    assert sum(p.stat().st_size for p in files) < 6e6


def test_every_layer_says_that_it_is_invented(normals: xr.Dataset) -> None:
    says = {
        "README.md": (SAMPLE / "README.md").read_text(encoding="utf-8"),
        "soils/readme.txt": (SAMPLE / "soils" / "readme.txt").read_text(encoding="utf-8"),
        "legend": str(table(SAMPLE / "soils" / "tabular", "legend")["areaname"].iloc[0]),
        "soil_water.csv": (SAMPLE / "soil_water.csv").read_text(encoding="utf-8").splitlines()[0],
        "normals.nc": normals.attrs["title"] + normals.attrs["source"],
        "fields.gpkg": str(pyogrio.read_info(SAMPLE / "fields.gpkg", layer="fields")["layer_metadata"]),
    }
    with xr.open_dataset(SAMPLE / "climate" / "daily.nc") as daily:
        says["daily.nc"] = daily.attrs["title"] + daily.attrs["source"]
    with rasterio.open(SAMPLE / "elevation.tif") as tif:
        says["elevation.tif"] = str(tif.tags())
    silent = [name for name, text in says.items() if "invented" not in text.lower()]
    assert not silent


@pytest.mark.slow
def test_same_seed_same_bytes_and_other_seed_other_county(tmp_path: Path) -> None:
    for name, seed in (("one", 7), ("two", 7), ("three", 8)):
        county.build(tmp_path / name, seed=seed, fields=25, miles=8)
    files = [str(p.relative_to(tmp_path / "one")) for p in (tmp_path / "one").rglob("*") if p.is_file()]
    assert len(files) > 20
    assert filecmp.cmpfiles(tmp_path / "one", tmp_path / "two", files, shallow=False)[1:] == ([], [])
    changed = filecmp.cmpfiles(tmp_path / "one", tmp_path / "three", files, shallow=False)[1]
    assert {"fields.gpkg", "soil_water.csv"} <= set(changed)
    assert any(f.endswith("chorizon.txt") for f in changed)


@pytest.mark.parametrize(("wanted", "miles"), [(380, 28), (1400, 28), (5000, 52)])
def test_many_fields_get_a_bigger_county(wanted: int, miles: int) -> None:
    assert county.miles_for(wanted) == miles


def test_another_number_of_fields_never_overwrites_the_sample() -> None:
    with pytest.raises(SystemExit):
        county.main(["--fields", "900"])


# --- soils ---------------------------------------------------------------------------------------------------


def test_survey_has_the_promised_size(tables: dict[str, pd.DataFrame], polygons: gpd.GeoDataFrame) -> None:
    parts = tables["comp"].groupby("mukey").size()
    assert 40 <= len(tables["mapunit"]) <= 60
    assert parts.between(1, 3).all()
    assert set(parts.index) == set(tables["mapunit"]["mukey"]) == set(polygons["MUKEY"])
    assert tables["comp"].groupby("mukey")["comppct_r"].sum().between(85, 100).all()
    assert 1000 < len(polygons) < 5000


@pytest.mark.parametrize(("name", "width"), WIDTHS.items(), ids=[f"{n}: real export AZ649, 2025" for n in WIDTHS])
def test_rows_have_as_many_columns_as_a_real_export(name: str, width: int) -> None:
    frame = pd.read_csv(SAMPLE / "soils" / "tabular" / f"{name}.txt", sep="|", header=None, dtype=str)
    assert frame.shape[1] == width


def test_column_order_is_that_of_a_real_export() -> None:
    real = pd.read_csv(open_data("soil/az649_ssurgo/tabular/mstabcol.txt"), sep="|", header=None, dtype={2: str})
    own = pd.read_csv(SAMPLE / "soils" / "tabular" / "mstabcol.txt", sep="|", header=None, dtype={2: str})
    for name, mine in own.groupby(0):
        theirs = real[real[0] == name].sort_values(1)
        assert mine.sort_values(1)[2].tolist() == theirs[2].tolist(), name
        assert mine.sort_values(1)[11].fillna("").tolist() == theirs[11].fillna("").tolist(), f"units of {name}"


def storage(components: pd.DataFrame, horizons: pd.DataFrame, depth_cm: float) -> pd.Series:
    """Return the water storage of each map unit (cm) by the module under test."""
    kept = horizons[["cokey", "hzdept_r", "hzdepb_r", "awc_r"]].astype({"awc_r": object})
    kept = kept.where(kept.notna(), None)
    by_part = {k: water_storage_cm(g.to_dict("records"), depth_cm) for k, g in kept.groupby("cokey")}
    parts = components.assign(stored=components["cokey"].map(by_part).astype(float)).dropna(subset=["stored"])
    top = (parts["stored"] * parts["comppct_r"]).groupby(parts["mukey"]).sum()
    return top / parts.groupby("mukey")["comppct_r"].sum()


@pytest.mark.slow
@pytest.mark.parametrize("column", AGGREGATE_DEPTHS_CM)
@pytest.mark.parametrize("where", ["Larkspur", "real export AZ649, 2025"])
def test_published_water_storage_is_reproduced(where: str, column: str) -> None:
    folder = SAMPLE / "soils" / "tabular"
    if where != "Larkspur":
        folder = open_data("soil/az649_ssurgo/tabular/muaggatt.txt").parent
    published = table(folder, "muaggatt").set_index("mukey")[column]
    own = storage(table(folder, "comp"), table(folder, "chorizon"), AGGREGATE_DEPTHS_CM[column])
    known = published.dropna()
    assert set(known.index) == set(own.index)
    assert len(known) >= 30
    assert np.abs(known - own.reindex(known.index)).max() < 0.0051  # published with two decimals


def test_horizons_fit_together(tables: dict[str, pd.DataFrame]) -> None:
    for _, profile in tables["chorizon"].sort_values("hzdept_r").groupby("cokey"):
        assert profile["hzdept_r"].iloc[0] == 0
        assert (profile["hzdept_r"].to_numpy()[1:] == profile["hzdepb_r"].to_numpy()[:-1]).all()
        assert (profile["hzdepb_r"] > profile["hzdept_r"]).all()
        assert profile["hzdepb_r"].iloc[-1] >= 150


def test_horizon_values_are_physically_possible(tables: dict[str, pd.DataFrame]) -> None:
    soil = tables["chorizon"].dropna(subset=["awc_r"])
    assert np.allclose(soil["sandtotal_r"] + soil["silttotal_r"] + soil["claytotal_r"], 100, atol=0.11)
    assert (soil["wfifteenbar_r"] < soil["wthirdbar_r"]).all()
    assert (soil["wthirdbar_r"] < soil["wsatiated_r"]).all()
    # capacity is field capacity less wilting point, to its two decimals
    assert np.abs(soil["awc_r"] - (soil["wthirdbar_r"] - soil["wfifteenbar_r"]) / 100).max() < 0.0051
    assert soil["ksat_r"].between(0.05, 705).all()
    assert soil["dbthirdbar_r"].between(0.9, 1.9).all()


# field capacity and wilting point, % by volume: Saxton & Rawls (2006), table 3, 2.5 % organic matter
SAXTON_RAWLS_TABLE_3 = {
    "sand": (10, 5),
    "loamy sand": (12, 5),
    "sandy loam": (18, 8),
    "loam": (28, 14),
    "silt loam": (31, 11),
    "clay loam": (36, 22),
    "silty clay loam": (38, 22),
    "clay": (42, 30),
}


@pytest.mark.parametrize(
    ("name", "field_capacity", "wilting_point"),
    [pytest.param(n, *v, id=f"{n}: Saxton & Rawls 2006 table 3") for n, v in SAXTON_RAWLS_TABLE_3.items()],
)
def test_water_contents_are_those_of_the_texture(
    tables: dict[str, pd.DataFrame], name: str, field_capacity: float, wilting_point: float
) -> None:
    soil = tables["chorizon"].dropna(subset=["awc_r"])
    soil = soil[soil["sieveno10_r"] >= 97]
    soil = soil[texture_class(soil["sandtotal_r"] / 100, soil["claytotal_r"] / 100) == name]
    assert len(soil) >= 5
    # the table holds one texture of each class; ours scatter about other ones
    assert soil["wthirdbar_r"].mean() == pytest.approx(field_capacity, abs=5)
    assert soil["wfifteenbar_r"].mean() == pytest.approx(wilting_point, abs=5.5)


def test_soils_that_a_screen_must_tell_apart_are_there(tables: dict[str, pd.DataFrame]) -> None:
    storage_cm = tables["muaggatt"]["aws0150wta"]
    assert storage_cm.min() < 6
    assert storage_cm.max() > 22
    kinds = set(tables["crstrcts"]["reskind"])
    assert {"Lithic bedrock", "Paralithic bedrock", "Petrocalcic", "Fragipan"} <= kinds
    assert {"Abrupt textural change", "Strongly contrasting textural stratification"} <= kinds
    assert {"Poorly drained", "Somewhat poorly drained", "Well drained", "Excessively drained"} <= set(
        tables["comp"]["drainagecl"].dropna()
    )
    bare = tables["comp"][tables["comp"]["compkind"] == "Miscellaneous area"]
    assert {"Water", "Rock outcrop", "Urban land", "Pits, gravel"} == set(bare["compname"])
    assert not set(bare["cokey"]) & set(tables["chorizon"]["cokey"])
    shallow = tables["crstrcts"].merge(tables["chorizon"], on="cokey")
    shallow = shallow[shallow["reskind"].str.contains("bedrock")]
    below = shallow[shallow["hzdept_r"] >= shallow["resdept_r"]]
    assert len(below) > 0
    assert below["awc_r"].isna().all()


def test_polygons_cover_the_county_without_gap_or_overlap(polygons: gpd.GeoDataFrame) -> None:
    outline = gpd.read_file(SAMPLE / "soils" / "spatial" / "soilsa_a_xx901.shp")
    assert polygons.crs.to_epsg() == outline.crs.to_epsg() == 4326
    assert polygons.is_valid.all()
    shapes = polygons.geometry.to_numpy()
    assert shapely.coverage_is_valid(shapes)
    whole = outline.geometry.iloc[0]
    assert shapely.area(shapes).sum() == pytest.approx(whole.area, rel=1e-9)
    assert shapely.coverage_union_all(shapes).symmetric_difference(whole).area < 1e-9 * whole.area
    area_km2 = abs(ELLIPSOID.geometry_area_perimeter(whole)[0]) / 1e6
    assert 1900 < area_km2 < 2100


def test_map_unit_acres_are_those_of_the_polygons(
    tables: dict[str, pd.DataFrame], polygons: gpd.GeoDataFrame
) -> None:
    acres = polygons.to_crs("EPSG:5070").area.groupby(polygons["MUKEY"]).sum() / 4046.8564224
    listed = tables["mapunit"].set_index("mukey")["muacres"]
    assert np.abs(listed - acres.reindex(listed.index)).max() < 0.005 * acres.max()


def test_place_table_tiles_every_landform() -> None:
    units, _ = county.read_tables()
    share: dict[str, float] = {}
    for unit in units.values():
        name, t0, t1, p0, p1 = unit["place"]
        share[name] = share.get(name, 0) + (t1 - t0) * (p1 - p0)
    assert share == pytest.approx(dict.fromkeys(share, 1.0))


# --- climate -------------------------------------------------------------------------------------------------


def test_normals_are_those_of_the_gradient_table(normals: xr.Dataset) -> None:
    flat = np.zeros((FRAME.pixels, FRAME.pixels))
    fresh = build_normals(county.GRADIENT, FRAME, flat, county.SEED)
    for name in fresh.data_vars:
        if name not in ("crs", "elevation"):
            np.testing.assert_allclose(normals[name], fresh[name], atol=1e-4, err_msg="rebuild the sample layers")


def test_normals_grid_covers_the_county(normals: xr.Dataset) -> None:
    assert 36 <= normals.sizes["lat"] * normals.sizes["lon"] <= 49
    for axis, low in (("lon", FRAME.west), ("lat", FRAME.south)):
        values = normals[axis].to_numpy()
        step = np.diff(values)
        assert 0.07 <= step[0] <= 0.085
        assert np.allclose(step, step[0])
        size = FRAME.side_m / (county.climate.LON_DEGREE_M if axis == "lon" else county.climate.LAT_DEGREE_M)
        assert values[0] - step[0] / 2 <= low
        assert values[-1] + step[0] / 2 >= low + size
    assert all(np.isfinite(normals[n]).all() for n in normals.data_vars)


def test_normals_follow_the_cf_conventions(normals: xr.Dataset) -> None:
    assert normals.attrs["Conventions"] == "CF-1.11"
    assert normals.cf["latitude"].name == "lat"
    assert normals.cf["longitude"].name == "lon"
    assert set(normals.cf.standard_names["air_temperature"]) == {"tmin", "tmax"}
    assert pyproj.CRS.from_cf(normals["crs"].attrs).is_geographic
    for name in ("precipitation", "tmin", "tmax", "wet_day_fraction", "tmin_sd", "tmax_sd", "reference_et"):
        assert normals[name].dims == ("month", "lat", "lon")
        assert normals[name].attrs["grid_mapping"] == "crs"
    assert normals["precipitation"].attrs["cell_methods"] == "time: sum within months time: mean over years"


def test_gradient_runs_from_a_dry_west_to_a_wet_east() -> None:
    u, v = np.array([0.0, 0.5, 1.0]), np.array([0.4, 0.4, 0.4])
    at = normals_at(county.GRADIENT, u, v)
    rain, et = at["precipitation"].sum(axis=0), at["reference_et"].sum(axis=0)
    assert (np.diff(rain) > 50).all()
    assert (np.diff(et) < -50).all()
    assert rain[0] < 450
    assert rain[2] > 600
    assert rain[2] / et[2] > 1.7 * rain[0] / et[0]
    # High Plains year: May to July bring most, December to February least (common practice, no source)
    season = at["precipitation"][[4, 5, 6]].sum(axis=0) / rain
    assert ((season > 0.4) & (season < 0.6)).all()
    assert (at["precipitation"][[11, 0, 1]].sum(axis=0) / rain < 0.10).all()


def test_corners_are_cold_and_mild() -> None:
    u, v = np.array([0.5, 0.02, 0.98]), np.array([0.5, 0.98, 0.02])
    centre, bench, mild = normals_at(county.GRADIENT, u, v)["tmin"].T
    assert bench[7] < centre[7] - 4  # August nights on the bench
    assert mild[0] > centre[0] + 4  # January nights in the mild corner
    at = normals_at(county.GRADIENT, u, v)
    assert (at["tmax"] - at["tmin"] >= 4).all()
    assert ((at["wet_day_fraction"] > 0) & (at["wet_day_fraction"] < 0.7)).all()


def test_shares_of_the_year_sum_to_one() -> None:
    for name in ("precip_west", "precip_east", "et_share"):
        assert math.fsum(county.GRADIENT["months"][name]) == pytest.approx(1.0, abs=0.001)


def test_daily_weather_is_complete_packed_and_true_to_its_normals() -> None:
    path = SAMPLE / "climate" / "daily.nc"
    with xr.open_dataset(path, mask_and_scale=False) as raw:
        assert raw["precipitation"].dtype == np.int16
    with xr.open_dataset(path) as ds:
        ds.load()
    time = ds.indexes["time"]
    assert (ds.sizes["lat"], ds.sizes["lon"]) == (2, 2)
    assert time.equals(pd.date_range(time[0], time[-1], freq="D", name="time").astype(time.dtype))
    years = time.year.nunique()
    assert years >= 12
    assert ((time.month == 2) & (time.day == 29)).sum() >= 3
    assert (ds["tmax"] >= ds["tmin"]).all()
    assert (ds["precipitation"] >= 0).all()
    assert (ds["reference_et"] >= 0).all()
    wanted = normals_at(county.GRADIENT, *FRAME.unit_square(*np.meshgrid(ds["lon"], ds["lat"])))
    rain = ds["precipitation"].groupby("time.month").sum() / years
    np.testing.assert_allclose(rain.sum("month"), wanted["precipitation"].sum(axis=0), rtol=0.02)
    for name in ("tmin", "tmax"):
        np.testing.assert_allclose(ds[name].groupby("time.month").mean(), wanted[name], atol=0.3)


# --- fields and elevation ------------------------------------------------------------------------------------


def test_fields_are_clean(fields: gpd.GeoDataFrame) -> None:
    assert len(fields) == county.FIELDS >= 330
    assert fields.crs.to_epsg() == 32613
    assert list(fields.columns) == ["field_id", "name", "irrigated", "previous_crop", "next_crop", "geometry"]
    assert fields["field_id"].is_unique
    assert fields["field_id"].str.fullmatch(r"LK-\d{4}").all()
    assert fields["name"].is_unique
    assert fields["irrigated"].dtype == bool
    assert (fields[["previous_crop", "next_crop"]] != "").all(axis=None)
    shapes = fields.geometry.to_numpy()
    assert shapely.is_valid(shapes).all()
    first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    pair = first < second
    shared = shapely.area(shapely.intersection(shapes[first[pair]], shapes[second[pair]]))
    assert shared.sum() < 1.0  # m2
    outline = gpd.read_file(SAMPLE / "soils" / "spatial" / "soilsa_a_xx901.shp")
    # a parallel is curved in the plane of the fields: give it corners first
    assert fields.within(outline.segmentize(0.005).to_crs(fields.crs).iloc[0].buffer(1)).all()


def test_fields_have_plausible_shapes(fields: gpd.GeoDataFrame) -> None:
    area_ha = fields.area / 1e4
    quarter_ha = 64.75  # a quarter section is 160 acres
    assert area_ha.median() == pytest.approx(quarter_ha, rel=0.08)
    assert (area_ha < 15).sum() >= 5
    assert area_ha.min() >= 2
    roundness = 4 * np.pi * fields.area / fields.length**2
    circles = roundness > 0.98
    assert circles.sum() >= 25
    assert fields.loc[circles, "irrigated"].all()
    assert 0.08 < fields["irrigated"].mean() < 0.3
    corners = [len(m.geoms) for m in fields.geometry if m.geom_type == "MultiPolygon"]
    assert sum(n == 4 for n in corners) >= 8
    holes = [sum(len(p.interiors) for p in getattr(g, "geoms", [g])) for g in fields.geometry]
    assert 3 <= sum(h > 0 for h in holes) <= 40
    boxes = fields.area / shapely.area(shapely.minimum_rotated_rectangle(fields.geometry.to_numpy()))
    odd = ~circles & (boxes < 0.9) & np.array([n == 1 for n in corners])
    assert odd.sum() >= 15


def test_fields_lie_in_every_part_of_the_county(fields: gpd.GeoDataFrame) -> None:
    spot = fields.representative_point().to_crs(4326)
    u, v = FRAME.unit_square(spot.x.to_numpy(), spot.y.to_numpy())
    counts = np.histogram2d(u, v, bins=3, range=[[0, 1], [0, 1]])[0]
    assert counts.min() >= 8  # the fewest in the dunes


def test_elevation_covers_the_county_and_agrees_with_the_climate_cells(normals: xr.Dataset) -> None:
    with rasterio.open(SAMPLE / "elevation.tif") as tif:
        ground, bounds, crs = tif.read(1).astype(float), tif.bounds, tif.crs
    assert crs.to_epsg() == 4326
    assert bounds.left == pytest.approx(FRAME.west)
    assert bounds.bottom == pytest.approx(FRAME.south)
    assert ground.min() > 1000
    assert ground.max() < 1800
    rows, cols = ground.shape
    lon = bounds.left + (np.arange(cols) + 0.5) * (bounds.right - bounds.left) / cols
    lat = bounds.top - (np.arange(rows) + 0.5) * (bounds.top - bounds.bottom) / rows
    grid = xr.DataArray(ground, coords={"lat": lat, "lon": lon}, dims=("lat", "lon"))
    for row, y in enumerate(normals["lat"].to_numpy()):
        for col, x in enumerate(normals["lon"].to_numpy()):
            inside = grid.sel(lat=slice(y + 0.04, y - 0.04), lon=slice(x - 0.04, x + 0.04))
            assert float(inside.mean()) == pytest.approx(float(normals["elevation"][row, col]), abs=3)


def test_tables_that_people_edit_name_only_known_series() -> None:
    units, series = county.read_tables()
    with (SAMPLE / "larkspur_units.toml").open("rb") as file:
        assert tomllib.load(file) == units
    named = {part[0] for unit in units.values() for part in unit["parts"]}
    assert set(series) <= named
    assert named - set(series) == {"Water", "Rock outcrop", "Urban land", "Pits, gravel"}


def test_column_list_names_each_table_once_and_in_order() -> None:
    columns = read_columns().astype({"pos": int})
    for _, own in columns.groupby("table"):
        assert own["pos"].tolist() == list(range(1, len(own) + 1))
        assert own["column"].is_unique


# --- measurements --------------------------------------------------------------------------------------------


def test_cores_lie_in_their_fields_and_hold_what_a_soil_can_hold(fields: gpd.GeoDataFrame) -> None:
    cores = pd.read_csv(SAMPLE / "soil_water.csv", comment="#")
    assert cores["field_id"].nunique() == 6
    points = gpd.GeoSeries(gpd.points_from_xy(cores["lon"], cores["lat"]), crs="EPSG:4326").to_crs(fields.crs)
    shapes = fields.set_index("field_id").geometry.loc[cores["field_id"]].reset_index(drop=True)
    assert shapes.contains(points).all()
    assert not fields.set_index("field_id").loc[cores["field_id"].unique(), "irrigated"].any()
    # wilting point of sand to field capacity of clay: Saxton & Rawls 2006, table 3
    assert cores["vwc (%)"].between(5, 42).all()
    by_date = cores.query("treatment == 'stubble'").groupby("date")["vwc (%)"].mean()
    assert by_date.is_monotonic_increasing, "stubble stores water from harvest to planting"
