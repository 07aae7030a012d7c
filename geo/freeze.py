"""First and last killing freeze, their probability levels, and heat until the freeze.

Dates are counted in days from the start of a freeze season, 1 August by default (day 0), so that a first
freeze in January sorts after one in October. 29 February counts as 1 March.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import xarray as xr
from scipy.stats import norm

from geo.model_rules import DEFAULT_RULES
from geo.reference_et import day_of_year

Array = Any

KILLING_FREEZE_C = DEFAULT_RULES.killing_freeze_c
"""28 F kills most warm-season annuals: the usual threshold of a killing freeze (Illinois extension)."""

SEASON_START = (8, 1)
YEAR = 365
_ROUNDING_C = 1e-3
"""Thresholds and records are rounded to 0.1 C; float32 must not turn -2.2 into -2.1999998."""


def season_days(weather: xr.Dataset, values: xr.DataArray, start: tuple[int, int] = SEASON_START) -> xr.DataArray:
    """Return daily values by season, dims ``(cell, season, day)``, day 0 to 364 from `start`; NaN where unknown.

    The coordinate `season` is the calendar year in which the season starts. Of 29 February and 1 March the
    smaller value is taken.
    """
    month, day = weather["month"].values, weather["day"].values
    number = day_of_year(month, day)
    first = int(day_of_year(*start))
    position = (number - first) % YEAR
    season = weather["year"].values.astype(int) - (number < first)
    seasons = np.arange(season.min(), season.max() + 1)
    source = values.transpose("cell", "time").values
    out = np.full((source.shape[0], seasons.size, YEAR), np.nan)
    extra = (month == 2) & (day == 29)
    out[:, season[~extra] - seasons[0], position[~extra]] = source[:, ~extra]
    row, column = season[extra] - seasons[0], position[extra]
    out[:, row, column] = np.fmin(out[:, row, column], source[:, extra])
    coords = {"season": seasons, "day": np.arange(YEAR)}
    if "cell" in weather.coords:
        coords["cell"] = weather["cell"].values
    return xr.DataArray(out, dims=("cell", "season", "day"), coords=coords)


def freeze_dates(
    weather: xr.Dataset,
    threshold_c: float = KILLING_FREEZE_C,
    start: tuple[int, int] = SEASON_START,
    most_missing: int = 5,
) -> xr.Dataset:
    """Return the first and the last freeze of every season.

    A freeze is a minimum at or below the threshold. Give the harvest date as `start` to find the first
    freeze after harvest.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily weather with `tmin_c`, dims ``(cell, time)``.
    threshold_c : float
        -2.2 C (28 F) by default.
    start : tuple of int
        Month and day on which seasons start; day 0 of the result.
    most_missing : int
        A date is unknown when more than this many days are missing among those that could have been it:
        before the first, or after the last freeze found (all days, when none was found).

    Returns
    -------
    xarray.Dataset
        Dims ``(cell, season)``: `first`, `last` (days from `start`, NaN when there is none or it is unknown),
        `first_known`, `last_known` (bool). A known season with NaN had no freeze.
    """
    by_season = season_days(weather, weather["tmin_c"], start)
    tmin = by_season.values
    frozen = tmin <= threshold_c + _ROUNDING_C
    missing = np.isnan(tmin)
    any_freeze = frozen.any(axis=2)
    first = np.where(any_freeze, frozen.argmax(axis=2), YEAR)
    last = np.where(any_freeze, YEAR - 1 - frozen[:, :, ::-1].argmax(axis=2), -1)

    so_far = np.concatenate([np.zeros((*missing.shape[:2], 1), int), np.cumsum(missing, axis=2)], axis=2)
    before = np.take_along_axis(so_far, first[..., None], axis=2)[..., 0]
    after = so_far[..., -1] - np.take_along_axis(so_far, last[..., None] + 1, axis=2)[..., 0]
    first_known, last_known = before <= most_missing, after <= most_missing
    dims = ("cell", "season")
    return xr.Dataset(
        {
            "first": (dims, np.where(any_freeze & first_known, first, np.nan)),
            "last": (dims, np.where(any_freeze & last_known, last, np.nan)),
            "first_known": (dims, first_known),
            "last_known": (dims, last_known),
        },
        coords={"season": by_season["season"].values},
        attrs={"threshold_c": threshold_c, "start_month": start[0], "start_day": start[1]},
    )


def probability_levels(
    dates: xr.Dataset,
    which: Literal["first", "last"],
    levels: Sequence[float] = (0.1, 0.25, 0.5, 0.75, 0.9),
    method: Literal["empirical", "normal"] = "empirical",
) -> xr.DataArray:
    """Return the dates that belong to probability levels, in days from the season's start.

    The definition is that of the US climate normals (NOAA NCEI 1991-2020): for the **first** freeze, the level
    is the chance of a freeze on that date *or earlier*, so that dates rise with the level; for the **last**,
    the chance of a freeze on that date *or later*, so that they fall. Seasons without any freeze count: a level
    that is higher than the share of seasons with a freeze has no date (NaN). Unknown seasons do not count.

    Parameters
    ----------
    dates : xarray.Dataset
        As from `freeze_dates`.
    which : {"first", "last"}
        Which date.
    levels : sequence of float
        Between 0 and 1.
    method : {"empirical", "normal"}
        Weibull plotting positions r / (n + 1), or a normal distribution of the dates mixed with the chance of
        no freeze (Thom & Shaw 1958, from memory), which reads tails better from short records.

    Returns
    -------
    xarray.DataArray
        Dims ``(cell, level)``; NaN also where no season is known.
    """
    values, known = dates[which].values, dates[f"{which}_known"].values
    wanted = np.asarray(levels, dtype="float64")
    out = np.full((values.shape[0], wanted.size), np.nan)
    for cell in range(values.shape[0]):
        of_cell = values[cell, known[cell]]
        if of_cell.size:
            out[cell] = _mixed_levels(of_cell if which == "first" else -of_cell, wanted, method)
    if which == "last":
        out = -out
    return xr.DataArray(out, dims=("cell", "level"), coords={"level": wanted}, name=f"{which}_freeze")


def _mixed_levels(values: np.ndarray, levels: np.ndarray, method: str) -> np.ndarray:
    """Return dates by level of one cell, earlier meaning smaller; NaN among `values` is a season without freeze."""
    happened = np.sort(values[~np.isnan(values)])
    share = happened.size / values.size
    if happened.size == 0:
        return np.full(levels.size, np.nan)
    if method == "normal":
        spread = happened.std(ddof=1) if happened.size > 1 else 0.0
        inside = levels < share if share < 1 else levels <= 1
        score = norm.ppf(np.where(inside, levels / share, 0.5))
        return np.where(inside, happened.mean() + spread * score, np.nan)
    rank = levels * (values.size + 1)
    position = np.clip(rank, 1, max(happened.size, 1)) - 1
    dates = np.interp(position, np.arange(happened.size), happened)
    # Beyond the last season with a freeze the level belongs to the seasons without one.
    beyond = (rank > happened.size) if share < 1 else np.zeros(levels.size, dtype=bool)
    return np.where(beyond, np.nan, dates)


def day_of_year_from_season(days: Array, start: tuple[int, int] = SEASON_START) -> Array:
    """Return the day of a 365-day year (1 to 365) of days counted from the season's start; NaN stays NaN."""
    return (days + int(day_of_year(*start)) - 1) % YEAR + 1


