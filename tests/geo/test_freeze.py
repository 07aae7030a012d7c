"""Freeze dates, their probability levels and heat, on small made-up cases."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from geo.freeze import (
    day_of_year_from_season,
    freeze_dates,
    growing_degree_days,
    heat_until_freeze,
    probability_levels,
    season_days,
)


def warm_record(start: str = "2001-01-01", end: str = "2004-12-31") -> xr.Dataset:
    """Return a record in which nothing ever freezes."""
    days = pd.date_range(start, end)
    shape = (1, len(days))
    return xr.Dataset(
        {
            "tmin_c": (("cell", "time"), np.full(shape, 10.0, "float32")),
            "tmax_c": (("cell", "time"), np.full(shape, 20.0, "float32")),
        },
        coords={
            "year": ("time", days.year.to_numpy()),
            "month": ("time", days.month.to_numpy()),
            "day": ("time", days.day.to_numpy()),
        },
    )


def put(weather: xr.Dataset, date: str, tmin: float) -> None:
    when = pd.Timestamp(date)
    hit = (weather["year"] == when.year) & (weather["month"] == when.month) & (weather["day"] == when.day)
    weather["tmin_c"].values[0, hit.values] = tmin


def from_august(month: int, day: int) -> int:
    return (pd.Timestamp(2001 + (month < 8), month, day) - pd.Timestamp(2001, 8, 1)).days


def test_first_and_last() -> None:
    weather = warm_record()
    for date in ("2001-10-10", "2001-10-20", "2002-04-30", "2002-05-05"):
        put(weather, date, -3.0)
    dates = freeze_dates(weather).isel(cell=0)
    assert dates["season"].values.tolist() == [2000, 2001, 2002, 2003, 2004]
    assert float(dates["first"].sel(season=2001)) == from_august(10, 10)
    assert float(dates["last"].sel(season=2001)) == from_august(5, 5)


def test_threshold_is_at_or_below_in_float32() -> None:
    weather = warm_record()
    put(weather, "2001-10-01", -2.1)
    put(weather, "2001-10-05", -2.2)
    assert float(freeze_dates(weather)["first"].sel(season=2001)[0]) == from_august(10, 5)
    assert float(freeze_dates(weather, threshold_c=0.0)["first"].sel(season=2001)[0]) == from_august(10, 1)
    assert np.isnan(freeze_dates(weather, threshold_c=-5.0)["first"].sel(season=2001)[0])


def test_january_sorts_after_december() -> None:
    weather = warm_record()
    put(weather, "2001-12-20", -3.0)
    put(weather, "2003-01-10", -3.0)
    first = freeze_dates(weather)["first"].sel(season=[2001, 2002]).values[0]
    assert first[0] < first[1]
    assert day_of_year_from_season(first).tolist() == [354, 10]


def test_after_harvest() -> None:
    weather = warm_record()
    put(weather, "2001-08-20", -2.5)
    put(weather, "2001-10-01", -2.5)
    dates = freeze_dates(weather, start=(9, 1))
    assert float(dates["first"].sel(season=2001)[0]) == 30
    assert float(freeze_dates(weather)["first"].sel(season=2001)[0]) == 19


def test_missing_days_are_not_warm() -> None:
    weather = warm_record()
    for day in range(1, 7):
        put(weather, f"2001-09-0{day}", np.nan)
    put(weather, "2001-10-10", -3.0)
    for day in range(1, 6):
        put(weather, f"2002-09-0{day}", np.nan)
    put(weather, "2002-10-10", -3.0)
    dates = freeze_dates(weather).isel(cell=0)
    assert not bool(dates["first_known"].sel(season=2001))
    assert np.isnan(dates["first"].sel(season=2001))
    assert bool(dates["first_known"].sel(season=2002))
    assert bool(dates["last_known"].sel(season=2001))
    # the record starts in January 2001: its first season has no autumn
    assert not bool(dates["first_known"].sel(season=2000))
    # and ends in December 2004: nobody knows the spring after
    assert not bool(dates["last_known"].sel(season=2004))


def test_seasons_without_freeze_count() -> None:
    dates = xr.Dataset(
        {
            "first": (("cell", "season"), [[60.0, 70.0, 80.0, np.nan, np.nan, np.nan, 90.0, np.nan]]),
            "first_known": (("cell", "season"), [[True] * 7 + [False]]),
        }
    )
    levels = probability_levels(dates, "first", [0.1, 0.25, 0.5, 0.75, 0.9]).values[0]
    np.testing.assert_allclose(levels[:3], [60, 70, 90])  # ranks 0.8, 2 and 4 of 7 seasons, 4 with a freeze
    assert np.isnan(levels[3:]).all()
    mixed = probability_levels(dates, "first", [0.1, 0.5, 0.6], "normal").values[0]
    assert mixed[0] < mixed[1]
    assert np.isnan(mixed[2])


def test_no_freeze_and_no_record() -> None:
    assert np.isnan(probability_levels(freeze_dates(warm_record()), "first")).all()
    unknown = warm_record()
    unknown["tmin_c"][:] = np.nan
    dates = freeze_dates(unknown)
    assert not bool(dates["first_known"].any())
    assert np.isnan(probability_levels(dates, "last")).all()


def test_leap_day_is_not_lost() -> None:
    weather = warm_record("2003-08-01", "2004-07-31")
    put(weather, "2004-02-29", -4.0)
    assert float(freeze_dates(weather)["last"][0, 0]) == 212  # 1 March in a common year
    assert season_days(weather, weather["tmin_c"]).shape == (1, 1, 365)
    assert int(season_days(weather, weather["tmin_c"]).isnull().sum()) == 0


@pytest.mark.parametrize(
    ("tmin", "tmax", "base", "upper", "expected"),
    [
        pytest.param(10, 20, 4.4, None, 10.6, id="mean less base"),
        pytest.param(-5, 5, 4.4, None, 0.0, id="never negative"),
        pytest.param(5, 35, 10, 30, 10.0, id="86/50 F form: both extremes held inside"),
        pytest.param(0, 8, 10, 30, 0.0, id="86/50 F form: cold day"),
    ],
)
def test_degree_days(tmin: float, tmax: float, base: float, upper: float | None, expected: float) -> None:
    assert float(growing_degree_days(tmin, tmax, base, upper)) == pytest.approx(expected)


def test_heat_until_freeze() -> None:
    weather = warm_record()
    put(weather, "2001-08-31", -3.0)
    heat = heat_until_freeze(weather, (8, 1), 5.0).isel(cell=0)
    assert float(heat.sel(season=2001)) == pytest.approx(30 * 10.0)  # 1 to 30 August
    assert float(heat.sel(season=2002)) == pytest.approx(365 * 10.0)  # no freeze at all
    assert np.isnan(heat.sel(season=2004))  # the record ends before the season does
    weather["tmax_c"].values[0, (weather["year"] == 2001) & (weather["month"] == 8) & (weather["day"] == 10)] = np.nan
    assert np.isnan(heat_until_freeze(weather, (8, 1), 5.0).sel(season=2001)[0])


@given(
    values=st.lists(st.one_of(st.integers(30, 200), st.none()), min_size=1, max_size=40),
    method=st.sampled_from(["empirical", "normal"]),
)
def test_levels_are_ordered(values: list[int | None], method: str) -> None:
    array = np.array([[np.nan if v is None else float(v) for v in values]])
    known = np.ones(array.shape, dtype=bool)
    dates = xr.Dataset(
        {n: (("cell", "season"), a) for n, a in (("first", array), ("last", array))}
        | {n: (("cell", "season"), known) for n in ("first_known", "last_known")}
    )
    first = probability_levels(dates, "first", [0.1, 0.5, 0.9], method).values[0]  # type: ignore[arg-type]
    last = probability_levels(dates, "last", [0.1, 0.5, 0.9], method).values[0]  # type: ignore[arg-type]
    assert (np.diff(first[np.isfinite(first)]) >= 0).all()
    assert (np.diff(last[np.isfinite(last)]) <= 0).all()
    # once a level has no date, no higher one has
    assert (np.diff(np.isnan(first).astype(int)) >= 0).all()
    assert (np.diff(np.isnan(last).astype(int)) >= 0).all()
