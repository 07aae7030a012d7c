"""The calendar of one season, and the positions of its dates in a daily record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from geo.errors import StudyError

RUN_IN_DAYS = 135
"""Length of the previous small grain: FAO-56 table 11, small grain at 35-45 degrees, 20+25+60+30 days."""

CHECKS = ("seeding", "mid_november", "first_april", "planting")
LADDER_DAYS = (-56, -42, -28, -14, 0)
"""Termination dates that are tried for the latest safe one, in days from planting."""

MONTH_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
MONTH_START = np.cumsum(MONTH_DAYS) - MONTH_DAYS
"""Days of a common year before the first of each month."""
MEAN_MONTH_DAYS = np.where(MONTH_DAYS == 28, 28.25, MONTH_DAYS)
"""Over years: every fourth February has 29 days."""


def day_of_year(month_day: tuple[int, int]) -> int:
    """Return the day of a 365-day year (1-365) of a (month, day) pair; 29 February counts as the 28th."""
    return int(days_of_year(*map(np.asarray, month_day)))


def days_of_year(month: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Return `day_of_year` of arrays of months and days."""
    return MONTH_START[month - 1] + np.where((month == 2) & (day == 29), 28, day)


def month_day(day: float) -> tuple[int, int]:
    """Return (month, day) of a day in a 365-day year; days past 365 wrap into the next year."""
    index = (round(day) - 1) % 365
    month = int(np.searchsorted(MONTH_START, index, side="right"))
    return month, int(index - MONTH_START[month - 1] + 1)


def _written(date: tuple[int, int]) -> str:
    """Write a date as in the study file: MM-DD."""
    return f"{date[0]:02d}-{date[1]:02d}"


@dataclass(frozen=True, slots=True)
class Calendar:
    """Month-day pairs of one season, from harvest to the next planting.

    Attributes
    ----------
    harvest, planting : tuple of int
        Harvest of the small grain; planting of the next crop in the following year.
    seeding_winter_killed, seeding_overwinter : tuple of int
        Seeding of the two covers, after harvest and in the same calendar year.
    early_termination : tuple of int
        When the overwintering cover is ended early, in the year of planting.
    mid_november, first_april : tuple of int
        The two check dates between; the second not after planting.
    """

    harvest: tuple[int, int] = (7, 20)
    planting: tuple[int, int] = (5, 15)
    seeding_winter_killed: tuple[int, int] = (8, 1)
    seeding_overwinter: tuple[int, int] = (9, 5)
    early_termination: tuple[int, int] = (4, 1)
    mid_november: tuple[int, int] = (11, 15)
    first_april: tuple[int, int] = (4, 1)

    def __post_init__(self) -> None:
        order = [self.harvest, self.seeding_winter_killed, self.seeding_overwinter, self.mid_november]
        days = [day_of_year(d) for d in order]
        if days[0] > days[1] or days[0] > days[2] or max(days[1:3]) >= days[3]:
            raise StudyError(
                "The dates of the season are out of order.",
                f"harvest {_written(self.harvest)}, seeding {_written(self.seeding_winter_killed)} and "
                f"{_written(self.seeding_overwinter)}, mid-November check {_written(self.mid_november)}",
                "Put both seeding dates after harvest and before the mid-November check.",
            )
        spring = [day_of_year(d) for d in (self.early_termination, self.planting)]
        if spring[0] > spring[1] or spring[1] >= days[0]:
            raise StudyError(
                "The spring dates are out of order.",
                f"early termination {_written(self.early_termination)}, planting {_written(self.planting)}, "
                f"harvest {_written(self.harvest)}",
                "Put early termination before planting, and planting before the harvest date.",
            )
        if day_of_year(self.first_april) > spring[1]:  # nobody would look whether the cover lived through winter
            raise StudyError(
                "The first-April check comes after planting.",
                f"first-April check {_written(self.first_april)}, planting {_written(self.planting)}",
                "Put the check (first_april) on the day of planting or before.",
            )


@dataclass(frozen=True, slots=True)
class SeasonIndex:
    """Positions of each season's dates on the time axis; int64 arrays of shape (season,).

    `start` is the first day of the run-in, `stop` the day of planting (the last day that is simulated is the
    day before). `year` is the harvest year.
    """

    year: np.ndarray
    start: np.ndarray
    harvest: np.ndarray
    seeding_winter_killed: np.ndarray
    seeding_overwinter: np.ndarray
    mid_november: np.ndarray
    first_april: np.ndarray
    early_termination: np.ndarray
    stop: np.ndarray

    def __len__(self) -> int:
        return len(self.year)


def index_seasons(weather: xr.Dataset, calendar: Calendar, years: np.ndarray | None = None) -> SeasonIndex:
    """Find every complete season of a daily record.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily weather with integer coordinates ``year``, ``month``, ``day`` along ``time``.
    calendar : Calendar
        The dates to find.
    years : array of int, optional
        Harvest years that may be used (after the missing-data rule); all by default.

    Raises
    ------
    StudyError
        When the record holds no complete season.
    """
    key = weather["year"].values.astype(np.int64) * 10000 + weather["month"].values * 100 + weather["day"].values
    if np.any(np.diff(key) <= 0):
        raise StudyError("The daily record is not in date order.", "climate", "Sort the record by date.")

    def position(year: np.ndarray, date: tuple[int, int]) -> np.ndarray:
        month, day = (2, 28) if date == (2, 29) else date
        wanted = year * 10000 + month * 100 + day
        place = np.searchsorted(key, wanted)
        hit = (place < len(key)) & (key[np.minimum(place, len(key) - 1)] == wanted)
        return np.where(hit, place, -1)

    year = np.unique(weather["year"].values.astype(np.int64))
    if years is not None:
        year = year[np.isin(year, years)]
    following = year + 1
    harvest = position(year, calendar.harvest)
    columns = {
        "harvest": harvest,
        "start": np.where(harvest >= 0, harvest - RUN_IN_DAYS, -1),
        "seeding_winter_killed": position(year, calendar.seeding_winter_killed),
        "seeding_overwinter": position(year, calendar.seeding_overwinter),
        "mid_november": position(year, calendar.mid_november),
        "first_april": position(following, calendar.first_april),
        "early_termination": position(following, calendar.early_termination),
        "stop": position(following, calendar.planting),
    }
    complete = np.all([c >= 0 for c in columns.values()], axis=0)
    if not complete.any():
        raise StudyError(
            "The daily record holds no complete season from the spring before harvest to the next planting.",
            "climate",
            "Give at least two years of daily weather in a row.",
        )
    return SeasonIndex(year=year[complete], **{name: c[complete] for name, c in columns.items()})