def growing_degree_days(tmin_c: Array, tmax_c: Array, base_c: float, upper_c: float | None = None) -> Array:
    """Return the day's growing degree days in C: mean of the extremes less the base, never negative.

    `upper_c` caps both extremes, and the base lifts them, as in the 86/50 F form; without it the plain mean is used.
    """
    if upper_c is not None:
        tmin_c = np.clip(tmin_c, base_c, upper_c)
        tmax_c = np.clip(tmax_c, base_c, upper_c)
    return np.maximum((tmin_c + tmax_c) / 2.0 - base_c, 0.0)


def heat_until_freeze(
    weather: xr.Dataset,
    start: tuple[int, int],
    base_c: float,
    threshold_c: float = KILLING_FREEZE_C,
    most_missing: int = 5,
) -> xr.DataArray:
    """Return growing degree days (C) from `start` to the day before the first freeze, dims ``(cell, season)``.

    Without a freeze the whole year counts. NaN when the date of the freeze is unknown or a temperature is
    missing on the way.
    """
    dates = freeze_dates(weather, threshold_c, start, most_missing)
    heat = season_days(weather, growing_degree_days(weather["tmin_c"], weather["tmax_c"], base_c), start).values
    total = np.concatenate([np.zeros((*heat.shape[:2], 1)), np.cumsum(heat, axis=2)], axis=2)
    end = np.where(dates["first_known"] & dates["first"].notnull(), dates["first"], YEAR).astype(int)
    out = np.take_along_axis(total, end[..., None], axis=2)[..., 0]
    out = np.where(dates["first_known"], out, np.nan)
    return xr.DataArray(out, dims=("cell", "season"), coords={"season": dates["season"]}, name="heat_until_freeze")
