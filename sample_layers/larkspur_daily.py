"""Daily weather of invented Larkspur County: four cells, one for each quarter of the county, on the real calendar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from geo.weather import generate_daily
from sample_layers.larkspur_climate import describe, normals_at, write_netcdf
from sample_layers.larkspur_frame import CENTRE_LAT, CENTRE_LON, LAT_DEGREE_M, LON_DEGREE_M, Floats, Frame

# name in the file: name from the generator, units, long name, standard name, cell methods
DAILY = {
    "precipitation": ("precip_mm", "mm/day", "precipitation of the day", "lwe_precipitation_rate", "time: sum"),
    "tmin": ("tmin_c", "degC", "minimum air temperature", "air_temperature", "time: minimum"),
    "tmax": ("tmax_c", "degC", "maximum air temperature", "air_temperature", "time: maximum"),
    "reference_et": ("et0_mm", "mm/day", "grass reference evapotranspiration", "", "time: sum"),
}
GENERATOR_NAMES = {
    "precipitation": "precip_mm",
    "tmin": "tmin_c",
    "tmax": "tmax_c",
    "wet_day_fraction": "wet_day_fraction",
    "tmin_sd": "tmin_sd_c",
    "tmax_sd": "tmax_sd_c",
    "reference_et": "et0_mm",
}
SCALE = 0.01


def on_calendar(values: NDArray[np.float32], years: Sequence[int], rain: bool) -> NDArray[np.float32]:
    """Put years of 365 days on the real calendar: 29 February is dry and halfway between its neighbours.

    Parameters
    ----------
    values : ndarray (cell, days)
        Whole years of 365 days.
    years : sequence of int
        Calendar years, one for each.
    rain : bool
        True for precipitation.
    """
    time = calendar(years)
    leap = np.asarray((time.month == 2) & (time.day == 29))
    out = np.zeros((values.shape[0], time.size), np.float32)
    out[:, ~leap] = values
    if not rain:
        at = np.nonzero(leap)[0]
        out[:, at] = (out[:, at - 1] + out[:, at + 1]) / 2
    return out


def calendar(years: Sequence[int]) -> pd.DatetimeIndex:
    """Return every day of the years."""
    return pd.date_range(f"{years[0]}-01-01", f"{years[-1]}-12-31", freq="D", unit="s")


def build_daily(
    gradient: Mapping[str, Any], frame: Frame, elevation_m: Floats, years: Sequence[int], seed: int
) -> xr.Dataset:
    """Return daily weather with dims (time, lat, lon) on two by two cells.

    Parameters
    ----------
    gradient : mapping
        The table at the top of `build_larkspur.py`.
    frame : Frame
        The county.
    elevation_m : ndarray
        On the drawing grid, row 0 in the north.
    years : sequence of int
        Calendar years without a gap.
    seed : int
        Of the weather generator.
    """
    side = np.array([-0.25, 0.25]) * frame.side_m
    lon, lat = (np.round(c + side / d, 3) for c, d in ((CENTRE_LON, LON_DEGREE_M), (CENTRE_LAT, LAT_DEGREE_M)))
    lons, lats = (a.ravel() for a in np.meshgrid(lon, lat))
    u, v = frame.unit_square(lons, lats)
    height = [elevation_m[int((1 - b) * frame.pixels), int(a * frame.pixels)] for a, b in zip(u, v, strict=True)]
    normals = xr.Dataset(
        {GENERATOR_NAMES[k]: (("month", "cell"), a) for k, a in normals_at(gradient, u, v).items()},
        coords={
            "month": np.arange(1, 13),
            "cell": np.arange(4),
            "latitude": ("cell", lats),
            "longitude": ("cell", lons),
            "elevation_m": ("cell", np.array(height, float)),
        },
        attrs={"source": "invented"},
    )
    days = generate_daily(normals, len(years), seed)
    ds = xr.Dataset(coords={"time": calendar(years), "lat": lat, "lon": lon})
    for name, (own, units, long_name, standard_name, methods) in DAILY.items():
        values = on_calendar(days[own].transpose("cell", "time").to_numpy(), years, rain=name == "precipitation")
        attrs = {"units": units, "long_name": long_name, "standard_name": standard_name, "cell_methods": methods}
        ds[name] = (("time", "lat", "lon"), values.T.reshape(-1, 2, 2), {k: a for k, a in attrs.items() if a})
    about = {"units": "m", "standard_name": "surface_altitude", "long_name": "elevation"}
    ds["elevation"] = (("lat", "lon"), np.round(height, 1).astype("float32").reshape(2, 2), about)
    ds["time"].attrs = {"standard_name": "time", "long_name": "day", "axis": "T"}
    return describe(ds, "Daily weather of Larkspur County, four cells (invented)", seed)


def write_daily(ds: xr.Dataset, path: Path) -> None:
    """Write the days packed into two bytes a value."""
    packed = {"dtype": "int16", "scale_factor": SCALE, "_FillValue": np.int16(-32768), "zlib": True, "complevel": 6}
    encoding: dict[str, Any] = {name: dict(packed) for name in DAILY}
    encoding["elevation"] = {"_FillValue": np.float32(np.nan)}
    days = {"units": "days since 1900-01-01", "calendar": "gregorian"}
    encoding["time"] = {"dtype": "int32", "_FillValue": None} | days
    write_netcdf(ds, path, encoding)
