"""Climate of invented Larkspur County: monthly normals with a strong gradient, and a few cells of daily weather."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from sample_layers.larkspur_frame import CENTRE_LAT, CENTRE_LON, LAT_DEGREE_M, LON_DEGREE_M, Floats, Frame

STEP_DEGREES = 0.08
MONTH_DAYS = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
INVENTED = "INVENTED demonstration data for fictional Larkspur County; describes no real place"

# name, units, long name, standard name, cell methods
MONTHLY = {
    "precipitation": (
        "mm",
        "precipitation in the month",
        "lwe_thickness_of_precipitation_amount",
        "time: sum within months time: mean over years",
    ),
    "tmin": (
        "degC",
        "daily minimum air temperature",
        "air_temperature",
        "time: minimum within days time: mean over years",
    ),
    "tmax": (
        "degC",
        "daily maximum air temperature",
        "air_temperature",
        "time: maximum within days time: mean over years",
    ),
    "wet_day_fraction": ("1", "share of days with 0.254 mm or more of precipitation", "", "time: mean over years"),
    "tmin_sd": ("K", "standard deviation of daily minimum temperature about the monthly mean", "", ""),
    "tmax_sd": ("K", "standard deviation of daily maximum temperature about the monthly mean", "", ""),
    "reference_et": (
        "mm",
        "grass reference evapotranspiration in the month",
        "",
        "time: sum within months time: mean over years",
    ),
}


def grid_axes(frame: Frame) -> tuple[Floats, Floats]:
    """Return longitudes and latitudes of the cell centres of a regular grid that covers the county."""
    axes = []
    for centre, degree_m in ((CENTRE_LON, LON_DEGREE_M), (CENTRE_LAT, LAT_DEGREE_M)):
        count = int(np.ceil(frame.side_m / degree_m / STEP_DEGREES))
        axes.append(np.round(centre + (np.arange(count) - (count - 1) / 2) * STEP_DEGREES, 6))
    return axes[0], axes[1]


def _near(place: Mapping[str, Any], u: Floats, v: Floats) -> Floats:
    """Return 1 in the heart of a corner and 0 far from it, flat in the middle and steep at its edge."""
    reach = np.hypot(u - place["u"], v - place["v"]) / place["radius"]
    return 1 / (1 + reach ** place["steepness"])


def normals_at(gradient: Mapping[str, Any], u: Floats, v: Floats) -> dict[str, Floats]:
    """Return monthly normals at points.

    Parameters
    ----------
    gradient : mapping
        The table at the top of `build_larkspur.py`.
    u, v : ndarray
        Shares of the county's side, west to east and south to north, any shape; outside 0-1 the edge value holds.

    Returns
    -------
    dict of ndarray
        Keys of `MONTHLY`, arrays with the month as first dimension.
    """
    u, v = np.clip(u, 0, 1)[None], np.clip(v, 0, 1)[None]
    col = {k: np.array(a, float).reshape(12, *[1] * (u.ndim - 1)) for k, a in gradient["months"].items()}
    # 1 in January, 0 in July
    winter = (1 + np.cos(2 * np.pi * np.arange(12) / 12)).reshape(col["tmin"].shape) / 2
    west, east = gradient["west"], gradient["east"]
    year = west["precip_mm"] + (east["precip_mm"] - west["precip_mm"]) * u ** gradient["precip_curve"]
    et = west["et_mm"] + (east["et_mm"] - west["et_mm"]) * u
    share = col["precip_west"] * (1 - u) + col["precip_east"] * u
    depth = col["wet_day_mm"] * (west["wet_day_factor"] * (1 - u) + east["wet_day_factor"] * u)
    tmin, tmax = col["tmin"] + 0 * u, col["tmax"] + 0 * u
    tmin_sd, tmax_sd = col["tmin_sd"] + 0 * u, col["tmax_sd"] + 0 * u
    north = gradient["north"]
    for name, base in (("tmin", tmin), ("tmax", tmax)):
        step = winter * north[f"{name}_winter"] + (1 - winter) * north[f"{name}_summer"]
        base += step * (v - 0.5)
    for place in gradient["corners"].values():
        near = _near(place, u, v)
        tmin += near * (winter * place["tmin_winter"] + (1 - winter) * place["tmin_summer"])
        tmax += near * (winter * place["tmax_winter"] + (1 - winter) * place["tmax_summer"])
        tmin_sd *= 1 + near * winter * (place["winter_sd_factor"] - 1)
        tmax_sd *= 1 + near * winter * (place["winter_sd_factor"] - 1)
        year = year * (1 + near * (place["precip_factor"] - 1))
        et = et * (1 + near * (place["et_factor"] - 1))
    precip = year * share / col["precip_west"].sum()
    days = MONTH_DAYS.reshape(col["tmin"].shape)
    return {
        "precipitation": precip,
        "tmin": tmin,
        "tmax": np.maximum(tmax, tmin + 4),
        "wet_day_fraction": np.clip(precip / (depth * days), 0.01, 0.7),
        "tmin_sd": tmin_sd,
        "tmax_sd": tmax_sd,
        "reference_et": et * col["et_share"] / col["et_share"].sum(),
    }


def describe(ds: xr.Dataset, title: str, seed: int) -> xr.Dataset:
    """Add axes, coordinate reference system and the label to a dataset with `lat` and `lon`."""
    ds["lat"].attrs = {"units": "degrees_north", "standard_name": "latitude", "long_name": "latitude", "axis": "Y"}
    ds["lon"].attrs = {"units": "degrees_east", "standard_name": "longitude", "long_name": "longitude", "axis": "X"}
    crs = {
        "grid_mapping_name": "latitude_longitude",
        "semi_major_axis": 6378137.0,
        "inverse_flattening": 298.257223563,
        "longitude_of_prime_meridian": 0.0,
        "horizontal_datum_name": "World Geodetic System 1984",
    }
    ds["crs"] = xr.DataArray(np.int32(0), attrs=crs)
    for name in ds.data_vars:
        if name != "crs":
            ds[name].attrs["grid_mapping"] = "crs"
    ds.attrs = {
        "Conventions": "CF-1.11",
        "title": title,
        "source": f"{INVENTED}; sample_layers/build_larkspur.py, seed {seed}",
        "comment": INVENTED,
    }
    return ds


def _attrs(name: str) -> dict[str, str]:
    units, long_name, standard_name, methods = MONTHLY[name]
    pairs = {"units": units, "long_name": long_name, "standard_name": standard_name, "cell_methods": methods}
    return {k: v for k, v in pairs.items() if v}


def build_normals(gradient: Mapping[str, Any], frame: Frame, elevation_m: Floats, seed: int) -> xr.Dataset:
    """Return monthly normals with dims (month, lat, lon).

    Parameters
    ----------
    gradient : mapping
        The table at the top of `build_larkspur.py`.
    frame : Frame
        The county.
    elevation_m : ndarray
        On the drawing grid, row 0 in the north.
    seed : int
        Written into the metadata.
    """
    lon, lat = grid_axes(frame)
    u, v = frame.unit_square(*np.meshgrid(lon, lat))
    ds = xr.Dataset(coords={"month": np.arange(1, 13, dtype="int32"), "lat": lat, "lon": lon})
    for name, values in normals_at(gradient, u, v).items():
        digits = 4 if name == "wet_day_fraction" else 2
        ds[name] = (("month", "lat", "lon"), np.round(values, digits).astype("float32"), _attrs(name))
    ds["elevation"] = (
        ("lat", "lon"),
        np.round(_cell_means(frame, elevation_m, lon, lat), 1).astype("float32"),
        {"units": "m", "standard_name": "surface_altitude", "long_name": "mean elevation of the cell"},
    )
    ds["month"].attrs = {"units": "1", "long_name": "month of the year, 1 = January"}
    return describe(ds, "Climate of Larkspur County by month (invented)", seed)


def _cell_means(frame: Frame, elevation_m: Floats, lon: Floats, lat: Floats) -> Floats:
    x, y = frame.grid_xy()
    half = STEP_DEGREES / 2
    col = np.floor((frame.west + x / LON_DEGREE_M - (lon[0] - half)) / STEP_DEGREES).astype(int)
    row = np.floor((frame.south + y / LAT_DEGREE_M - (lat[0] - half)) / STEP_DEGREES).astype(int)
    index = (row * lon.size + col).ravel()
    total = np.bincount(index, elevation_m.ravel(), lat.size * lon.size)
    return (total / np.bincount(index, minlength=lat.size * lon.size)).reshape(lat.size, lon.size)


def write_netcdf(ds: xr.Dataset, path: Path, encoding: Mapping[str, Any]) -> None:
    """Write a dataset with compression and without fill values on its axes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    full = {str(name): {"_FillValue": None} for name in ds.coords} | dict(encoding)
    ds.to_netcdf(path, engine="netcdf4", format="NETCDF4", encoding=full)


def write_normals(ds: xr.Dataset, path: Path) -> None:
    """Write the monthly normals."""
    packed = {"zlib": True, "complevel": 6, "_FillValue": np.float32(np.nan)}
    write_netcdf(ds, path, {str(n): packed for n in ds.data_vars if n != "crs"})
