"""Dryness of climate and air: aridity index, dew point by climate, and the vapour pressure deficit of the daytime."""

from __future__ import annotations

import numpy as np
import xarray as xr

from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.weather.reference_et import Array, saturation_vapour_pressure, vapour_pressure_from_tmin


def aridity_index(annual_precip_mm: Array, annual_et0_mm: Array) -> Array:
    """Return annual precipitation divided by annual reference ET (UNEP 1992).

    The class limits belong to Thornthwaite's potential ET. Grass reference ET is mostly larger in windy, dry
    country, so this index is lower and the class drier; state which ET was used.

    Parameters
    ----------
    annual_precip_mm, annual_et0_mm : array
        Depth in a year, mm.

    Returns
    -------
    array
        Dimensionless; NaN where the reference ET is not positive.
    """
    demand = np.where(np.asarray(annual_et0_mm) > 0, annual_et0_mm, np.nan)
    return annual_precip_mm / demand


def dewpoint_offset(
    aridity_index: Array, dry_offset_c: float = 3.0, dry_index: float = 0.20, humid_index: float = 0.65
) -> Array:
    """Return the depression of the dew point below the daily minimum, in C, from annual precipitation / ET0.

    FAO-56 annex 6 gives 0 C for well watered and 2 to 3 C for dry sites. The line between them (0 C at
    `humid_index` and above, `dry_offset_c` at `dry_index` and below) is our choice: common practice, no source.
    """
    return np.clip(dry_offset_c * (humid_index - aridity_index) / (humid_index - dry_index), 0.0, dry_offset_c)


def vapour_pressure_deficit(
    tmin_c: Array, tmax_c: Array, vapour_pressure_kpa: Array, daytime_share: float = 0.5
) -> Array:
    """Return the vapour pressure deficit of the day in kPa, never below 0.

    The saturation pressure is `daytime_share` of the way from that at the minimum to that at the maximum
    temperature: 0.5 is the mean of 24 hours (FAO-56 eq 12); plants transpire by day, where general crop models take
    0.66 to 0.75 (Tanner and Sinclair 1983 tie transpiration efficiency to the deficit of the daytime).
    """
    at_min = saturation_vapour_pressure(tmin_c)
    by_day = at_min + daytime_share * (saturation_vapour_pressure(tmax_c) - at_min)
    return np.maximum(by_day - vapour_pressure_kpa, 0.0)


def air_vapour_pressure(weather: xr.Dataset, rules: ModelRules = DEFAULT_RULES) -> np.ndarray:
    """Return the vapour pressure of the air in kPa, shape (cell, time).

    The record's own `vapour_pressure_kpa` on days that have it; else the saturation pressure at the dew point. The
    drier the climate of the cell (precipitation over reference ET of all days), the further the dew point is below
    the daily minimum.
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
    """Return the vapour pressure deficit of the hours in which covers transpire.

    Parameters
    ----------
    weather : Dataset
        Daily weather, dims (cell, time): ``tmin_c``, ``tmax_c``, ``precip_mm``, ``et0_mm``; optional
        ``vapour_pressure_kpa``.
    rules : ModelRules
        The share of the daytime, and the depression of the dew point in dry climates.

    Returns
    -------
    float array (cell, time)
        kPa, 0 or more; see `vapour_pressure_deficit`.
    """
    tmin, tmax = (weather[name].values.astype(float) for name in ("tmin_c", "tmax_c"))
    return vapour_pressure_deficit(tmin, tmax, air_vapour_pressure(weather, rules), rules.daytime_share)
