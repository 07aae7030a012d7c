"""Reference evapotranspiration and the quantities it is computed from.

Every function is one numbered equation of [1]_, named in its docstring. All take and return plain arrays (or
`xarray.DataArray`) that broadcast against each other; names carry the unit (``_c`` is degrees Celsius, ``_mj`` is
MJ m-2 day-1, ``_kpa`` is kilopascal). `daily_et0` combines them for a daily weather Dataset.

References
----------
.. [1] Allen, R.G., Pereira, L.S., Raes, D. and Smith, M. (1998), Crop evapotranspiration. FAO Irrigation and
   Drainage Paper 56 ("FAO-56").
.. [2] Hargreaves, G.H. and Samani, Z.A. (1985), Reference crop evapotranspiration from temperature. Applied
   Engineering in Agriculture 1:96-99, doi:10.13031/2013.26773.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from geo.errors import StudyError
from geo.season import MONTH_START

Array = Any
"""A float, `numpy.ndarray` or `xarray.DataArray`; all arguments of one call broadcast."""

SOLAR_CONSTANT = 0.0820  # MJ m-2 min-1, FAO-56 eq 21
STEFAN_BOLTZMANN = 4.903e-9  # MJ K-4 m-2 day-1, FAO-56 eq 39
MJ_TO_MM = 0.408  # mm of water per MJ m-2, FAO-56 eq 20 (1 / latent heat of 2.45 MJ kg-1)
KRS_INTERIOR = 0.16  # FAO-56 eq 50, sites far from a coast
DEFAULT_WIND_M_S = 2.0  # FAO-56 chapter 3, when no wind record exists


def saturation_vapour_pressure(temperature_c: Array) -> Array:
    """Return saturation vapour pressure in kPa at air temperature in C (FAO-56 eq 11)."""
    return 0.6108 * np.exp(17.27 * temperature_c / (temperature_c + 237.3))


def mean_saturation_vapour_pressure(tmin_c: Array, tmax_c: Array) -> Array:
    """Return the day's mean saturation vapour pressure in kPa (FAO-56 eq 12)."""
    return (saturation_vapour_pressure(tmax_c) + saturation_vapour_pressure(tmin_c)) / 2.0


def saturation_slope(temperature_c: Array) -> Array:
    """Return the slope of the saturation vapour pressure curve in kPa per C (FAO-56 eq 13)."""
    return 4098.0 * saturation_vapour_pressure(temperature_c) / (temperature_c + 237.3) ** 2


def air_pressure(elevation_m: Array) -> Array:
    """Return mean air pressure in kPa at elevation in m above sea level (FAO-56 eq 7)."""
    return 101.3 * ((293.0 - 0.0065 * elevation_m) / 293.0) ** 5.26


def psychrometric_constant(pressure_kpa: Array) -> Array:
    """Return the psychrometric constant in kPa per C (FAO-56 eq 8)."""
    return 0.665e-3 * pressure_kpa


def vapour_pressure_from_tmin(tmin_c: Array, dewpoint_offset_c: Array = 0.0) -> Array:
    """Return actual vapour pressure in kPa, dew point taken as the minimum less an offset (FAO-56 eq 48).

    Parameters
    ----------
    tmin_c : array
        Daily minimum temperature, C.
    dewpoint_offset_c : array
        Depression of the dew point below the minimum, C: 0 where the surrounding land is well watered,
        2 to 3 C at dry sites (FAO-56 annex 6). See `geo.weather.air_humidity.dewpoint_offset`.
    """
    return saturation_vapour_pressure(tmin_c - dewpoint_offset_c)


def day_number(month: Array, day: Array) -> np.ndarray:
    """Return J, the number of the day in a common year (FAO-56 annex 2, table 2.5: 29 February is day 60)."""
    return MONTH_START[np.asarray(month) - 1] + np.asarray(day)


def inverse_relative_distance(day_number: Array) -> Array:
    """Return the inverse relative distance Earth-Sun (FAO-56 eq 23)."""
    return 1.0 + 0.033 * np.cos(2.0 * np.pi * day_number / 365.0)


def solar_declination(day_number: Array) -> Array:
    """Return solar declination in rad (FAO-56 eq 24)."""
    return 0.409 * np.sin(2.0 * np.pi * day_number / 365.0 - 1.39)


