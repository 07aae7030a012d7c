"""Checks of daily weather: named flags, a named gap rule, and which seasons may be used.

A day that is missing is never read as warm, dry or anything else. Short gaps in temperature are filled
and listed; a gap in precipitation is not filled: the season that holds it is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from geo.errors import Problem, StudyError
from geo.season import Calendar, index_seasons

TEMPERATURES = ("tmin_c", "tmax_c")
REQUIRED = ("precip_mm", "tmin_c", "tmax_c")

PHYSICAL_RANGE: dict[str, tuple[float, float]] = {
    # Below and above the records of the world's inhabited land: from memory.
    "tmin_c": (-70.0, 40.0),
    "tmax_c": (-65.0, 57.0),
    # Above the US 24-hour record of about 1260 mm: from memory.
    "precip_mm": (0.0, 1300.0),
    # Grass reference ET seldom passes 15 mm in a hot, windy desert: common practice, no source.
    "et0_mm": (0.0, 20.0),
}

FLAGS: dict[str, str] = {
    "tmax_below_tmin": "maximum temperature below the minimum of the same day",
    "precip_negative": "negative precipitation",
    "tmin_c_out_of_range": "minimum temperature outside the physical range",
    "tmax_c_out_of_range": "maximum temperature outside the physical range",
    "precip_mm_out_of_range": "precipitation above any daily record",
    "et0_mm_out_of_range": "reference ET outside the physical range",
    "temperature_repeated": "the same minimum and maximum for many days in a row",
    "precip_repeated": "the same amount of rain for many days in a row",
}
"""Names of the flags and what they mean; each is a boolean variable of `weather_flags`."""

_SPOILS: dict[str, tuple[str, ...]] = {
    "tmax_below_tmin": TEMPERATURES,
    "precip_negative": ("precip_mm",),
    "tmin_c_out_of_range": ("tmin_c",),
    "tmax_c_out_of_range": ("tmax_c",),
    "precip_mm_out_of_range": ("precip_mm",),
    "et0_mm_out_of_range": ("et0_mm",),
    "temperature_repeated": TEMPERATURES,
    "precip_repeated": ("precip_mm",),
}


@dataclass(frozen=True, slots=True)
class GapRule:
    """Which gaps are filled and which seasons are used.

    Attributes
    ----------
    name : str
        What the run report calls the rule.
    longest_filled_gap_days : int
        Temperature gaps up to this long are filled by straight lines between their neighbours.
    most_filled_days : int
        A season with more filled temperature days than this is left out.
    repeated_temperature_days, repeated_precip_days : int
        A run of equal values at least this long is flagged.
    most_missing_for_freeze : int
        A freeze date is unknown when more days than this are missing in the days searched.

    Notes
    -----
    Status of the defaults: common practice, no source; `repeated_temperature_days` as in the streak check
    of GHCN-Daily (Durre et al. 2010, from memory).
    """

    name: str = "short temperature gaps filled, no gap in precipitation"
    longest_filled_gap_days: int = 3
    most_filled_days: int = 10
    repeated_temperature_days: int = 20
    repeated_precip_days: int = 10
    most_missing_for_freeze: int = 5


def climate_cells(weather: xr.Dataset) -> pd.DataFrame:
    """Return the table of cells of a weather or normals Dataset: latitude, longitude, elevation_m, name."""
    count = weather.sizes["cell"]
    columns = {
        key: weather[key].values if key in weather.coords else np.full(count, np.nan)
        for key in ("latitude", "longitude", "elevation_m")
    }
    names = weather["name"].values if "name" in weather.coords else [f"cell {i}" for i in range(count)]
    return pd.DataFrame({**columns, "name": names}, index=pd.RangeIndex(count, name="cell"))


def whole_calendar(weather: xr.Dataset) -> xr.Dataset:
    """Return the record with one row for every day from its first to its last; new days are missing.

    Years without any 29 February (synthetic years) are taken to have 365 days.
    """
    stamp = _stamps(weather)
    if stamp.has_duplicates:
        twice = stamp[stamp.duplicated()][0]
        raise StudyError("A day appears twice in the daily record.", f"{twice:%d %B}", "Keep one row for each day.")
    stamp_sorted = stamp.sort_values()
    every = pd.date_range(stamp_sorted[0], stamp_sorted[-1], freq="D")
    if not _has_leap_days(weather):
        every = every[~((every.month == 2) & (every.day == 29))]
    if len(every) == len(stamp) and bool((every == stamp).all()):
        return weather
    # xarray needs an index to reindex by; the dates serve and are dropped again.
    shift = int(weather["year"].values.min()) - int(stamp.year.min())
    had_time = "time" in weather.coords
    bare = weather.drop_vars(["year", "month", "day"]).assign_coords(time=stamp)
    out = bare.sortby("time").reindex(time=every)
    out = out.assign_coords(
        year=("time", every.year.to_numpy() + shift),
        month=("time", every.month.to_numpy()),
        day=("time", every.day.to_numpy()),
    )
    return out if had_time else out.drop_vars("time")


def _stamps(weather: xr.Dataset) -> pd.DatetimeIndex:
    """Return dates; synthetic years 1..N are moved to a span of years that the calendar can hold."""
    year = weather["year"].values.astype(int)
    shift = 2001 - int(year.min()) if year.min() < 1600 else 0
    return pd.DatetimeIndex(
        pd.to_datetime({"year": year + shift, "month": weather["month"].values, "day": weather["day"].values})
    )


def _has_leap_days(weather: xr.Dataset) -> bool:
    """Return whether the record's years follow the civil calendar, not years of 365 days."""
    year, key = weather["year"].values.astype(int), weather["month"].values * 100 + weather["day"].values
    if (key == 229).any():
        return True
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    skipped = np.intersect1d(year[leap & (key == 228)], year[leap & (key == 301)])
    return year.min() >= 1600 and skipped.size == 0


