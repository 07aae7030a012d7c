"""Wet and dry days: a two-state Markov chain, gamma amounts and a slow factor on top."""

from __future__ import annotations

import numpy as np
from scipy.special import gammaincinv

WET_DAY_MM = 0.254
"""A wet day has at least this much (0.01 in, the smallest amount that US stations measure)."""

GENG_PERSISTENCE = 0.25
"""P(wet after wet) less P(wet after dry): Geng, Penning de Vries and Supit (1986), Agric. For. Meteorol. 36:363-376,
doi:10.1016/0168-1923(86)90014-6."""

MAX_WET_FRACTION = 0.95


def geng_gamma(mean_wet_day_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return gamma shape and scale (mm) of wet-day amounts from their mean in mm.

    Geng et al. (1986): scale = -2.16 + 1.83 mean from 3 mm up, 1.11 mean below. The scale is held
    at 0.5 mm or more for the tiniest amounts, the shape at 0.998 or less (both as in WGEN-type codes);
    the mean, shape times scale, is kept.
    """
    mean = np.asarray(mean_wet_day_mm, dtype="float64")
    scale = np.where(mean >= 3.0, -2.16 + 1.83 * mean, 1.11 * mean)
    scale = np.maximum(scale, 0.5)
    shape = np.clip(mean / scale, 1e-3, 0.998)
    return shape, mean / shape


def estimate_wet_day_fraction(precip_mm_day: np.ndarray, tmean_c: np.ndarray) -> np.ndarray:
    """Return the share of wet days from the month's mean precipitation (mm per day) and temperature (C).

    Status: fitted here by least squares of logarithms to 108 station months, nine daily records of
    Nebraska 1982 to 2018 (NOAA GHCN-Daily, free use; the Champion record of AquaCrop-OSPy, MIT); the
    residual is 21 % of the value. Elsewhere it is an approximation (7 to 36 % too few wet days in New Hampshire):
    give `wet_day_fraction` where it is known.
    """
    per_month = np.maximum(np.asarray(precip_mm_day, dtype="float64"), 0.0) * 30.4
    share = np.exp(-3.81) * per_month**0.633 * np.exp(-0.0134 * np.asarray(tmean_c, dtype="float64"))
    return np.clip(share, 0.0, 0.8)


def draw_wet_days(uniform: np.ndarray, share: np.ndarray, slow: np.ndarray, persistence: np.ndarray) -> np.ndarray:
    """Return wet days, shape ``(cell, day)`` bool, of a first-order chain driven by the same uniforms in each cell.

    With share f and persistence k, P(wet after dry) is (1 - k) f and P(wet after wet) is k more; the wet share in the
    long run is f. Geng, Penning de Vries and Supit (1986), Agric. For. Meteorol. 36:363-376, have k = 0.25.

    Parameters
    ----------
    uniform : numpy.ndarray
        One number in [0, 1) a day, shared by all cells.
    share : numpy.ndarray
        Share of wet days, ``(cell, 365)``.
    slow : numpy.ndarray
        Factor on the share, one a day; 1 leaves it alone.
    persistence : numpy.ndarray
        Lag-1 correlation of wet days, ``(cell, 365)``.
    """
    from geo.weather.loops import wet_day_chain

    return wet_day_chain(uniform, share, slow, persistence, MAX_WET_FRACTION)


def slow_series(years: int, persistence: float, rng: np.random.Generator) -> np.ndarray:
    """Return standard normal month numbers, shape ``(years * 12,)``, first-order autoregressive."""
    noise = rng.standard_normal(years * 12)
    z = np.empty_like(noise)
    z[0] = noise[0]
    step = np.sqrt(1.0 - persistence**2)
    for i in range(1, noise.size):
        z[i] = persistence * z[i - 1] + step * noise[i]
    return z


def gamma_amounts(uniform: np.ndarray, mean_mm: np.ndarray) -> np.ndarray:
    """Return wet-day amounts in mm by the inverse gamma distribution (Geng's shape and scale for each mean)."""
    shape, scale = geng_gamma(mean_mm)
    return gammaincinv(shape, uniform) * scale
