"""Move a daily record to another climate, so that trials of another region can be repeated on real weather."""

from __future__ import annotations

import numpy as np
import xarray as xr

from geo.weather.reference_et import day_number, extraterrestrial_radiation, hargreaves_samani


def moved_record(
    weather: xr.Dataset,
    *,
    precip_factor: float | np.ndarray = 1.0,
    january_c: float = 0.0,
    july_c: float = 0.0,
    latitude: tuple[float, float] | None = None,
) -> xr.Dataset:
    """Return the record with scaled rain and a seasonal shift of temperature; reference ET follows.

    Parameters
    ----------
    weather : Dataset
        Daily weather, dims (cell, time).
    precip_factor : float or array (12,)
        Factor on precipitation, or one a month.
    january_c, july_c : float
        Shift of both temperatures in mid January and mid July, degC; a cosine between.
    latitude : (float, float), optional
        Latitude of the record and of the place it is moved to, degrees. Reference ET is multiplied by the ratio of
        the Hargreaves equation (FAO-56 eq. 52) after and before; without it, it is left alone.

    Returns
    -------
    Dataset
    """
    month, day = weather["month"].values, weather["day"].values
    number = day_number(month, day)
    wave = np.cos(2.0 * np.pi * (number - 15.0) / 365.0)
    shift = 0.5 * (january_c + july_c) + 0.5 * (january_c - july_c) * wave
    factor = np.broadcast_to(np.asarray(precip_factor, float), (12,))[month - 1]
    tmin, tmax = weather["tmin_c"].values, weather["tmax_c"].values
    out = weather.copy()
    out["precip_mm"] = weather["precip_mm"] * factor
    out["tmin_c"] = weather["tmin_c"] + shift
    out["tmax_c"] = weather["tmax_c"] + shift
    if latitude is not None:
        before = hargreaves_samani(tmin, tmax, extraterrestrial_radiation(latitude[0], number))
        after = hargreaves_samani(tmin + shift, tmax + shift, extraterrestrial_radiation(latitude[1], number))
        ratio = np.where(before > 0.05, after / np.maximum(before, 0.05), 1.0)
        out["et0_mm"] = weather["et0_mm"] * np.clip(ratio, 0.2, 2.0)
    return out
