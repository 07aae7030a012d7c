"""Flags, gaps and usable seasons of daily weather."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from geo.errors import StudyError
from geo.season import Calendar
from geo.weather.daily import (
    FLAGS,
    GapRule,
    clean_daily,
    climate_cells,
    common_years,
    fill_short_gaps,
    usable_years,
    weather_flags,
    whole_calendar,
)
from geo.weather.generator import generate_daily
from tests.geo.climates import CLIMATES, normals_of
from tests.open_climate import NEBRASKA, ghcn


def record(start: str = "2001-01-01", end: str = "2006-12-31", cells: int = 1) -> xr.Dataset:
    """Return a faultless invented record on real dates."""
    days = pd.date_range(start, end)
    rng = np.random.default_rng(0)
    shape = (cells, len(days))
    tmin = (5 - 15 * np.cos(2 * np.pi * days.day_of_year / 365.25)).to_numpy() + rng.normal(0, 3, shape)
    rain = np.where(rng.random(shape) < 0.2, rng.gamma(0.7, 8, shape), 0.0)
    return xr.Dataset(
        {
            "precip_mm": (("cell", "time"), rain),
            "tmin_c": (("cell", "time"), tmin),
            "tmax_c": (("cell", "time"), tmin + rng.uniform(5, 18, shape)),
        },
        coords={
            "year": ("time", days.year.to_numpy()),
            "month": ("time", days.month.to_numpy()),
            "day": ("time", days.day.to_numpy()),
            "latitude": ("cell", np.full(cells, 41.0)),
            "longitude": ("cell", np.full(cells, -101.0)),
            "elevation_m": ("cell", np.full(cells, 900.0)),
        },
    )


def at(weather: xr.Dataset, year: int, month: int, day: int) -> int:
    hit = (weather["year"] == year) & (weather["month"] == month) & (weather["day"] == day)
    return int(np.flatnonzero(hit.values)[0])


def test_clean_record_raises_nothing() -> None:
    out, problems = clean_daily(record())
    assert problems == []
    assert not bool(weather_flags(record()).to_array().any())
    np.testing.assert_array_equal(out["tmin_c"], record()["tmin_c"])
    assert bool(usable_years(out, Calendar()).all())


@pytest.mark.parametrize(
    ("flag", "change"),
    [
        ("tmax_below_tmin", {"tmin_c": 10.0, "tmax_c": 9.0}),
        ("precip_negative", {"precip_mm": -1.0}),
        ("tmin_c_out_of_range", {"tmin_c": -99.0}),
        ("tmax_c_out_of_range", {"tmax_c": 99.9}),
        ("precip_mm_out_of_range", {"precip_mm": 3000.0}),
    ],
)
def test_one_bad_day(flag: str, change: dict[str, float]) -> None:
    weather = record()
    day = at(weather, 2003, 6, 10)
    for name, value in change.items():
        weather[name][0, day] = value
    flags = weather_flags(weather)
    assert set(flags.data_vars) <= set(FLAGS)
    assert flags[flag].values[0].nonzero()[0].tolist() == [day]
    out, problems = clean_daily(weather)
    assert any(FLAGS[flag] in p.what and "2003-06-10" in p.what and p.action == "left out" for p in problems)
    if "precip" in flag:
        assert np.isnan(out["precip_mm"][0, day])
        assert usable_years(out, Calendar()).sel(year=2003).values.tolist() == [False]
        assert usable_years(out, Calendar()).sel(year=2004).values.tolist() == [True]
    else:
        assert bool(out["temperature_filled"][0, day])
        assert np.isfinite(out["tmin_c"][0, day])
        assert usable_years(out, Calendar()).sel(year=2003).values.tolist() == [True]


def test_stuck_instruments() -> None:
    weather = record()
    cold = slice(at(weather, 2002, 5, 1), at(weather, 2002, 5, 25))
    weather["tmin_c"][0, cold], weather["tmax_c"][0, cold] = 3.0, 15.0
    rain = slice(at(weather, 2004, 7, 1), at(weather, 2004, 7, 12))
    weather["precip_mm"][0, rain] = 2.5
    flags = weather_flags(weather)
    assert int(flags["temperature_repeated"].sum()) == 24
    assert int(flags["precip_repeated"].sum()) == 11
    out, _ = clean_daily(weather)
    assert bool(out["tmin_c"][0, cold].isnull().all())
    assert usable_years(out, Calendar()).sel(cell=0, year=[2002, 2003, 2004]).values.tolist() == [False, True, False]


def test_dry_spell_is_not_a_stuck_gauge() -> None:
    weather = record()
    weather["precip_mm"][0, 100:200] = 0.0
    assert not bool(weather_flags(weather)["precip_repeated"].any())


def test_gap_rule_at_its_limits() -> None:
    weather = record()
    for n, (year, month) in enumerate([(2001, 9), (2002, 9), (2003, 9), (2004, 9)], start=1):
        first = at(weather, year, month, 10)
        weather["tmin_c"][0, first : first + n] = np.nan
    out, problems = clean_daily(weather)
    assert usable_years(out, Calendar()).values[0].tolist() == [True, True, True, False, True]
    assert int(out["temperature_filled"].sum()) == 1 + 2 + 3
    assert [p.action for p in problems] == ["repaired", "warning"]
    assert "4 days (2004-09-10, 2004-09-11, 2004-09-12 and 1 more)" in problems[1].what
    patient, _ = clean_daily(weather, GapRule(longest_filled_gap_days=5))
    assert bool(usable_years(patient, Calendar()).all())
    strict = GapRule(longest_filled_gap_days=5, most_filled_days=2)
    assert usable_years(patient, Calendar(), strict).values[0].tolist() == [True, True, False, False, True]


def test_missing_rain_is_never_dry() -> None:
    weather = record()
    weather["precip_mm"][0, at(weather, 2003, 1, 5)] = np.nan
    out, _ = clean_daily(weather)
    assert np.isnan(out["precip_mm"][0, at(out, 2003, 1, 5)])
    assert usable_years(out, Calendar()).values[0].tolist() == [True, False, True, True, True]


def test_absent_rows_become_missing_days() -> None:
    weather = record()
    absent = np.arange(at(weather, 2003, 10, 1), at(weather, 2003, 10, 20))
    short = weather.isel(time=np.setdiff1d(np.arange(weather.sizes["time"]), absent))
    whole = whole_calendar(short)
    assert whole.sizes["time"] == weather.sizes["time"]
    assert int(whole["tmin_c"].isnull().sum()) == 19
    np.testing.assert_array_equal(whole["day"], weather["day"])


def test_synthetic_years_are_whole() -> None:
    weather = generate_daily(normals_of(CLIMATES["high plains, dry"]), 12, 1)
    assert whole_calendar(weather) is weather
    out, problems = clean_daily(weather)
    assert problems == []
    assert usable_years(out, Calendar()).shape == (1, 11)


def test_synthetic_gap_is_found() -> None:
    weather = generate_daily(normals_of(CLIMATES["high plains, dry"]), 5, 1)
    short = weather.isel(time=np.delete(np.arange(weather.sizes["time"]), [800, 801]))
    whole = whole_calendar(short)
    assert whole.sizes["time"] == 5 * 365
    assert int(whole["precip_mm"].isnull().sum()) == 2
    assert np.unique(whole["year"]).tolist() == [1, 2, 3, 4, 5]


def test_years_of_365_days_lack_31_december() -> None:
    weather = record()
    leap_end = at(weather, 2004, 12, 31)
    for name in ("precip_mm", "tmin_c", "tmax_c"):
        weather[name][0, leap_end] = np.nan
    out, problems = clean_daily(weather)
    assert float(out["precip_mm"][0, leap_end]) == 0.0
    assert any("365-day years" in p.what and p.action == "repaired" for p in problems)
    assert bool(usable_years(out, Calendar()).all())


def test_day_given_twice_stops() -> None:
    weather = record()
    with pytest.raises(StudyError, match="twice"):
        whole_calendar(xr.concat([weather, weather.isel(time=[5])], dim="time"))


def test_common_years_leave_out_the_poorest_cell() -> None:
    usable = xr.DataArray(
        [[True] * 12, [True] * 11 + [False], [False] * 8 + [True] * 4],
        dims=("cell", "year"),
        coords={"year": range(12)},
    )
    cells, years, problems = common_years(usable, least_years=10)
    assert cells.tolist() == [0, 1]
    assert years.tolist() == list(range(11))
    assert [p.where for p in problems] == ["cell 2"]
    assert common_years(usable, least_years=3)[0].tolist() == [0, 1, 2]


@pytest.mark.parametrize(
    ("usable", "cells", "years"),
    [
        pytest.param([[True] * 9] * 3, [0, 1, 2], 9, id="ten whole years hold nine seasons; every cell stays"),
        pytest.param([[True] * 9, [True] * 9, [True] * 4 + [False] * 5], [0, 1], 9, id="short, and one cell poorer"),
    ],
)
def test_short_records_keep_their_cells(usable: list[list[bool]], cells: list[int], years: int) -> None:
    table = xr.DataArray(usable, dims=("cell", "year"), coords={"year": range(9)})
    kept, found, _ = common_years(table, least_years=10)
    assert kept.tolist() == cells
    assert found.size == years


def test_cells_table() -> None:
    table = climate_cells(record(cells=2))
    assert table.index.name == "cell"
    assert table.columns.tolist() == ["latitude", "longitude", "elevation_m", "name"]
    assert len(table) == 2


@given(st.lists(st.one_of(st.floats(-40, 40), st.just(float("nan"))), min_size=1, max_size=60), st.integers(0, 5))
def test_filling(values: list[float], longest: int) -> None:
    array = np.array([values])
    filled, new = fill_short_gaps(array, longest)
    np.testing.assert_array_equal(filled[~new], array[~new])
    assert np.isfinite(filled[new]).all()
    known = array[np.isfinite(array)]
    if known.size:
        assert (filled[new] >= known.min() - 1e-9).all()
        assert (filled[new] <= known.max() + 1e-9).all()
    text = "".join("x" if np.isnan(v) else "." for v in filled[0])
    for gap in text.strip("x").replace(".", " ").split():
        assert len(gap) > longest


def test_nebraska_records_keep_their_gaps() -> None:
    """NOAA GHCN-Daily: every missing rain day of eight records is still missing after cleaning."""
    parts = []
    for station in NEBRASKA:
        table = ghcn(station)
        parts.append(
            xr.Dataset(
                {
                    "precip_mm": ("time", table["precip"]),
                    "tmin_c": ("time", table["tmin"]),
                    "tmax_c": ("time", table["tmax"]),
                },
                coords={n: ("time", table[n]) for n in ("year", "month", "day")},
            )
        )
    weather = xr.concat(parts, dim="cell")
    out, problems = clean_daily(weather)
    missing_before = weather["precip_mm"].isnull().sum("time").values
    assert (out["precip_mm"].isnull().sum("time").values >= missing_before).all()
    usable = usable_years(out, Calendar()).sum("year").values
    assert usable.max() >= 20
    assert usable.min() < 20
    assert len(problems) > 8
    cells, years, dropped = common_years(usable_years(out, Calendar()), least_years=10)
    assert 1 <= cells.size <= 8
    assert len(dropped) == 8 - cells.size
    assert years.size >= 10
