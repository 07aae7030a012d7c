"""Monthly normals: the variables that are required, and estimates of those that may be missing."""

from __future__ import annotations

import numpy as np
import xarray as xr

from geo.errors import StudyError
from geo.season import MONTH_DAYS
from geo.weather.wet_days import WET_DAY_MM, estimate_wet_day_fraction


def check_normals(normals: xr.Dataset) -> None:
    """Raise `StudyError` when monthly normals are incomplete or impossible."""
    where = "monthly normals"
    for name in ("precip_mm", "tmin_c", "tmax_c", "latitude"):
        if name not in normals:
            raise StudyError(f"'{name}' is missing", where, "Give it in the climate layer.")
    if normals.sizes.get("month") != 12:
        raise StudyError("normals need 12 months", where, "Give values for month 1 to 12.")
    for name in ("precip_mm", "tmin_c", "tmax_c"):
        bad = (normals[name].isnull() | np.isinf(normals[name])).any("month")
        if bool(bad.any()):
            cell = int(np.flatnonzero(bad.values)[0])
            raise StudyError(f"'{name}' has no value in some month", f"{where}, cell {cell}", "Leave the cell out.")
    if bool((normals["precip_mm"] < 0).any()):
        raise StudyError("precipitation is negative", where, "Check the fill value of the layer.")
    if bool((normals["tmax_c"] <= normals["tmin_c"]).any()):
        raise StudyError("a maximum temperature is not above its minimum", where, "Check the order of the layers.")


def optional_normal(normals: xr.Dataset, name: str, stand_in: np.ndarray) -> np.ndarray:
    """Return a variable with its gaps filled by an estimate, or the estimate itself."""
    if name not in normals:
        return stand_in
    values = normals[name].transpose("cell", "month").values.astype("float64")
    return np.where(np.isfinite(values), values, stand_in)


def wet_day_fraction(normals: xr.Dataset) -> np.ndarray:
    """Return the share of wet days ``(cell, month)``: the one given, else estimated from precipitation.

    Held so that the mean wet day has at least twice `WET_DAY_MM` and no month is wet on more than 9 days
    in 10; 0 where it never rains.
    """
    precip = normals["precip_mm"].transpose("cell", "month").values.astype("float64")
    tmean = (normals["tmin_c"] + normals["tmax_c"]).transpose("cell", "month").values / 2.0
    per_day = precip / MONTH_DAYS
    share = optional_normal(normals, "wet_day_fraction", estimate_wet_day_fraction(per_day, tmean))
    share = np.minimum(np.clip(share, 0.0, 0.9), per_day / (2.0 * WET_DAY_MM))
    floor = np.where(precip > 0, np.minimum(per_day / 60.0, 0.9), 0.0)
    return np.maximum(share, floor)