def sunset_hour_angle(latitude_deg: Array, day_number: Array) -> Array:
    """Return the sunset hour angle in rad (FAO-56 eq 25), 0 in polar night, pi in polar day."""
    cosine = -np.tan(np.deg2rad(latitude_deg)) * np.tan(solar_declination(day_number))
    return np.arccos(np.clip(cosine, -1.0, 1.0))


def extraterrestrial_radiation(latitude_deg: Array, day_number: Array) -> Array:
    """Return extraterrestrial radiation in MJ m-2 day-1 (FAO-56 eq 21)."""
    latitude = np.deg2rad(latitude_deg)
    declination = solar_declination(day_number)
    sunset = sunset_hour_angle(latitude_deg, day_number)
    geometry = sunset * np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.sin(
        sunset
    )
    return 24.0 * 60.0 / np.pi * SOLAR_CONSTANT * inverse_relative_distance(day_number) * geometry


def solar_from_temperature(tmin_c: Array, tmax_c: Array, ra_mj: Array, krs: float = KRS_INTERIOR) -> Array:
    """Return solar radiation in MJ m-2 day-1 from the daily temperature range (FAO-56 eq 50).

    `krs` is 0.16 inland and 0.19 at coasts. Cap the result with `clear_sky_radiation`.
    """
    return krs * np.sqrt(np.maximum(tmax_c - tmin_c, 0.0)) * ra_mj


def clear_sky_radiation(elevation_m: Array, ra_mj: Array) -> Array:
    """Return clear-sky solar radiation in MJ m-2 day-1 (FAO-56 eq 37)."""
    return (0.75 + 2e-5 * elevation_m) * ra_mj


def net_shortwave(solar_mj: Array, albedo: float = 0.23) -> Array:
    """Return net shortwave radiation of the grass reference in MJ m-2 day-1 (FAO-56 eq 38)."""
    return (1.0 - albedo) * solar_mj


def net_longwave(
    tmin_c: Array, tmax_c: Array, vapour_pressure_kpa: Array, solar_mj: Array, clear_sky_mj: Array
) -> Array:
    """Return net outgoing longwave radiation in MJ m-2 day-1 (FAO-56 eq 39).

    Rs/Rso is held at most 1 (FAO-56) and at least 0.3 (ASCE-EWRI 2005, from memory).
    """
    kelvin4 = ((tmax_c + 273.16) ** 4 + (tmin_c + 273.16) ** 4) / 2.0
    cloudiness = 1.35 * np.clip(solar_mj / np.maximum(clear_sky_mj, 1e-6), 0.3, 1.0) - 0.35
    return STEFAN_BOLTZMANN * kelvin4 * (0.34 - 0.14 * np.sqrt(vapour_pressure_kpa)) * cloudiness


def penman_monteith(
    temperature_c: Array,
    net_radiation_mj: Array,
    soil_heat_mj: Array,
    wind_2m_m_s: Array,
    saturation_kpa: Array,
    vapour_pressure_kpa: Array,
    pressure_kpa: Array,
) -> Array:
    """Return grass reference ET in mm per day by Penman-Monteith (FAO-56 eq 6).

    Parameters
    ----------
    temperature_c : array
        Mean air temperature, (Tmax + Tmin) / 2, C.
    net_radiation_mj, soil_heat_mj : array
        MJ m-2 day-1; soil heat is 0 for daily steps.
    wind_2m_m_s : array
        Wind at 2 m, m/s.
    saturation_kpa, vapour_pressure_kpa, pressure_kpa : array
        Saturation and actual vapour pressure, air pressure, kPa.
    """
    slope = saturation_slope(temperature_c)
    gamma = psychrometric_constant(pressure_kpa)
    energy = MJ_TO_MM * slope * (net_radiation_mj - soil_heat_mj)
    demand = gamma * 900.0 / (temperature_c + 273.0) * wind_2m_m_s * (saturation_kpa - vapour_pressure_kpa)
    return (energy + demand) / (slope + gamma * (1.0 + 0.34 * wind_2m_m_s))


def hargreaves_samani(tmin_c: Array, tmax_c: Array, ra_mj: Array, tmean_c: Array | None = None) -> Array:
    """Return reference ET in mm per day from temperatures (FAO-56 eq 52; [2]_).

    `tmean_c` defaults to (Tmax + Tmin) / 2. Never negative.
    """
    mean = (tmin_c + tmax_c) / 2.0 if tmean_c is None else tmean_c
    spread = np.sqrt(np.maximum(tmax_c - tmin_c, 0.0))
    return np.maximum(0.0023 * (mean + 17.8) * spread * MJ_TO_MM * ra_mj, 0.0)


