"""Invented, contrasted climates for tests of the generator, and what a daily Dataset says of its months."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from geo.season import MONTH_DAYS

CLIMATES: dict[str, dict[str, list[float]]] = {
    "high plains, dry": {
        "precip_mm": [7, 9, 22, 40, 68, 62, 60, 48, 30, 24, 11, 8],
        "tmin_c": [-11, -9, -5, 0, 6, 11, 15, 14, 8, 1, -6, -10],
        "tmax_c": [4, 6, 11, 17, 22, 28, 32, 31, 26, 19, 10, 5],
    },
    "plains, wet east": {
        "precip_mm": [20, 26, 52, 75, 110, 112, 100, 90, 75, 58, 38, 26],
        "tmin_c": [-10, -7, -2, 4, 11, 16, 19, 18, 12, 5, -2, -8],
        "tmax_c": [2, 5, 12, 18, 24, 29, 31, 30, 26, 20, 11, 4],
        "wet_day_fraction": [0.18, 0.2, 0.24, 0.29, 0.34, 0.31, 0.28, 0.27, 0.24, 0.2, 0.17, 0.18],
    },
    "winter rain, rainless summer": {
        "precip_mm": [110, 95, 80, 35, 12, 2, 0, 0, 4, 25, 60, 105],
        "tmin_c": [3, 4, 5, 7, 10, 13, 15, 15, 13, 10, 6, 3],
        "tmax_c": [12, 14, 17, 20, 25, 30, 34, 33, 30, 24, 16, 12],
        "wet_day_fraction": [0.36, 0.34, 0.3, 0.18, 0.08, 0.02, 0, 0, 0.03, 0.12, 0.26, 0.35],
    },
    "desert margin": {
        "precip_mm": [9, 8, 8, 4, 3, 2, 20, 26, 14, 9, 6, 10],
        "tmin_c": [2, 4, 8, 12, 17, 22, 26, 25, 21, 14, 7, 2],
        "tmax_c": [17, 20, 24, 29, 34, 39, 40, 39, 36, 30, 22, 17],
    },
    "cold north, wet all year": {
        "precip_mm": [60, 52, 66, 76, 85, 98, 102, 94, 90, 98, 80, 72],
        "tmin_c": [-17, -16, -9, -2, 4, 9, 12, 11, 7, 1, -5, -13],
        "tmax_c": [-5, -3, 3, 11, 19, 24, 26, 25, 20, 13, 5, -2],
        "wet_day_fraction": [0.42, 0.4, 0.41, 0.42, 0.45, 0.46, 0.44, 0.42, 0.41, 0.43, 0.46, 0.45],
        "tmin_sd_c": [8, 8, 7, 5, 5, 4, 4, 4, 5, 5, 6, 8],
        "tmax_sd_c": [6, 6, 6, 6, 6, 5, 4, 4, 5, 6, 6, 6],
    },
}


def normals_of(*tables: dict[str, list[float]] | pd.DataFrame, latitude: float = 40.0) -> xr.Dataset:
    """Return monthly normals, one cell a table; a variable that a table lacks is NaN there."""
    names = {name for table in tables for name in table}
    data = {
        name: (
            ("cell", "month"),
            np.array([np.asarray(t[name], dtype=float) if name in t else np.full(12, np.nan) for t in tables]),
        )
        for name in sorted(names)
    }
    count = len(tables)
    coords = {
        "month": np.arange(1, 13),
        "cell": np.arange(count),
        "latitude": ("cell", np.full(count, latitude)),
        "longitude": ("cell", np.full(count, -103.0)),
        "elevation_m": ("cell", np.full(count, 1200.0)),
    }
    return xr.Dataset(data, coords=coords)


def monthly_mean(weather: xr.Dataset, name: str) -> np.ndarray:
    """Return the mean by calendar month over all years, ``(cell, 12)``."""
    return weather[name].groupby("month").mean("time").transpose("cell", "month").values


def monthly_precip(weather: xr.Dataset) -> np.ndarray:
    """Return mean monthly totals, ``(cell, 12)``."""
    return monthly_mean(weather, "precip_mm") * MONTH_DAYS


def wet_share(weather: xr.Dataset, wet_day_mm: float = 0.2539) -> np.ndarray:
    """Return the share of wet days by month, ``(cell, 12)``."""
    return monthly_mean((weather[["precip_mm"]] >= wet_day_mm).astype(float), "precip_mm")


def annual_sums(weather: xr.Dataset, name: str = "precip_mm") -> np.ndarray:
    """Return sums by year, ``(cell, year)``."""
    return weather[name].groupby("year").sum("time").transpose("cell", "year").values