def _run_lengths(same: np.ndarray) -> np.ndarray:
    """Return, for every day, how many days its run of equal values has; `same` says equal to the day before."""
    cells, days = same.shape
    start = ~same
    start[:, 0] = True
    run = np.cumsum(start.ravel()) - 1
    return np.bincount(run)[run].reshape(cells, days)


def weather_flags(weather: xr.Dataset, rule: GapRule | None = None) -> xr.Dataset:
    """Return the named flags of `FLAGS` as boolean variables, dims ``(cell, time)``. Missing days raise none."""
    rule = rule or GapRule()
    values = {n: weather[n].transpose("cell", "time").values for n in PHYSICAL_RANGE if n in weather}
    tmin, tmax, rain = values["tmin_c"], values["tmax_c"], values["precip_mm"]
    flags: dict[str, np.ndarray] = {"tmax_below_tmin": tmax < tmin, "precip_negative": rain < 0}
    for name, array in values.items():
        low, high = PHYSICAL_RANGE[name]
        outside = (array < low) | (array > high)
        flags[f"{name}_out_of_range"] = outside & (array >= 0) if name == "precip_mm" else outside

    def like_yesterday(*arrays: np.ndarray) -> np.ndarray:
        same = np.ones(arrays[0].shape, dtype=bool)
        same[:, 0] = False
        for array in arrays:
            same[:, 1:] &= array[:, 1:] == array[:, :-1]
        return same

    runs = _run_lengths(like_yesterday(tmin, tmax))
    flags["temperature_repeated"] = (runs >= rule.repeated_temperature_days) & np.isfinite(tmin)
    runs = _run_lengths(like_yesterday(rain))
    flags["precip_repeated"] = (runs >= rule.repeated_precip_days) & (rain > 0)
    return xr.Dataset(
        {name: (("cell", "time"), array, {"long_name": FLAGS[name]}) for name, array in flags.items()},
        coords=weather.coords,
    )


def _dates(weather: xr.Dataset, days: np.ndarray) -> str:
    at = np.flatnonzero(days)
    shown = ", ".join(
        f"{int(weather['year'][i])}-{int(weather['month'][i]):02d}-{int(weather['day'][i]):02d}" for i in at[:3]
    )
    return shown + (f" and {at.size - 3} more" if at.size > 3 else "")


def clean_daily(weather: xr.Dataset, rule: GapRule | None = None) -> tuple[xr.Dataset, list[Problem]]:
    """Return the record on a whole calendar, flagged values missing, short temperature gaps filled.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily weather, dims ``(cell, time)``.
    rule : GapRule, optional
        See there.

    Returns
    -------
    weather : xarray.Dataset
        The same variables, and the boolean coordinate `temperature_filled` ``(cell, time)``.
    problems : list of Problem
        One row for each cell and kind: how many days, which, and what was done.
    """
    rule = rule or GapRule()
    weather = whole_calendar(weather).transpose("cell", "time", ...)
    names = climate_cells(weather)["name"].tolist()
    problems: list[Problem] = []

    data = {str(n): weather[n].values.copy() for n in weather.data_vars}
    for name, flag in weather_flags(weather, rule).items():
        spoiled = [v for v in _SPOILS[str(name)] if v in data]
        for cell in np.flatnonzero(flag.values.any(axis=1)):
            days = flag.values[cell]
            what = f"{FLAGS[str(name)]}: {int(days.sum())} days ({_dates(weather, days)})"
            problems.append(Problem("climate", names[cell], what, "left out", "Correct the record."))
        for variable in spoiled:
            data[variable][flag.values] = np.nan

    problems += _no_last_day(weather, data)
    filled = np.zeros(data["tmin_c"].shape, dtype=bool)
    for variable in TEMPERATURES:
        data[variable], new = fill_short_gaps(data[variable], rule.longest_filled_gap_days)
        filled |= new
    for row, name in enumerate(names):
        if filled[row].any():
            what = f"temperature filled between its neighbours on {int(filled[row].sum())} days "
            what += f"({_dates(weather, filled[row])})"
            problems.append(Problem("climate", name, what, "repaired", "Nothing to do if the gaps are few."))
        for variable, label in (("precip_mm", "precipitation"), ("tmin_c", "temperature")):
            gone = np.isnan(data[variable][row])
            if gone.any():
                what = f"{label} missing on {int(gone.sum())} days ({_dates(weather, gone)}); not filled"
                fix = "Seasons with such a day are not used. Take a longer record or a gridded one."
                problems.append(Problem("climate", name, what, "warning", fix))
    out = weather.assign({n: (weather[n].dims, array, weather[n].attrs) for n, array in data.items()})
    out = out.assign_coords(temperature_filled=(("cell", "time"), filled))
    out.attrs["gap_rule"] = rule.name
    return out, problems


