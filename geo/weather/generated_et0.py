"""Reference ET of generated days, as good as the monthly normals allow."""

from __future__ import annotations

import numpy as np
import xarray as xr

from geo.season import MONTH_DAYS
from geo.weather import reference_et as et
from geo.weather.air_humidity import dewpoint_offset
from geo.weather.month_curve import DAYS, by_month_steps, month_average, positive_daily_curve
from geo.weather.monthly_normals import optional_normal


def et0_source(normals: xr.Dataset) -> str:
    """Return in words how the reference ET of generated days is made from these normals."""
    if "et0_mm" in normals and bool(np.isfinite(normals["et0_mm"]).all()):
        return "daily course by Hargreaves-Samani (FAO-56 eq 52), monthly means as in the normals"
    given = [n for n in ("wind_m_s", "vapour_pressure_kpa", "solar_mj_m2_day") if n in normals]
    if given:
        names = ", ".join(given)
        return f"Penman-Monteith (FAO-56 eq 6) with monthly {names}; the rest by FAO-56 chapter 3"
    return "Hargreaves-Samani (FAO-56 eq 52)"


def generated_et0(normals: xr.Dataset, tmin: np.ndarray, tmax: np.ndarray, years: int, exact: bool) -> np.ndarray:
    """Return reference ET (mm) of generated days, shape ``(cell, day)``, by the best of the normals given.

    `exact` scales the whole draw to the monthly `et0_mm` of the normals, where there is one.
    """
    latitude = np.asarray(normals["latitude"].values, dtype="float64")[:, None]
    ra = np.tile(et.extraterrestrial_radiation(latitude, np.arange(1, DAYS + 1)[None, :]), (1, years))
    by_temperature = et.hargreaves_samani(tmin, tmax, ra)
    source = et0_source(normals)
    if source.startswith("daily course"):
        normal = normals["et0_mm"].values.astype("float64") / MONTH_DAYS
        got = month_average(by_temperature, years)
        ratio = np.divide(normal, got, out=np.ones_like(normal), where=got > 1e-3)
        # A factor that steps at month ends would show; smooth first, then keep the mean exactly.
        smooth = by_temperature * np.tile(positive_daily_curve(ratio), (1, years))
        if not exact:
            return smooth
        got = month_average(smooth, years)
        rest = np.divide(normal, got, out=np.ones_like(normal), where=got > 1e-3)
        return smooth * by_month_steps(rest, years)
    if source.startswith("Penman"):
        return _combined_et0(normals, tmin, tmax, ra, by_temperature, years)
    return by_temperature


def _combined_et0(
    normals: xr.Dataset,
    tmin: np.ndarray,
    tmax: np.ndarray,
    ra: np.ndarray,
    by_temperature: np.ndarray,
    years: int,
) -> np.ndarray:
    elevation = normals["elevation_m"].values[:, None] if "elevation_m" in normals.coords else 0.0
    elevation = np.nan_to_num(np.asarray(elevation, dtype="float64"))
    unknown = np.full(normals["precip_mm"].shape, np.nan)
    wind = optional_normal(normals, "wind_m_s", np.full_like(unknown, et.DEFAULT_WIND_M_S))

    solar = np.minimum(et.solar_from_temperature(tmin, tmax, ra), et.clear_sky_radiation(elevation, ra))
    got = month_average(solar, years)
    given = optional_normal(normals, "solar_mj_m2_day", got)
    solar = np.minimum(
        solar * by_month_steps(np.divide(given, got, out=np.ones_like(got), where=got > 1e-3), years),
        et.clear_sky_radiation(elevation, ra),
    )
    precip = normals["precip_mm"].values.sum(axis=1)
    dryness = precip / np.maximum(by_temperature.sum(axis=1) / years, 1.0)
    vapour = et.vapour_pressure_from_tmin(tmin, dewpoint_offset(dryness)[:, None])
    got = month_average(vapour, years)
    vapour = vapour * by_month_steps(optional_normal(normals, "vapour_pressure_kpa", got) / got, years)
    daily_wind = np.tile(positive_daily_curve(wind), (1, years))
    return et.penman_monteith_daily(tmin, tmax, solar, vapour, daily_wind, elevation, ra)
