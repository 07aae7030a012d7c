"""Dates of a season and where they lie in a record."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from geo.errors import StudyError
from geo.season import RUN_IN_DAYS, Calendar, day_of_year, index_seasons, month_day


def record(start: str, end: str, *, leap_days: bool = True) -> xr.Dataset:
    dates = pd.date_range(start, end)
    if not leap_days:
        dates = dates[~((dates.month == 2) & (dates.day == 29))]
    return xr.Dataset(
        coords={"year": ("time", dates.year), "month": ("time", dates.month), "day": ("time", dates.day)}
    )


@pytest.mark.parametrize("date", [(1, 1), (2, 28), (3, 1), (7, 20), (12, 31)])
def test_day_of_year_as_the_standard_library_counts(date):
    assert day_of_year(date) == dt.date(2001, *date).timetuple().tm_yday
    assert month_day(day_of_year(date)) == date


def test_leap_day_counts_as_the_28th():
    assert day_of_year((2, 29)) == day_of_year((2, 28)) == 59


def test_month_day_is_the_inverse():
    days = range(1, 366)
    assert [day_of_year(month_day(day)) for day in days] == list(days)
    assert [month_day(day + 365) for day in days] == [month_day(day) for day in days], "days past the year wrap"
    assert [month_day(day + 0.4) for day in days] == [month_day(day) for day in days]


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"seeding_winter_killed": (7, 1)}, "dates of the season"),
        ({"seeding_overwinter": (7, 1)}, "dates of the season"),
        ({"seeding_overwinter": (11, 20)}, "dates of the season"),
        ({"early_termination": (5, 20)}, "spring dates"),
        ({"planting": (8, 1)}, "spring dates"),
        ({"planting": (3, 1)}, "spring dates"),
        ({"planting": (3, 20), "early_termination": (3, 1)}, "first-April check"),
    ],
)
def test_calendars_out_of_order_are_refused(changes, what):
    with pytest.raises(StudyError, match=what) as caught:
        Calendar(**changes)
    assert caught.value.fix
    month, day = next(iter(changes.values()))  # told as the study file writes it
    assert f"{month:02d}-{day:02d}" in caught.value.where


def test_positions_point_at_their_dates():
    weather = record("1995-01-01", "2004-12-31")
    calendar = Calendar()
    seasons = index_seasons(weather, calendar)
    assert list(seasons.year) == list(range(1995, 2004))
    columns = {name: weather[name].values for name in ("year", "month", "day")}
    for name, turn in (("harvest", 0), ("seeding_winter_killed", 0), ("seeding_overwinter", 0), ("mid_november", 0),
                       ("first_april", 1), ("early_termination", 1), ("planting", 1)):  # fmt: skip
        place = seasons.stop if name == "planting" else getattr(seasons, name)
        np.testing.assert_array_equal(columns["year"][place], seasons.year + turn)
        assert set(zip(columns["month"][place], columns["day"][place], strict=True)) == {getattr(calendar, name)}
    np.testing.assert_array_equal(seasons.harvest - seasons.start, RUN_IN_DAYS)


@pytest.mark.parametrize("leap_days", [True, False])
def test_records_with_and_without_leap_days(leap_days):
    seasons = index_seasons(record("1995-01-01", "2000-12-31", leap_days=leap_days), Calendar())
    lengths = seasons.stop - seasons.harvest
    assert set(lengths) == ({299, 300} if leap_days else {299})


def test_synthetic_years_from_one():
    years = np.repeat([1, 2, 3], 365)
    dates = pd.date_range("2001-01-01", "2001-12-31")
    weather = xr.Dataset(
        coords={
            "year": ("time", years), "month": ("time", np.tile(dates.month, 3)),
            "day": ("time", np.tile(dates.day, 3)),
        }
    )  # fmt: skip
    assert list(index_seasons(weather, Calendar()).year) == [1, 2]


def test_incomplete_seasons_are_not_used():
    assert list(index_seasons(record("1995-03-07", "1998-05-15"), Calendar()).year) == [1995, 1996, 1997]
    assert list(index_seasons(record("1995-03-08", "1998-05-14"), Calendar()).year) == [1996]


def test_years_may_be_chosen():
    weather = record("1995-01-01", "2004-12-31")
    assert list(index_seasons(weather, Calendar(), np.array([1996, 2001, 2050])).year) == [1996, 2001]


def test_a_date_on_the_leap_day_is_found_every_year():
    calendar = Calendar(first_april=(2, 29), early_termination=(2, 29))
    seasons = index_seasons(record("1995-01-01", "2000-12-31"), calendar)
    assert len(seasons) == 5


def test_a_short_record_is_refused():
    with pytest.raises(StudyError, match="no complete season") as caught:
        index_seasons(record("1995-01-01", "1995-12-31"), Calendar())
    assert "two years" in caught.value.fix


def test_a_record_out_of_order_is_refused():
    weather = record("1995-01-01", "1997-12-31")
    with pytest.raises(StudyError, match="not in date order"):
        index_seasons(weather.isel(time=slice(None, None, -1)), Calendar())
    with pytest.raises(StudyError, match="not in date order"):
        index_seasons(xr.concat([weather, weather], "time"), Calendar())
