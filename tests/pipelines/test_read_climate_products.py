"""Gridded climate: every NetCDF product in its own layout, real samples where there are some."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from pyproj import CRS, Transformer

from geo.errors import StudyError
from pipelines.read.climate.build import Context, Query
from pipelines.read.climate.cf import read_part
from pipelines.read.climate.dispatch import read_climate
from pipelines.read.climate.products import products
from tests.open_data import open_data
from tests.pipelines.climate_builders import (
    AREA,
    RAIN,
    TMEAN,
    axes,
    daily_dataset,
    field,
    normals_dataset,
    south_up,
)


def test_gridmet_files_packed_kelvin_day_axis(tmp_path: Path) -> None:
    """One variable and year a file; both temperatures are called air_temperature; packed 16 bit, 32767 missing."""
    ds = daily_dataset(366, "2020-01-01").rename(time="day")
    names = {
        "pr": ("precipitation", "precipitation_amount", "mm", 0.0),
        "tmmn": ("tmin", "air_temperature", "K", 210.0),
        "tmmx": ("tmax", "air_temperature", "K", 220.0),
    }
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
    part = read_part(path, Query("x", (-85.0, 34.0, -84.9, 34.1)), Context("x", products()["gridmet"]), None)
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
    to_grid = Transformer.from_crs(
        4326, "+proj=lcc +lat_1=25 +lat_2=60 +lat_0=42.5 +lon_0=-100 +a=6378137 +rf=298.257223563", always_xy=True
    )
    x0, y0 = (round(v / 1000) * 1000.0 for v in to_grid.transform(-103.0, 40.5))
    x, y = x0 + 1000.0 * np.arange(-15, 16), y0 - 1000.0 * np.arange(-15, 16)
    shape = (365, y.size, x.size)
    season = TMEAN[time.month - 1][:, None, None] + np.zeros(shape)
    scale = 1000.0 if units == "km" else 1.0
    dims = ("time", "y", "x")
    ds = xr.Dataset(
        {
            "prcp": (
                dims,
                np.full(shape, 1.2),
                {
                    "units": "mm/day",
                    "grid_mapping": "lambert_conformal_conic",
                    "cell_methods": "area: mean time: sum",
                },
            ),
            "tmin": (dims, season - 8, {"units": "degrees C", "grid_mapping": "lambert_conformal_conic"}),
            "tmax": (dims, season + 8, {"units": "degrees C", "grid_mapping": "lambert_conformal_conic"}),
            "yearday": ("time", np.arange(1, 366)),
            "lambert_conformal_conic": (
                (),
                np.int16(0),
                {
                    "grid_mapping_name": "lambert_conformal_conic",
                    "longitude_of_central_meridian": -100.0,
                    "latitude_of_projection_origin": 42.5,
                    "false_easting": 0.0,
                    "false_northing": 0.0,
                    "standard_parallel": [25.0, 60.0],
                    "semi_major_axis": 6378137.0,
                    "inverse_flattening": 298.257223563,
                },
            ),
        },
        coords={
            "time": time,
            "y": ("y", y / scale, {"units": units, "standard_name": "projection_y_coordinate"}),
            "x": ("x", x / scale, {"units": units, "standard_name": "projection_x_coordinate"}),
        },
        attrs={"title": "Daymet: Daily Surface Weather Data on a 1-km Grid for North America, Version 4 R1"},
    )
    return ds


@pytest.mark.slow
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


@pytest.mark.slow
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
    lon, lat = Transformer.from_crs(CRS.from_cf(crs), 4326, always_xy=True).transform(x, y)
    part = read_part(path, Query("x", (lon - 0.001, lat - 0.001, lon + 0.001, lat + 0.001)), context, None)
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


@pytest.mark.slow
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
            axes(part).to_netcdf(tmp_path / f"TerraClimate_{name}_{year}.nc", encoding=packing)
    got = read_climate(tmp_path, area=AREA, kind="normals")
    assert got.provenance["product"].startswith("TerraClimate")
    assert any("3 years only" in p.what for p in got.problems)
    whole = read_climate(tmp_path, area=None)
    assert float(whole.normals["precip_mm"].mean("cell").sum()) == pytest.approx(
        field(RAIN).mean(axis=(1, 2)).sum(), abs=0.7
    )
    only = read_climate(tmp_path, options={"period": [1991, 1991]})
    assert float((whole.normals["precip_mm"] - only.normals["precip_mm"]).mean()) == pytest.approx(1.0, abs=0.06)


def test_noaa_gridded_normals_netcdf(tmp_path: Path) -> None:
    """Time counts months 1 to 12 with the units "months", latitude ascending (layout of the daily sample)."""
    base = south_up(normals_dataset())
    for short, ours, unit in (
        ("prcp", "precipitation", "millimeter"),
        ("tmin", "low", "degree_Celsius"),
        ("tmax", "high", "degree_Celsius"),
    ):
        name = f"mly{short}_norm"
        layer = base[ours].rename(month="time")
        layer.attrs = {
            "units": unit,
            "standard_name": "air_temperature" if short != "prcp" else "precipitation_amount",
        }
        ds = axes(layer.to_dataset(name=name))
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


def test_nclimgrid_daily_with_all_variables_in_a_month(tmp_path: Path) -> None:
    for start, days in (("2021-01-01", 31), ("2021-02-01", 28)):
        ds = south_up(daily_dataset(days, start)).rename(precipitation="prcp")
        ds = ds.assign(tavg=((ds["tmin"] + ds["tmax"]) / 2).assign_attrs(units="degree_Celsius"))
        ds["prcp"].attrs = {"units": "millimeter", "standard_name": "precipitation_amount"}
        ds.to_netcdf(tmp_path / f"ncdd-{start[:4]}{start[5:7]}-grd-scaled.nc")
    got = read_climate(tmp_path, area=AREA)
    assert got.provenance["product"].startswith("nClimGrid-Daily")
    assert got.daily.sizes == {"cell": 9, "time": 59}
    assert not got.problems


def test_terraclimate_normals_file(tmp_path: Path) -> None:
    base = normals_dataset().rename(precipitation="ppt", low="tmin", high="tmax")
    for name, unit in (("ppt", "mm"), ("tmin", "degC"), ("tmax", "degC")):
        layer = base[name].rename(month="time").assign_attrs(units=unit, standard_name=name)
        ds = axes(layer.to_dataset(name=name).assign_coords(time=pd.date_range("1961-01-01", periods=12, freq="MS")))
        ds.to_netcdf(tmp_path / f"TerraClimate19912020_{name}.nc")
    got = read_climate(tmp_path, area=AREA)
    assert not got.problems  # twelve months of a normals file are no single year
    assert float(got.normals["precip_mm"].sum("month").median()) == pytest.approx(
        field(RAIN)[:, 4, 4].sum(), rel=0.01
    )


@pytest.mark.parametrize(("calendar", "kept"), [("noleap", 365), ("proleptic_gregorian", 366)])
def test_calendars(calendar: str, kept: int, tmp_path: Path) -> None:
    """CF 1.11 section 4.4.1: a noleap year has no 29 February; that day stays missing in a leap year."""
    ds = daily_dataset(kept, "2020-01-01")
    ds = ds.assign_coords(time=np.arange(kept, dtype=float))
    ds["time"].attrs = {"units": "days since 2020-01-01", "calendar": calendar, "standard_name": "time"}
    ds.to_netcdf(tmp_path / "c.nc")
    got = read_climate(tmp_path / "c.nc", area=AREA)
    assert got.daily.sizes["time"] == 366
    assert bool(np.isnan(got.daily["tmin_c"].sel(time="2020-02-29")).all()) == (calendar == "noleap")
    ds["time"].attrs["calendar"] = "360_day"
    ds.to_netcdf(tmp_path / "d.nc")
    with pytest.raises(StudyError, match="days that do not exist"):
        read_climate(tmp_path / "d.nc", area=AREA)


def test_values_may_be_accepted_against_the_check(tmp_path: Path) -> None:
    ds = normals_dataset()
    ds["precipitation"] = (ds["precipitation"] / 10).assign_attrs(ds["precipitation"].attrs)
    ds.to_netcdf(tmp_path / "dry.nc")
    with pytest.raises(StudyError, match="adds up to"):
        read_climate(tmp_path / "dry.nc", area=AREA)
    got = read_climate(tmp_path / "dry.nc", area=AREA, options={"accept_values": True})
    assert any("adds up to" in p.what for p in got.problems)


@pytest.mark.slow
def test_a_large_grid_is_read_by_window(tmp_path: Path) -> None:
    """A file of 144 MB uncompressed gives a few cells without being loaded whole."""
    lat, lon = np.linspace(49.0, 25.0, 1000), np.linspace(-125.0, -67.0, 1000)
    cell = xr.DataArray(
        np.zeros((lat.size, lon.size), "float32"), dims=("lat", "lon"), coords={"lat": lat, "lon": lon}
    )
    warm = cell + xr.DataArray(TMEAN.astype("float32"), dims="month", coords={"month": np.arange(1, 13)})
    ds = xr.Dataset({"precip": warm * 0 + 40, "tmin": warm - 8, "tmax": warm + 8}).transpose("month", "lat", "lon")
    for name, unit in (("precip", "mm"), ("tmin", "degC"), ("tmax", "degC")):
        ds[name].attrs["units"] = unit
    encoding = {n: {"zlib": True, "complevel": 1, "chunksizes": (12, 50, 50)} for n in ds.data_vars}
    axes(ds.astype("float32")).to_netcdf(tmp_path / "large.nc", encoding=encoding)
    del ds, warm, cell
    tracemalloc.start()
    got = read_climate(tmp_path / "large.nc", area=(-103.01, 40.49, -102.99, 40.51))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(got.cells) <= 16
    assert peak < 20e6
