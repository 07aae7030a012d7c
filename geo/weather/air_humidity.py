"""How dry the air is that a cover grows in: the record's own vapour pressure, or the dew point by climate."""

from __future__ import annotations

import numpy as np
import xarray as xr

from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.weather.climate_index import aridity_index
from geo.weather.reference_et import dewpoint_offset, vapour_pressure_deficit, vapour_pressure_from_tmin


def air_vapour_pressure(weather: xr.Dataset, rules: ModelRules = DEFAULT_RULES) -> np.ndarray:
    """Return the vapour pressure of the air in kPa, shape (cell, time).

    The record's own `vapour_pressure_kpa` on days that have it; else saturated at the dew point, which lies the
    further below the daily minimum the drier the climate of the cell (precipitation over reference ET of all days).
    """
    precip, et0 = (np.maximum(weather[name].values.astype(float), 0.0) for name in ("precip_mm", "et0_mm"))
    known = np.isfinite(precip) & np.isfinite(et0)
    index = aridity_index(*(np.where(known, v, 0.0).sum(axis=1, keepdims=True) for v in (precip, et0)))
    offset = dewpoint_offset(index, rules.dewpoint_offset_c, rules.dewpoint_dry_index, rules.dewpoint_humid_index)
    # to tenths, as temperatures are read: a few days more or less in the record are not another climate
    offset = np.round(offset, 1)
    estimated = vapour_pressure_from_tmin(weather["tmin_c"].values.astype(float), np.nan_to_num(offset))
    if "vapour_pressure_kpa" not in weather:
        return estimated
    own = weather["vapour_pressure_kpa"].values.astype(float)
    return np.where(np.isfinite(own), own, estimated)


def growing_deficit(weather: xr.Dataset, rules: ModelRules = DEFAULT_RULES) -> np.ndarray:
    """Return the vapour pressure deficit of the hours in which covers transpire, kPa, shape (cell, time)."""
    tmin, tmax = (weather[name].values.astype(float) for name in ("tmin_c", "tmax_c"))
    return vapour_pressure_deficit(tmin, tmax, air_vapour_pressure(weather, rules), rules.daytime_share)
