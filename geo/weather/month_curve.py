"""Curves through the days of a year whose monthly means are exactly the monthly values."""

from __future__ import annotations

import numpy as np

from geo.season import MONTH_DAYS, MONTH_START

DAYS = 365
MONTH_OF_DAY = np.repeat(np.arange(12), MONTH_DAYS)
"""Month index 0-11 of each day of a common year."""

DAY_OF_MONTH = np.concatenate([np.arange(1, n + 1) for n in MONTH_DAYS])


def _hat_functions() -> np.ndarray:
    """Return the weight (365, 12) of each mid-month knot on each day of a circular year."""
    ends = np.cumsum(MONTH_DAYS)
    knots = ends - MONTH_DAYS / 2.0
    around = np.concatenate([[knots[-1] - DAYS], knots, [knots[0] + DAYS]])
    days = np.arange(DAYS) + 0.5
    upper = np.clip(np.searchsorted(around, days), 1, 13)
    share = (days - around[upper - 1]) / (around[upper] - around[upper - 1])
    weights = np.zeros((DAYS, 12))
    np.add.at(weights, (np.arange(DAYS), (upper - 2) % 12), 1.0 - share)
    np.add.at(weights, (np.arange(DAYS), (upper - 1) % 12), share)
    return weights


_HATS = _hat_functions()
_MEAN_OF_HATS = np.stack([_HATS[m == MONTH_OF_DAY].mean(axis=0) for m in range(12)])
_DAYS_FROM_MEANS = _HATS @ np.linalg.inv(_MEAN_OF_HATS)


def daily_curve(monthly: np.ndarray) -> np.ndarray:
    """Return a curve, straight between mid-months, that keeps every monthly mean.

    Joining monthly means in mid-month cuts off the peaks. Here the twelve knots are solved for
    (a linear system around the circular year), so that the mean of the days of each month is the
    value given, the aim of Epstein (1991), J. Climate 4:365-368.

    Parameters
    ----------
    monthly : numpy.ndarray
        Shape ``(..., 12)``.

    Returns
    -------
    numpy.ndarray
        Shape ``(..., 365)``. May pass below zero beside very small months.
    """
    return np.asarray(monthly, dtype="float64") @ _DAYS_FROM_MEANS.T


def month_means(daily: np.ndarray) -> np.ndarray:
    """Return the mean of each month, shape ``(..., 12)``, of a yearly curve ``(..., 365)``."""
    return np.add.reduceat(daily, MONTH_START, axis=-1) / MONTH_DAYS


def positive_daily_curve(monthly: np.ndarray) -> np.ndarray:
    """Return `daily_curve` held at or above zero, monthly means kept, months of zero left at zero.

    A curve that dips below a tenth of its month's value is held there, then each month is scaled back
    to its mean.
    """
    values = np.asarray(monthly, dtype="float64")
    steps = values[..., MONTH_OF_DAY]
    curve = np.maximum(daily_curve(values), 0.1 * steps)
    curve = np.where(steps > 0, curve, 0.0)
    means = month_means(curve)
    factor = np.divide(values, means, out=np.zeros_like(values), where=means > 0)
    return curve * factor[..., MONTH_OF_DAY]


def month_average(daily: np.ndarray, years: int) -> np.ndarray:
    """Return means over all years of each month, ``(cell, 12)``, of daily values ``(cell, years * 365)``."""
    return month_means(daily.reshape(daily.shape[0], years, DAYS).mean(axis=1))


def by_month_steps(monthly: np.ndarray, years: int) -> np.ndarray:
    """Return each month's value on each of its days, ``(cell, years * 365)``."""
    return np.tile(monthly[..., MONTH_OF_DAY], (1, years))