def _no_last_day(weather: xr.Dataset, data: dict[str, np.ndarray]) -> list[Problem]:
    """Repair sources with 365-day years, in which 31 December of every leap year does not exist."""
    year, month, day = (weather[n].values for n in ("year", "month", "day"))
    leap = np.isin(year, np.unique(year[(month == 2) & (day == 29)]))
    last = leap & (month == 12) & (day == 31)
    if not last.any() or not all(np.isnan(data[v][:, last]).all() for v in REQUIRED):
        return []
    if np.isnan(data["precip_mm"][:, (month == 12) & (day == 31) & ~leap]).all():
        return []
    data["precip_mm"][:, last] = 0.0
    what = f"31 December is not in the source in leap years (365-day years): {int(last.sum())} days without rain"
    return [Problem("climate", "all cells", what, "repaired", "Nothing to do: the source defines its years so.")]


def fill_short_gaps(values: np.ndarray, longest_days: int) -> tuple[np.ndarray, np.ndarray]:
    """Return values ``(cell, day)`` with gaps up to `longest_days` filled by straight lines, and which were filled.

    Gaps at the ends of the record and longer ones stay missing throughout.
    """
    missing = np.isnan(values)
    position = np.arange(values.shape[1])
    before = np.maximum.accumulate(np.where(missing, -1, position), axis=1)
    after = np.minimum.accumulate(np.where(missing, values.shape[1], position)[:, ::-1], axis=1)[:, ::-1]
    fill = missing & (before >= 0) & (after < values.shape[1]) & (after - before - 1 <= longest_days)
    cell, day = np.nonzero(fill)
    left, right = before[cell, day], after[cell, day]
    share = (day - left) / (right - left)
    out = values.copy()
    out[cell, day] = values[cell, left] * (1.0 - share) + values[cell, right] * share
    return out, fill


def usable_years(weather: xr.Dataset, calendar: Calendar, rule: GapRule | None = None) -> xr.DataArray:
    """Return which seasons the gap rule admits.

    A season runs from the run-in before harvest to the next planting. It is used when no day of it lacks
    precipitation or temperature and not more than `most_filled_days` temperatures were filled.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily weather, dims ``(cell, time)``, from `clean_daily`.
    calendar : Calendar
    rule : GapRule, optional

    Returns
    -------
    xarray.DataArray of bool
        Dims ``(cell, year)``; `year` is the harvest year.

    Raises
    ------
    StudyError
        When the record holds no season from end to end.
    """
    rule = rule or GapRule()
    seasons = index_seasons(weather, calendar)

    def count(days: np.ndarray) -> np.ndarray:
        total = np.concatenate([np.zeros((days.shape[0], 1), int), np.cumsum(days, axis=1)], axis=1)
        return total[:, seasons.stop + 1] - total[:, seasons.start]

    gone = np.any([np.isnan(weather[v].transpose("cell", "time").values) for v in REQUIRED], axis=0)
    use = count(gone) == 0
    if "temperature_filled" in weather.coords:
        use &= count(weather["temperature_filled"].transpose("cell", "time").values) <= rule.most_filled_days
    return xr.DataArray(use, dims=("cell", "year"), coords={"year": seasons.year}, name="usable")


def common_years(usable: xr.DataArray, least_years: int = 10) -> tuple[np.ndarray, np.ndarray, list[Problem]]:
    """Return the cells kept and the harvest years that all of them may use.

    All units are compared on the same years. The cell with the fewest usable years is left out, repeatedly, until
    the rest share `least_years`, or as many as the fullest cell has where the whole record is shorter: ten years hold
    nine seasons, and a short record must not leave out every cell but one.

    Parameters
    ----------
    usable : xarray.DataArray of bool
        Dims ``(cell, year)``, from `usable_years`.
    least_years : int
        Harvest years that the cells are to share.

    Returns
    -------
    cells : numpy.ndarray of int
        Positions of the cells kept.
    years : numpy.ndarray of int
        Harvest years.
    problems : list of Problem
        The cells left out.
    """
    use = usable.transpose("cell", "year").values
    cells = np.arange(use.shape[0])
    problems: list[Problem] = []
    wanted = min(least_years, int(use.sum(axis=1).max(initial=0)))
    while cells.size > 1 and use[cells].all(axis=0).sum() < wanted:
        worst = cells[np.argmin(use[cells].sum(axis=1))]
        what = f"only {int(use[worst].sum())} seasons without gaps"
        problems.append(Problem("climate", f"cell {worst}", what, "left out", "Take a fuller record for this place."))
        cells = cells[cells != worst]
    return cells, usable["year"].values[use[cells].all(axis=0)], problems
