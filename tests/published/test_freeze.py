"""Freeze dates against a general climate library, the published definition, and station normals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from geo.freeze import day_of_year_from_season, freeze_dates, growing_degree_days, probability_levels
from geo.month_curve import MONTH_DAYS
from geo.reference_et import day_of_year
from geo.weather_generator import generate_daily
from tests.geo.climates import normals_of
from tests.open_climate import (
    NEBRASKA,
    champion,
    ghcn,
    lebanon_normals,
    record_normals,
    records,
    station_normals,
)

LEVELS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)


def as_weather(tables: Sequence[pd.DataFrame]) -> xr.Dataset:
    first = tables[0]
    return xr.Dataset(
        {
            "tmin_c": (("cell", "time"), np.stack([t["tmin"] for t in tables])),
            "tmax_c": (("cell", "time"), np.stack([t["tmax"] for t in tables])),
        },
        coords={n: ("time", first[n].to_numpy()) for n in ("year", "month", "day")},
    )


def on_dates(weather: xr.Dataset, name: str) -> xr.DataArray:
    """Return one variable on a time axis, with the units that xclim asks for."""
    time = pd.to_datetime({n: weather[n].values for n in ("year", "month", "day")})
    out = weather[name].drop_vars(["year", "month", "day"]).assign_coords(time=time)
    out.attrs["units"] = "degC"
    return out


def station_days(text: pd.Series) -> np.ndarray:
    """Return days from 1 August of MM/DD texts."""
    month_day = text.str.split("/", expand=True).astype(int)
    return (day_of_year(month_day[0], month_day[1]) - 213) % 365


@pytest.mark.parametrize("threshold", [0.0, -2.2, -4.4], ids=lambda t: f"xclim, threshold {t} C")
def test_same_dates_as_xclim(threshold: float) -> None:
    """xclim first_day_temperature_below and last_spring_frost, Champion record 1982 to 2018."""
    indices = pytest.importorskip("xclim.indices")
    weather = as_weather([champion()])
    dates = freeze_dates(weather, threshold).isel(cell=0)
    series = on_dates(weather, "tmin_c").isel(cell=0)
    thresh = f"{threshold} degC"
    first = indices.first_day_temperature_below(series, thresh=thresh, op="<=", after_date="08-01", freq="YS-AUG")
    last = indices.last_spring_frost(series, thresh=thresh, op="<=", before_date="07-31", freq="YS")

    def from_august(values: xr.DataArray) -> np.ndarray:
        # xclim counts days of the real year; leap years are one ahead after February.
        leap = values["time"].dt.is_leap_year.values & (values.values > 60)
        return (values.values - leap - 213) % 365

    seasons = np.arange(1982, 2018)
    ours = dates.sel(season=seasons)
    assert bool(ours["first_known"].all())
    by_season = first.isel(time=np.isin(first["time"].dt.year, seasons) & (first["time"].dt.month == 8).values)
    np.testing.assert_array_equal(ours["first"], from_august(by_season))
    by_spring = last.isel(time=np.isin(last["time"].dt.year, seasons + 1))
    np.testing.assert_array_equal(ours["last"], from_august(by_spring))


def test_same_degree_days_as_xclim() -> None:
    """xclim growing_degree_days on the mean of the extremes, Champion record, base 40 F."""
    indices = pytest.importorskip("xclim.indices")
    weather = as_weather([champion()])
    mean = (on_dates(weather, "tmin_c") + on_dates(weather, "tmax_c")) / 2
    mean.attrs["units"] = "degC"
    theirs = indices.growing_degree_days(mean.isel(cell=0), thresh="4.4 degC", freq="YS")
    ours = growing_degree_days(weather["tmin_c"], weather["tmax_c"], 4.4).isel(cell=0).groupby("year").sum()
    np.testing.assert_allclose(ours, theirs, rtol=1e-6)


@pytest.mark.parametrize("method", ["empirical", "normal"])
def test_order_of_levels_on_records(method: str) -> None:
    """NOAA NCEI definition (first: that date or earlier; last: or later) on eight Nebraska records."""
    weather = as_weather([ghcn(s) for s in NEBRASKA])
    dates = freeze_dates(weather)
    first = probability_levels(dates, "first", LEVELS, method).values  # type: ignore[arg-type]
    last = probability_levels(dates, "last", LEVELS, method).values  # type: ignore[arg-type]
    assert np.isfinite(first).all()
    assert (np.diff(first, axis=1) >= 0).all()
    assert (np.diff(last, axis=1) <= 0).all()
    # the share of seasons with a freeze by the date is the level: within one season, ties on one date apart
    values = dates["first"].where(dates["first_known"]).values
    count = np.isfinite(values).sum(axis=1)
    slack = 1.5 / count.min() if method == "empirical" else 0.16
    for i, level in enumerate(LEVELS):
        by_then = (values <= first[:, i : i + 1]).sum(axis=1) / count
        before = (values < first[:, i : i + 1]).sum(axis=1) / count
        assert (by_then >= level - slack).all()
        assert (before <= level + slack).all()


def test_two_methods_agree_on_records() -> None:
    """Plotting positions and the mixed normal distribution (Thom & Shaw 1958): nine levels, eight records."""
    dates = freeze_dates(as_weather([ghcn(s) for s in NEBRASKA]))
    for which in ("first", "last"):
        one = probability_levels(dates, which, LEVELS, "empirical").values  # type: ignore[arg-type]
        two = probability_levels(dates, which, LEVELS, "normal").values  # type: ignore[arg-type]
        assert np.abs(one - two).mean() < 2.0
        assert np.abs(one - two).max() < 8.0


def test_definition_on_published_normals() -> None:
    """NOAA 1991-2020 normals of Lebanon NH: order by level and by threshold as in our definition."""
    table = station_normals("annualseasonal")
    thresholds = ("16", "20", "24", "28", "32", "36")
    first, last = (
        np.array(
            [
                station_days(pd.concat([table[f"ANN-TMIN-PRB{w}-T{t}FP{p}0"] for p in range(1, 10)]))
                for t in thresholds
            ]
        )
        for w in ("FST", "LST")
    )
    assert (np.diff(first, axis=1) >= 0).all()
    assert (np.diff(last, axis=1) <= 0).all()
    assert (np.diff(first, axis=0) <= 0).all()  # a milder threshold comes earlier in autumn
    assert (np.diff(last, axis=0) >= 0).all()  # and leaves later in spring
    assert (first.max(axis=1) < last.min(axis=1)).all()


@pytest.fixture(scope="module")
def lebanon() -> xr.Dataset:
    return generate_daily(normals_of(lebanon_normals(), latitude=43.63), years=200, seed=1)


@pytest.mark.parametrize("fahrenheit", [24, 28, 32], ids=lambda f: f"NOAA 1991-2020, Lebanon NH, {f} F")
def test_generated_weather_freezes_when_the_station_does(lebanon: xr.Dataset, fahrenheit: int) -> None:
    """From monthly normals alone, generated freeze dates lie within days of those published for the station."""
    table = station_normals("annualseasonal")
    dates = freeze_dates(lebanon, (fahrenheit - 32) / 1.8)
    for which, code in (("first", "FST"), ("last", "LST")):
        ours = probability_levels(dates, which, (0.1, 0.5, 0.9)).values[0]  # type: ignore[arg-type]
        theirs = station_days(pd.concat([table[f"ANN-TMIN-PRB{code}-T{fahrenheit}FP{p}0"] for p in (1, 5, 9)]))
        assert np.abs(ours - theirs).max() <= 8, (which, day_of_year_from_season(ours), ours - theirs)


@pytest.mark.parametrize("base_f", [40, 50], ids=lambda b: f"NOAA 1991-2020, Lebanon NH, base {b} F")
def test_generated_heat_is_the_stations(lebanon: xr.Dataset, base_f: int) -> None:
    """Annual growing degree days of generated weather against the published normal."""
    heat = growing_degree_days(lebanon["tmin_c"], lebanon["tmax_c"], (base_f - 32) / 1.8)
    ours = float(heat.sum()) / 200 * 1.8
    published = float(station_normals("annualseasonal")[f"ANN-GRDD-BASE{base_f}"].iloc[0])
    assert ours == pytest.approx(published, rel=0.05)
    assert heat.sizes["time"] == 200 * MONTH_DAYS.sum()


def test_generated_freezes_match_nine_records() -> None:
    """Nine Nebraska records (GHCN-Daily, Champion): 10, 50 and 90 % dates from their monthly normals alone.

    Every date within 9 days of the record's own, 1 day or less off on the mean.
    """
    tables = records()
    weather = generate_daily(normals_of(*(record_normals(t) for t in tables.values())), 200, seed=1)
    dates = freeze_dates(weather)
    for which in ("first", "last"):
        ours = probability_levels(dates, which, (0.1, 0.5, 0.9)).values  # type: ignore[arg-type]
        recorded = np.concatenate(
            [
                probability_levels(freeze_dates(as_weather([t])), which, (0.1, 0.5, 0.9)).values  # type: ignore[arg-type]
                for t in tables.values()
            ]
        )
        assert np.abs(ours - recorded).max() <= 9
        assert abs((ours - recorded).mean()) <= 1.0
