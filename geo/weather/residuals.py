"""Variation of daily temperatures about their mean: correlated, persistent residuals."""

from __future__ import annotations

import numpy as np

RESIDUAL_A = np.array([[0.567, 0.086, -0.002], [0.253, 0.504, -0.050], [-0.006, -0.039, 0.244]])
RESIDUAL_B = np.array([[0.781, 0.0, 0.0], [0.328, 0.637, 0.0], [0.238, -0.341, 0.873]])
"""Richardson (1981), Water Resour. Res. 17:182-190, doi:10.1029/WR017i001p00182: x(t) = A x(t-1) + B e(t), in
the order maximum temperature, minimum temperature, solar radiation. Copies with other digits circulate; these
reproduce their own lag-0 and lag-1 correlations."""

_SPIN_UP_DAYS = 60


def residual_series(days: int, rng: np.random.Generator) -> np.ndarray:
    """Return standard residuals of Tmax, Tmin and radiation, shape ``(days, 3)``.

    Mean 0, variance 1, lag-0 correlations near 0.63, 0.19 and -0.19. The radiation column is not used
    for weather here; it is carried because the matrices couple it to the temperatures.
    """
    from geo.weather.loops import autoregression

    noise = rng.standard_normal((days + _SPIN_UP_DAYS, 3))
    return autoregression(noise, RESIDUAL_A, RESIDUAL_B)[_SPIN_UP_DAYS:]


def default_tmax_sd(tmax_c: np.ndarray) -> np.ndarray:
    """Return the standard deviation of daily maxima (C) from the month's mean maximum (C).

    Status: fitted here to 108 station months of nine daily records of Nebraska, 1982 to 2018
    (residual 0.7 C); an approximation elsewhere (up to 3.2 C too wide in a New Hampshire winter).
    """
    return np.clip(8.73 - 0.127 * np.asarray(tmax_c, dtype="float64"), 1.5, 10.0)


def default_tmin_sd(tmin_c: np.ndarray) -> np.ndarray:
    """Return the standard deviation of daily minima (C) from the month's mean minimum (C).

    Status: as `default_tmax_sd` (residual 0.6 C).
    """
    return np.clip(5.36 - 0.106 * np.asarray(tmin_c, dtype="float64"), 1.5, 10.0)


def wet_day_offset_tmax(tmax_c: np.ndarray) -> np.ndarray:
    """Return maximum temperature of wet less dry days (C) from the month's mean maximum (C).

    Status: fitted here to the same nine records: -5 C in winter to -2 C in high summer.
    """
    return np.clip(-5.1 + 0.088 * np.asarray(tmax_c, dtype="float64"), -6.0, -1.0)


WET_DAY_OFFSET_TMIN_C = 0.6
"""Minimum temperature of wet less dry days: mean of the same nine records, which spread from -1.2 to 1.7 C."""