def penman_monteith_daily(
    tmin_c: Array,
    tmax_c: Array,
    solar_mj: Array,
    vapour_pressure_kpa: Array,
    wind_2m_m_s: Array,
    elevation_m: Array,
    ra_mj: Array,
) -> Array:
    """Return daily reference ET in mm from the usual records (FAO-56 chapter 4: eqs 6, 12, 37 to 40, G = 0)."""
    solar = np.minimum(solar_mj, ra_mj)
    net = net_shortwave(solar) - net_longwave(
        tmin_c, tmax_c, vapour_pressure_kpa, solar, clear_sky_radiation(elevation_m, ra_mj)
    )
    saturation = mean_saturation_vapour_pressure(tmin_c, tmax_c)
    et0 = penman_monteith(
        (tmin_c + tmax_c) / 2.0,
        net,
        0.0,
        wind_2m_m_s,
        saturation,
        np.minimum(vapour_pressure_kpa, saturation),
        air_pressure(elevation_m),
    )
    return np.maximum(et0, 0.0)


def daily_et0(weather: xr.Dataset) -> xr.Dataset:
    """Return the daily weather with `et0_mm` filled and `et0_method` written to the attributes.

    In this order, day by day: the dataset's own `et0_mm`; Penman-Monteith where `solar_mj_m2_day`,
    `vapour_pressure_kpa` and `wind_m_s` (at 2 m) are all known; Hargreaves-Samani. A day without both
    temperatures and without an own value stays missing.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily weather, dims ``(cell, time)``, with `tmin_c`, `tmax_c` (C), the integer coordinates
        `month` and `day` on ``time`` and `latitude`, `elevation_m` on ``cell``.

    Returns
    -------
    xarray.Dataset
        The same, with ``et0_mm`` ``(cell, time)`` in mm per day.

    Raises
    ------
    StudyError
        When a temperature or the latitude is missing from the dataset.
    """
    for name in ("tmin_c", "tmax_c", "latitude"):
        if name not in weather:
            raise StudyError(f"reference ET needs '{name}'", "daily weather", f"Give '{name}' in the climate layer.")
    j = xr.DataArray(day_number(weather["month"].values, weather["day"].values), dims="time")
    ra = extraterrestrial_radiation(weather["latitude"], j)
    tmin, tmax = weather["tmin_c"].astype("float64"), weather["tmax_c"].astype("float64")
    dims = tmin.dims
    by_temperature = hargreaves_samani(tmin, tmax, ra)

    et0 = xr.full_like(tmin, np.nan)
    parts: list[tuple[str, int]] = []

    def fill(values: xr.DataArray, method: str) -> None:
        nonlocal et0
        new = (et0.isnull() & values.notnull()).transpose(*dims)
        count = int(new.sum())
        if count:
            parts.append((method, count))
            et0 = xr.where(new, values, et0).transpose(*dims)

    if "et0_mm" in weather:
        own = weather["et0_mm"].astype("float64")
        fill(own, str(weather.attrs.get("et0_method") or "the dataset's own reference ET"))
    if all(name in weather for name in ("solar_mj_m2_day", "vapour_pressure_kpa", "wind_m_s")):
        elevation = weather["elevation_m"] if "elevation_m" in weather.coords else xr.DataArray(0.0)
        combined = penman_monteith_daily(
            tmin,
            tmax,
            weather["solar_mj_m2_day"],
            weather["vapour_pressure_kpa"],
            weather["wind_m_s"],
            elevation.fillna(0.0),
            ra,
        )
        fill(combined, "Penman-Monteith (FAO-56 eq 6)")
    fill(by_temperature, "Hargreaves-Samani (FAO-56 eq 52)")

    out = weather.assign(et0_mm=et0.astype("float32"))
    out["et0_mm"].attrs = {"units": "mm", "long_name": "grass reference evapotranspiration"}
    if not parts:
        method = "none: no day has temperatures"
    elif len(parts) == 1:
        method = parts[0][0]
    else:
        total = sum(count for _, count in parts)
        method = "; ".join(f"{name} on {count} of {total} cell days" for name, count in parts)
    out.attrs["et0_method"] = method
    return out
