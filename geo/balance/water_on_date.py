"""The modelled water by layer on any date between harvest and planting, for comparison with what was measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import xarray as xr

from geo.balance.parameters import BalanceSettings
from geo.balance.simulate import simulate
from geo.errors import StudyError
from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.season import Calendar, SeasonIndex, day_of_year


def harvest_year(year: int, date: tuple[int, int], calendar: Calendar) -> int:
    """Return the year of harvest of the season that a date belongs to.

    Parameters
    ----------
    year : int
        Year of the date.
    date : tuple of int
        (month, day).
    calendar : Calendar

    Returns
    -------
    int
    """
    return year if day_of_year(date) >= day_of_year(calendar.harvest) else year - 1


def days_after_harvest(date: tuple[int, int], calendar: Calendar) -> int:
    """Return the days from harvest to a date, in a year of 365 days.

    Parameters
    ----------
    date : tuple of int
        (month, day).
    calendar : Calendar

    Returns
    -------
    int
        0 to 364.
    """
    return (day_of_year(date) - day_of_year(calendar.harvest)) % 365


def in_season(date: tuple[int, int], calendar: Calendar) -> bool:
    """Return whether water is modelled on a date: from harvest to planting, both included.

    Parameters
    ----------
    date : tuple of int
        (month, day).
    calendar : Calendar

    Returns
    -------
    bool
    """
    return days_after_harvest(date, calendar) <= days_after_harvest(calendar.planting, calendar)


def positions_on(weather: xr.Dataset, seasons: SeasonIndex, date: tuple[int, int], calendar: Calendar) -> np.ndarray:
    """Return the position of a (month, day) on the time axis in each season; 29 February counts as the 28th.

    Raises
    ------
    StudyError
        When the date is outside the season.
    """
    if not in_season(date, calendar):
        raise StudyError(
            f"Nothing is modelled on {date[0]:02d}-{date[1]:02d}: it lies between planting and harvest.",
            "measurements",
            "Compare dates from harvest to the next planting.",
        )
    month, day = (2, 28) if date == (2, 29) else date
    later = day_of_year(date) < day_of_year(calendar.harvest)
    key = weather["year"].values.astype(np.int64) * 10000 + weather["month"].values * 100 + weather["day"].values
    wanted = (seasons.year + int(later)) * 10000 + month * 100 + day
    return np.clip(np.searchsorted(key, wanted), seasons.harvest, seasons.stop)


def water_on(
    date: tuple[int, int],
    calendar: Calendar,
    weather: xr.Dataset,
    seasons: SeasonIndex,
    soils: np.ndarray,
    unit_cell: np.ndarray,
    settings: BalanceSettings,
    days: np.ndarray | None = None,
    rules: ModelRules = DEFAULT_RULES,
) -> xr.DataArray:
    """Run the balance and read the water by one-foot layer on a date.

    Parameters
    ----------
    date : tuple of int
        (month, day), from harvest to planting.
    calendar, weather, seasons, soils, unit_cell, settings, days, rules
        As for `geo.balance.simulate.simulate`.

    Returns
    -------
    DataArray, dims (unit, option, season, layer)
        Plant-available water at the start of that day, mm.

    Notes
    -----
    The mid-November check only reads the state: the balance does not depend on its date. The run is therefore
    repeated with that check moved to the date.
    """
    there = replace(seasons, mid_november=positions_on(weather, seasons, date, calendar))
    run = simulate(weather, there, soils, unit_cell, settings, ladder_days=(), days=days, rules=rules)
    return run["paw_mm"].sel(check="mid_november", drop=True)
