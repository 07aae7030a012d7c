"""Gridded climate: every product in its own layout, units and orders by metadata."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from pyproj import Transformer

from geo.errors import StudyError
from pipelines.readers.climate import read_climate
from pipelines.readers.climate_build import Context
from pipelines.readers.climate_cf import read_part
from pipelines.readers.climate_products import products
from tests.open_data import open_data

LAT = np.round(np.arange(41.5, 39.5, -0.25), 4)
LON = np.round(np.arange(-104.0, -102.0, 0.25), 4)
AREA = (-103.1, 40.4, -102.9, 40.6)
MONTH = np.arange(1, 13)
RAIN = np.array([8, 10, 25, 40, 70, 75, 65, 50, 35, 25, 14, 9], dtype=float)
TMEAN = np.array([-3, -1, 4, 9, 14, 20, 23.5, 22, 17, 10, 3, -2], dtype=float)


def _field(monthly: np.ndarray) -> np.ndarray:
    """Twelve months on the grid, a little warmer and wetter to the east so that a flipped axis shows."""
    return (
        monthly[:, None, None] + 0.1 * np.arange(LON.size)[None, None, :] + 0.5 * np.arange(LAT.size)[None, :, None]
    )


def _axes(ds: xr.Dataset) -> xr.Dataset:
    ds["lat"].attrs = {"standard_name": "latitude", "units": "degrees_north"}
    ds["lon"].attrs = {"standard_name": "longitude", "units": "degrees_east"}
    return ds


def normals_dataset() -> xr.Dataset:
    dims = ("month", "lat", "lon")
    rain = {
        "standard_name": "lwe_thickness_of_precipitation_amount",
        "units": "mm",
        "cell_methods": "time: sum within months",
    }
    ds = xr.Dataset(
        {
            "precipitation": (dims, _field(RAIN), rain),
            "low": (dims, _field(TMEAN - 8), {"standard_name": "air_temperature", "units": "degC", "cell_methods": "time: minimum within days time: mean over years"}),
            "high": (dims, _field(TMEAN + 8), {"standard_name": "air_temperature", "units": "degC", "cell_methods": "time: maximum within days time: mean over years"}),
            "low_spread": (dims, _field(TMEAN * 0 + 4), {"standard_name": "air_temperature", "units": "K", "cell_methods": "time: minimum within days time: standard_deviation over days"}),
            "reference_et": (dims, _field(TMEAN * 3 + 90), {"units": "mm"}),
            "wet_day_fraction": (dims, _field(RAIN * 0 + 0.2) / 10, {"units": "1"}),
            "elevation": (("lat", "lon"), np.full((LAT.size, LON.size), 1200.0), {"units": "m"}),
        },
        coords={"month": MONTH, "lat": LAT, "lon": LON},
    )  # fmt: skip
    return _axes(ds)


def daily_dataset(days: int = 800, start: str = "2019-01-01") -> xr.Dataset:
    time = pd.date_range(start, periods=days, freq="D")
    rng = np.random.default_rng(3)
    season = TMEAN[time.month - 1][:, None, None] + np.zeros((1, LAT.size, LON.size))
    rain = rng.gamma(0.5, 2.4, season.shape)
    dims = ("time", "lat", "lon")
    ds = xr.Dataset(
        {
            "precipitation": (dims, rain, {"units": "mm/day", "standard_name": "lwe_precipitation_rate"}),
            "tmin": (dims, season - 8, {"units": "degC", "standard_name": "air_temperature"}),
            "tmax": (dims, season + 8, {"units": "degC", "standard_name": "air_temperature"}),
        },
        coords={"time": time, "lat": LAT, "lon": LON},
    )
    return _axes(ds)


@pytest.fixture
def normals_file(tmp_path: Path) -> Path:
    path = tmp_path / "normals.nc"
    normals_dataset().to_netcdf(path)
    return path


def test_normals_by_cf_attributes(normals_file: Path) -> None:
    got = read_climate(normals_file, area=AREA)
    assert got.daily is None
    assert got.normals is not None
    # cells that touch 40.4..40.6 and -103.1..-102.9 are 40.5 and -103.0; one ring around them makes 3 by 3
    assert sorted(set(got.cells["latitude"])) == [40.25, 40.5, 40.75]
    assert sorted(set(got.cells["longitude"])) == [-103.25, -103.0, -102.75]
    centre = got.cells.query("latitude == 40.5 and longitude == -103.0").index[0]
    row, col = list(LAT).index(40.5), list(LON).index(-103.0)
    np.testing.assert_allclose(got.normals["precip_mm"][centre], _field(RAIN)[:, row, col], rtol=1e-6)
    np.testing.assert_allclose(got.normals["tmin_c"][centre], _field(TMEAN - 8)[:, row, col], rtol=1e-5)
    assert float(got.normals["tmin_sd_c"][centre, 0]) == pytest.approx(_field(TMEAN * 0 + 4)[0, row, col])
    assert got.cells["elevation_m"].eq(1200.0).all()
    assert "et0_mm" in got.normals
    assert not got.problems


def _south_up(ds: xr.Dataset) -> xr.Dataset:
    return ds.isel(lat=slice(None, None, -1))


def _east_360(ds: xr.Dataset) -> xr.Dataset:
    return _axes(ds.assign_coords(lon=ds["lon"].values % 360))


def _across_zero(ds: xr.Dataset) -> xr.Dataset:
    return _south_up(_east_360(ds)).rename({"lat": "latitude", "lon": "longitude"})


def _kelvin(ds: xr.Dataset) -> xr.Dataset:
    for name in ("low", "high"):
        ds[name] = (ds[name] + 273.15).assign_attrs(ds[name].attrs | {"units": "K"})
    return ds


def _fahrenheit_inches(ds: xr.Dataset) -> xr.Dataset:
    for name in ("low", "high"):
        ds[name] = (ds[name] * 1.8 + 32).assign_attrs(ds[name].attrs | {"units": "degrees F"})
    ds["low_spread"] = (ds["low_spread"] * 1.8).assign_attrs(ds["low_spread"].attrs | {"units": "degF"})
    ds["precipitation"] = (ds["precipitation"] / 25.4).assign_attrs(ds["precipitation"].attrs | {"units": "inches"})
    return ds


def _flux(ds: xr.Dataset) -> xr.Dataset:
    seconds = xr.DataArray([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dims="month") * 86400
    ds["precipitation"] = (ds["precipitation"] / seconds).assign_attrs(
        units="kg m-2 s-1", standard_name="precipitation_flux"
    )
    return ds


def _per_month(ds: xr.Dataset) -> xr.Dataset:
    ds["precipitation"].attrs["units"] = "mm month-1"
    return ds


@pytest.mark.parametrize(
    "change",
    [_south_up, _east_360, _across_zero, _kelvin, _fahrenheit_inches, _flux, _per_month],
    ids=["lat ascending", "0-360 longitudes", "other axis names", "kelvin", "degF and inches", "kg m-2 s-1 is 1 mm of water: CF 1.11", "mm month-1"],
)  # fmt: skip
def test_same_cells_whatever_the_layout(change, normals_file: Path, tmp_path: Path) -> None:
    plain = read_climate(normals_file, area=AREA)
    other = tmp_path / "other.nc"
    change(normals_dataset()).to_netcdf(other)
    got = read_climate(other, area=AREA)
    pd.testing.assert_frame_equal(got.cells, plain.cells, check_exact=False, rtol=1e-5)
    for name in plain.normals:
        np.testing.assert_allclose(got.normals[name], plain.normals[name], rtol=2e-5, atol=2e-4)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"low": ("units", "degC", 273.15, 1.0)}, ["degC", "K", "tmin"]),
        ({"precipitation": ("units", "mm", 0.0, 1 / 25.4)}, ["inch", "adds up to"]),
        ({"high": ("units", "degF", 0.0, 1.0), "low": ("units", "degF", 0.0, 1.0)}, ["degC", "warmest month"]),
        ({"precipitation": ("units", "", 0.0, 1.0)}, ["no units", "units = { precip ="]),
        ({"precipitation": ("units", "degC", 0.0, 1.0)}, ["cannot be a unit of precip"]),
        ({"precipitation": ("units", "bananas", 0.0, 1.0)}, ["is not a unit"]),
        ({"low": ("units", "degC", 20.0, 1.0)}, ["tmax is below tmin"]),
    ],
    ids=[
        "kelvin called degC",
        "inches called mm",
        "degC called degF",
        "no units",
        "wrong kind",
        "not a unit",
        "crossed",
    ],
)
def test_a_contradicted_unit_stops_with_the_fix(change, words, tmp_path: Path) -> None:
    ds = normals_dataset()
    for name, (attr, unit, offset, slope) in change.items():
        ds[name] = (ds[name] * slope + offset).assign_attrs(ds[name].attrs | {attr: unit})
    ds.to_netcdf(tmp_path / "bad.nc")
    with pytest.raises(StudyError) as caught:
        read_climate(tmp_path / "bad.nc", area=AREA)
    text = str(caught.value)
    for word in words:
        assert word in text
    assert caught.value.where
    assert caught.value.fix


def test_the_offered_unit_repairs_the_study(tmp_path: Path) -> None:
    ds = normals_dataset()
    del ds["precipitation"].attrs["units"]
    ds.to_netcdf(tmp_path / "bare.nc")
    got = read_climate(tmp_path / "bare.nc", area=AREA, options={"units": {"precip": "mm"}})
    assert float(got.normals["precip_mm"].sum("month").median()) == pytest.approx(RAIN.sum(), rel=0.1)


def test_area_outside_and_swapped(normals_file: Path) -> None:
    with pytest.raises(StudyError, match="does not cover"):
        read_climate(normals_file, area=(10.0, 50.0, 10.2, 50.2))
    with pytest.raises(StudyError) as caught:
        read_climate(normals_file, area=(40.4, -103.1, 40.6, -102.9))
    assert "swapped" in caught.value.fix


def test_daily_grid_keeps_every_day(tmp_path: Path) -> None:
    ds = daily_dataset()
    ds.isel(time=[i for i in range(800) if i not in (100, 101, 500)]).to_netcdf(tmp_path / "daily.nc")
    got = read_climate(tmp_path / "daily.nc", area=AREA, kind="daily")
    assert got.normals is None
    assert got.daily.sizes == {"cell": 9, "time": 800}
    assert np.isnan(got.daily["tmin_c"].values[:, [100, 101, 500]]).all()
    assert np.isfinite(got.daily["tmin_c"].values[:, 99]).all()
    assert int(got.daily["year"][0]) == 2019
    assert "3 days are not in the source" in got.problems[0].what
    assert got.daily["precip_mm"].dtype == "float32"


def test_gridmet_files_packed_kelvin_day_axis(tmp_path: Path) -> None:
    """One variable and year a file; both temperatures are called air_temperature; packed unsigned 16 bit, 32767 missing."""
    ds = daily_dataset(366, "2020-01-01").rename(time="day")
    names = {"pr": ("precipitation", "precipitation_amount", "mm", 0.0), "tmmn": ("tmin", "air_temperature", "K", 210.0), "tmmx": ("tmax", "air_temperature", "K", 220.0)}  # fmt: skip
    for short, (ours, theirs, unit, offset) in names.items():
        layer = ds[ours] + (273.15 if unit == "K" else 0.0)
        layer.attrs = {
            "units": unit,
            "long_name": short,
            "cell_methods": "time: point",
            "coordinate_system": "EPSG:4326",
        }
        part = layer.to_dataset(name=theirs)
        part["day"].attrs = {"standard_name": "time"}
        packing = {"dtype": "uint16", "scale_factor": 0.1, "add_offset": offset, "_FillValue": 32767}
        encoding = {theirs: packing, "day": {"units": "days since 1900-01-01", "dtype": "float64"}}
        part.to_netcdf(tmp_path / f"{short}_2020.nc", encoding=encoding)
    got = read_climate(tmp_path, area=AREA)
    assert got.provenance["product"].startswith("gridMET")
    assert "CC0" in got.provenance["licence"]
    assert got.daily.sizes["time"] == 366
    np.testing.assert_allclose(got.daily["tmax_c"][0], ds["tmax"].values[:, 0, 0], atol=0.051)
    np.testing.assert_allclose(got.daily["tmin_c"][0], ds["tmin"].values[:, 0, 0], atol=0.051)


def test_gridmet_real_sample_reads_its_variable() -> None:
    path = open_data("climate/gridmet/metdata_intersectr.nc")
    part = read_part(path, Context("x", products()["gridmet"]), (-85.0, 34.0, -84.9, 34.1), {}, {}, [], None)
    with xr.open_dataset(path) as raw:
        near = raw["precipitation_amount"].sel(lat=34.05, lon=-84.95, method="nearest").values
    layer = part.layers["precip_mm"]
    row = int(np.argmin(np.abs(part.window.y - 34.05)))
    col = int(np.argmin(np.abs(part.window.x + 84.95)))
    np.testing.assert_allclose(layer[:, row, col], near, rtol=1e-6)
    assert str(layer["time"].values[0])[:10] == "2018-09-12"


def daymet_dataset(units: str, year: int = 2020) -> xr.Dataset:
    """Version 4 layout: Lambert conformal conic, 365 days, noon stamps, 31 December of a leap year left out."""
    time = pd.date_range(f"{year}-01-01 12:00", periods=365, freq="D")
    to_grid = Transformer.from_crs(4326, "+proj=lcc +lat_1=25 +lat_2=60 +lat_0=42.5 +lon_0=-100 +a=6378137 +rf=298.257223563", always_xy=True)  # fmt: skip
    x0, y0 = (round(v / 1000) * 1000.0 for v in to_grid.transform(-103.0, 40.5))
    x, y = x0 + 1000.0 * np.arange(-15, 16), y0 - 1000.0 * np.arange(-15, 16)
    shape = (365, y.size, x.size)
    season = TMEAN[time.month - 1][:, None, None] + np.zeros(shape)
    scale = 1000.0 if units == "km" else 1.0
    dims = ("time", "y", "x")
    ds = xr.Dataset(
        {
            "prcp": (dims, np.full(shape, 1.2), {"units": "mm/day", "grid_mapping": "lambert_conformal_conic", "cell_methods": "area: mean time: sum"}),
            "tmin": (dims, season - 8, {"units": "degrees C", "grid_mapping": "lambert_conformal_conic"}),
            "tmax": (dims, season + 8, {"units": "degrees C", "grid_mapping": "lambert_conformal_conic"}),
            "yearday": ("time", np.arange(1, 366)),
            "lambert_conformal_conic": ((), np.int16(0), {"grid_mapping_name": "lambert_conformal_conic", "longitude_of_central_meridian": -100.0, "latitude_of_projection_origin": 42.5, "false_easting": 0.0, "false_northing": 0.0, "standard_parallel": [25.0, 60.0], "semi_major_axis": 6378137.0, "inverse_flattening": 298.257223563}),
        },
        coords={"time": time, "y": ("y", y / scale, {"units": units, "standard_name": "projection_y_coordinate"}), "x": ("x", x / scale, {"units": units, "standard_name": "projection_x_coordinate"})},
        attrs={"title": "Daymet: Daily Surface Weather Data on a 1-km Grid for North America, Version 4 R1"},
    )  # fmt: skip
    return ds


@pytest.mark.parametrize("units", ["m", "km"], ids=["version 4: metres", "version 3: kilometres"])
def test_daymet_leap_year_and_projection(units: str, tmp_path: Path) -> None:
    ds = daymet_dataset(units)
    for name in ("prcp", "tmin", "tmax"):
        keep = ds[[name, "yearday", "lambert_conformal_conic"]]
        keep.to_netcdf(tmp_path / f"daymet_v4_daily_na_{name}_2020.nc", encoding={name: {"_FillValue": -9999.0}})
    area = (-103.03, 40.48, -102.97, 40.52)
    got = read_climate(tmp_path, area=area)
    stamps = pd.DatetimeIndex(got.daily["time"].values)
    assert pd.Timestamp("2020-02-29") in stamps  # leap years keep 29 February ...
    assert pd.Timestamp("2020-12-31") not in stamps  # ... and have no 31 December
    assert len(stamps) == 365
    lat, lon = got.cells["latitude"], got.cells["longitude"]
    assert lat.min() < area[1]
    assert lat.max() > area[3]
    assert lon.min() < area[0]
    assert lon.max() > area[2]
    assert abs(lat.mean() - 40.5) < 0.02
    assert len(got.cells) < 120  # about 5 km by 4.5 km and a ring, not the whole tile


def test_daymet_two_years_leave_a_missing_day(tmp_path: Path) -> None:
    for year in (2020, 2021):
        daymet_dataset("m", year).to_netcdf(tmp_path / f"daymet_{year}.nc")
    got = read_climate(tmp_path / "daymet_*.nc", area=(-103.01, 40.49, -102.99, 40.51))
    assert got.daily.sizes["time"] == 366 + 365
    assert np.isnan(got.daily["tmax_c"].sel(time="2020-12-31")).all()
    assert any("2020-12-31" in p.what for p in got.problems)


def test_daymet_real_sample_kilometres() -> None:
    path = open_data("climate/daymet/daymet_intersectr.nc")
    context = Context("x", products()["daymet"])
    with xr.open_dataset(path) as raw:
        crs = {k: v for k, v in raw["lambert_conformal_conic"].attrs.items() if not k.startswith("_")}
        x, y = float(raw["x"][200]) * 1000, float(raw["y"][200]) * 1000
        wanted = raw["prcp"][:, 200, 200].values
    from pyproj import CRS

    lon, lat = Transformer.from_crs(CRS.from_cf(crs), 4326, always_xy=True).transform(x, y)
    part = read_part(path, context, (lon - 0.001, lat - 0.001, lon + 0.001, lat + 0.001), {}, {}, [], None)
    i = int(np.argmin(np.hypot(part.window.latitude - lat, part.window.longitude - lon)))
    row, col = divmod(i, part.window.latitude.shape[1])
    np.testing.assert_allclose(part.layers["precip_mm"][:, row, col], wanted, rtol=1e-6)
    assert part.window.latitude.size <= 16


def test_nclimgrid_daily_real_samples_latitude_ascending() -> None:
    folder = open_data("climate/nclimgrid/prcp-202201-grd-scaled.nc").parent
    got = read_climate(str(folder / "*-202201-grd-scaled.nc"), area=(-100.1, 41.0, -99.9, 41.2))
    assert got.provenance["product"].startswith("nClimGrid-Daily")
    with xr.open_dataset(folder / "tmin-202201-grd-scaled.nc") as raw:
        wanted = raw["tmin"].sel(lat=41.104, lon=-100.0, method="nearest")
        place = float(wanted["lat"]), float(wanted["lon"])
        values = wanted.values
    cell = int(np.argmin(np.hypot(got.cells["latitude"] - place[0], got.cells["longitude"] - place[1])))
    np.testing.assert_allclose(got.daily["tmin_c"][cell], values, rtol=1e-5)
    assert got.cells["latitude"].is_monotonic_decreasing


def test_grids_that_differ_are_refused_but_a_rounding_is_not(tmp_path: Path) -> None:
    """nClimGrid daily and monthly coordinates differ by 1e-4 degrees for the same cells."""
    ds = daily_dataset(3)
    ds[["precipitation"]].to_netcdf(tmp_path / "a.nc")
    ds[["tmin"]].assign_coords(lat=LAT + 1e-4).to_netcdf(tmp_path / "b.nc")
    ds[["tmax"]].to_netcdf(tmp_path / "c.nc")
    assert len(read_climate(tmp_path, area=AREA).cells) == 9
    ds[["tmax"]].assign_coords(lat=LAT + 0.1).to_netcdf(tmp_path / "c.nc")
    with pytest.raises(StudyError, match="another grid"):
        read_climate(tmp_path, area=AREA)


def test_damaged_and_mixed_files(tmp_path: Path, normals_file: Path) -> None:
    broken = tmp_path / "cut.nc"
    broken.write_bytes(normals_file.read_bytes()[:2000])
    with pytest.raises(StudyError, match="cannot be read as NetCDF"):
        read_climate(broken)
    with pytest.raises(StudyError, match="should be a daily record"):
        read_climate(normals_file, kind="daily")
    with pytest.raises(StudyError, match="does not exist"):
        read_climate(tmp_path / "nothing.nc")


@pytest.mark.parametrize("missing", ["precipitation", "low"])
def test_a_missing_variable_is_named(missing: str, tmp_path: Path) -> None:
    normals_dataset().drop_vars(missing).to_netcdf(tmp_path / "part.nc")
    with pytest.raises(StudyError, match="has no (precip|tmin)"):
        read_climate(tmp_path / "part.nc", area=AREA)


def test_terraclimate_years_become_normals(tmp_path: Path) -> None:
    """One variable and year a file, packed integers, latitude descending, months as dates."""
    base = normals_dataset().rename(precipitation="ppt", low="tmin", high="tmax", reference_et="pet")
    for year in (1991, 1992, 1993):
        for name, unit in (("ppt", "mm"), ("tmin", "degC"), ("tmax", "degC"), ("pet", "mm")):
            layer = base[name].rename(month="time") + (year - 1992 if name == "ppt" else 0)
            layer.attrs = {"units": unit, "standard_name": name}
            part = layer.to_dataset(name=name).assign_coords(
                time=pd.date_range(f"{year}-01-01", periods=12, freq="MS")
            )
            packing = {name: {"dtype": "int16", "scale_factor": 0.01 if name != "ppt" else 0.1, "_FillValue": -32768}}
            _axes(part).to_netcdf(tmp_path / f"TerraClimate_{name}_{year}.nc", encoding=packing)
    got = read_climate(tmp_path, area=AREA, kind="normals")
    assert got.provenance["product"].startswith("TerraClimate")
    assert any("3 years only" in p.what for p in got.problems)
    whole = read_climate(tmp_path, area=None)
    assert float(whole.normals["precip_mm"].mean("cell").sum()) == pytest.approx(
        _field(RAIN).mean(axis=(1, 2)).sum(), abs=0.7
    )
    only = read_climate(tmp_path, options={"period": [1991, 1991]})
    assert float((whole.normals["precip_mm"] - only.normals["precip_mm"]).mean()) == pytest.approx(1.0, abs=0.06)


def test_noaa_gridded_normals_netcdf(tmp_path: Path) -> None:
    """Time counts months 1 to 12 with the units "months", latitude ascending (layout of the daily sample)."""
    base = _south_up(normals_dataset())
    for short, ours, unit in (("prcp", "precipitation", "millimeter"), ("tmin", "low", "degree_Celsius"), ("tmax", "high", "degree_Celsius")):  # fmt: skip
        name = f"mly{short}_norm"
        layer = base[ours].rename(month="time")
        layer.attrs = {
            "units": unit,
            "standard_name": "air_temperature" if short != "prcp" else "precipitation_amount",
        }
        ds = _axes(layer.to_dataset(name=name))
        ds["time"].attrs = {"long_name": "Time, month of year", "units": "months", "calendar": "gregorian"}
        ds.attrs["title"] = "1991-2020 Normals"
        ds.to_netcdf(tmp_path / f"{short}-1991_2020-monthly-normals-v1.0.nc")
    got = read_climate(tmp_path, area=AREA)
    plain = tmp_path / "plain" / "normals.nc"
    plain.parent.mkdir()
    normals_dataset().to_netcdf(plain)
    np.testing.assert_allclose(got.normals["tmax_c"], read_climate(plain, area=AREA).normals["tmax_c"], rtol=1e-5)
    assert got.provenance["product"].startswith("Gridded monthly normals")


def test_nclimgrid_monthly_real_files_lack_months() -> None:
    folder = open_data("climate/nclimgrid/nclimgrid_prcp.nc").parent
    with pytest.raises(StudyError, match="no value for month 3"):
        read_climate(
            str(folder / "nclimgrid_*.nc"), area=(-100.1, 41.0, -99.9, 41.2), options={"period": [1895, 1895]}
        )


def write_raster(path: Path, values: np.ndarray, nodata: float, crs: str, driver: str) -> None:
    transform = rasterio.transform.from_origin(LON[0] - 0.125, LAT[0] + 0.125, 0.25, 0.25)
    with rasterio.open(path, "w", driver=driver, width=LON.size, height=LAT.size, count=1, dtype="float32", nodata=nodata, crs=crs, transform=transform) as out:  # fmt: skip
        out.write(values.astype("float32"), 1)


@pytest.mark.parametrize(
    ("name", "nodata", "crs", "driver", "product"),
    [
        ("wc2.1_2.5m_{worldclim}_{month:02d}.tif", -3.4e38, "EPSG:4326", "GTiff", "WorldClim"),
        ("PRISM_{prism}_30yr_normal_4kmM4_{month:02d}_bil.bil", -9999, "EPSG:4269", "EHdr", "PRISM"),
        ("prism_{prism}_us_25m_{month:02d}.tif", -9999, "EPSG:4269", "GTiff", "PRISM"),
        ("prism_{prism}_us_25m_2020{month:02d}_avg_30y.tif", -9999, "EPSG:4269", "GTiff", "PRISM"),
        ("1991_2020-monthly-{month:02d}-{noaa}_norm.tif", float("nan"), "EPSG:4326", "GTiff", "Gridded monthly normals"),
    ],
    ids=["WorldClim 2.1 file names", "PRISM BIL normals", "PRISM formats page 2025: month", "PRISM normals dated 2020", "NOAA GeoTIFF as in the open samples"],
)  # fmt: skip
def test_raster_sets(name, nodata, crs, driver, product, tmp_path: Path) -> None:
    shorts = {"precip": {"worldclim": "prec", "prism": "ppt", "noaa": "prcp"}}
    for stem, monthly in (("precip", RAIN), ("tmin", TMEAN - 8), ("tmax", TMEAN + 8)):
        values = _field(monthly)
        values[:, 0, 0] = nodata
        parts = shorts.get(stem, {"worldclim": stem, "prism": stem, "noaa": stem})
        for month in MONTH:
            write_raster(tmp_path / name.format(month=month, **parts), values[month - 1], nodata, crs, driver)
    got = read_climate(tmp_path, area=AREA)
    assert got.provenance["product"].startswith(product)
    assert len(got.cells) == 9
    centre = int(np.argmin(np.hypot(got.cells["latitude"] - 40.5, got.cells["longitude"] + 103.0)))
    row, col = list(LAT).index(40.5), list(LON).index(-103.0)
    np.testing.assert_allclose(got.normals["precip_mm"][centre], _field(RAIN)[:, row, col], rtol=1e-5)
    everything = read_climate(tmp_path)
    assert len(everything.cells) == LAT.size * LON.size - 1
    assert any(p.action == "left out" and "no data" in p.what for p in everything.problems)


def test_prism_daily_rasters_in_zips(tmp_path: Path) -> None:
    import zipfile

    for day in pd.date_range("2020-02-28", "2020-03-01"):
        for var, value in (("ppt", 3.0), ("tmin", -5.0), ("tmax", 9.0)):
            stem = f"prism_{var}_us_25m_{day:%Y%m%d}"
            write_raster(tmp_path / f"{stem}.tif", np.full((LAT.size, LON.size), value), -9999, "EPSG:4269", "GTiff")
            with zipfile.ZipFile(tmp_path / f"{stem}.zip", "w") as archive:
                archive.write(tmp_path / f"{stem}.tif", f"{stem}.tif")
            (tmp_path / f"{stem}.tif").unlink()
    got = read_climate(tmp_path, area=AREA)
    assert got.daily.sizes["time"] == 3
    assert "12 UTC" in got.provenance["day_definition"]
    assert float(got.daily["precip_mm"].mean()) == 3.0


def test_own_raster_names_and_twelve_bands(tmp_path: Path) -> None:
    transform = rasterio.transform.from_origin(LON[0] - 0.125, LAT[0] + 0.125, 0.25, 0.25)
    for stem, monthly in (("rain", RAIN / 25.4), ("cold", TMEAN - 8), ("warm", TMEAN + 8)):
        with rasterio.open(tmp_path / f"county_{stem}.tif", "w", driver="GTiff", width=LON.size, height=LAT.size, count=12, dtype="float32", crs="EPSG:4326", transform=transform) as out:  # fmt: skip
            out.write((_field(monthly) if stem != "rain" else _field(RAIN) / 25.4).astype("float32"))
    names = {"precip": "rain", "tmin": "cold", "tmax": "warm"}
    units = {"precip": "inch", "tmin": "degC", "tmax": "degC"}
    got = read_climate(
        tmp_path, area=AREA, variables=names, options={"pattern": r"county_(?P<var>\w+)\.tif", "units": units}
    )
    row, col = list(LAT).index(40.5), list(LON).index(-103.0)
    np.testing.assert_allclose(got.normals["precip_mm"][4], _field(RAIN)[:, row, col], rtol=1e-5)
    with pytest.raises(StudyError, match="no units"):
        read_climate(tmp_path, area=AREA, variables=names, options={"pattern": r"county_(?P<var>\w+)\.tif"})


def test_noaa_raster_samples_january_only() -> None:
    folder = open_data("climate/normals_grid/1991_2020-monthly-01-prcp_norm.tif").parent
    with pytest.raises(StudyError, match="lack month 2"):
        read_climate(str(folder / "*monthly*.tif"), area=(-100.1, 41.0, -99.9, 41.2))
