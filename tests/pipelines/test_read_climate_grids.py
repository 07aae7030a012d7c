"""Gridded climate: axes, orders and units by metadata; refusals that name the fix."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from geo.errors import StudyError
from pipelines.read.climate.dispatch import read_climate
from tests.pipelines.climate_builders import (
    AREA,
    LAT,
    LON,
    RAIN,
    TMEAN,
    axes,
    daily_dataset,
    field,
    normals_dataset,
    south_up,
)


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
    np.testing.assert_allclose(got.normals["precip_mm"][centre], field(RAIN)[:, row, col], rtol=1e-6)
    np.testing.assert_allclose(got.normals["tmin_c"][centre], field(TMEAN - 8)[:, row, col], rtol=1e-5)
    assert float(got.normals["tmin_sd_c"][centre, 0]) == pytest.approx(field(TMEAN * 0 + 4)[0, row, col])
    assert got.cells["elevation_m"].eq(1200.0).all()
    assert "et0_mm" in got.normals
    assert not got.problems


def _east_360(ds: xr.Dataset) -> xr.Dataset:
    return axes(ds.assign_coords(lon=ds["lon"].values % 360))


def _across_zero(ds: xr.Dataset) -> xr.Dataset:
    return south_up(_east_360(ds)).rename({"lat": "latitude", "lon": "longitude"})


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
    [south_up, _east_360, _across_zero, _kelvin, _fahrenheit_inches, _flux, _per_month],
    ids=[
        "lat ascending",
        "0-360 longitudes",
        "other axis names",
        "kelvin",
        "degF and inches",
        "kg m-2 s-1 is 1 mm of water: CF 1.11",
        "mm month-1",
    ],
)
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
