"""Small climate grids on which every cell and month differs, so that a flipped axis or a wrong month shows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

LAT = np.round(np.arange(41.5, 39.5, -0.25), 4)
LON = np.round(np.arange(-104.0, -102.0, 0.25), 4)
AREA = (-103.1, 40.4, -102.9, 40.6)
MONTH = np.arange(1, 13)
RAIN = np.array([8, 10, 25, 40, 70, 75, 65, 50, 35, 25, 14, 9], dtype=float)
TMEAN = np.array([-3, -1, 4, 9, 14, 20, 23.5, 22, 17, 10, 3, -2], dtype=float)


def field(monthly: np.ndarray) -> np.ndarray:
    """Twelve months on the grid, a little warmer and wetter to the east so that a flipped axis shows."""
    return (
        monthly[:, None, None] + 0.1 * np.arange(LON.size)[None, None, :] + 0.5 * np.arange(LAT.size)[None, :, None]
    )


def axes(ds: xr.Dataset) -> xr.Dataset:
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
            "precipitation": (dims, field(RAIN), rain),
            "low": (
                dims,
                field(TMEAN - 8),
                {
                    "standard_name": "air_temperature",
                    "units": "degC",
                    "cell_methods": "time: minimum within days time: mean over years",
                },
            ),
            "high": (
                dims,
                field(TMEAN + 8),
                {
                    "standard_name": "air_temperature",
                    "units": "degC",
                    "cell_methods": "time: maximum within days time: mean over years",
                },
            ),
            "low_spread": (
                dims,
                field(TMEAN * 0 + 4),
                {
                    "standard_name": "air_temperature",
                    "units": "K",
                    "cell_methods": "time: minimum within days time: standard_deviation over days",
                },
            ),
            "reference_et": (dims, field(TMEAN * 3 + 90), {"units": "mm"}),
            "wet_day_fraction": (dims, field(RAIN * 0 + 0.2) / 10, {"units": "1"}),
            "elevation": (("lat", "lon"), np.full((LAT.size, LON.size), 1200.0), {"units": "m"}),
        },
        coords={"month": MONTH, "lat": LAT, "lon": LON},
    )
    return axes(ds)


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
    return axes(ds)


def south_up(ds: xr.Dataset) -> xr.Dataset:
    return ds.isel(lat=slice(None, None, -1))
