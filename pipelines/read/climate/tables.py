"""Plain weather tables with a small mapping, and the single-pixel extract of Daymet."""

from __future__ import annotations

import gzip
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from geo.errors import StudyError
from pipelines.read.climate.build import Context, Query
from pipelines.read.climate.products import variables
from pipelines.read.climate.units import missing_units, to_contract
from pipelines.read.table_text import find_columns, slashed_dates
from pipelines.study.unit_registry import unit_of_header

_DATE_COLUMNS = {
    "date": ("date", "datetime", "day_date", "time"),
    "year": ("year", "yr"),
    "month": ("month", "mon", "mo"),
    "day": ("day", "dom"),
    "yday": ("yday", "doy", "jday"),
}
_PLACE_COLUMNS = {
    "station": ("station", "station_id", "id"),
    "latitude": ("latitude", "lat"),
    "longitude": ("longitude", "lon"),
}
_TRACE = ("t", "trace")


@dataclass(frozen=True, slots=True)
class Station:
    """One station with its table in source units: index date (or month 1 to 12), columns variable keys.

    What the file does not say is empty or NaN.
    """

    id: str
    table: pd.DataFrame
    name: str = ""
    latitude: float = np.nan
    longitude: float = np.nan
    elevation_m: float = np.nan


def read_plain(path: Path, query: Query, options: dict[str, Any], context: Context) -> list[Station]:
    """Read a table of daily weather: one station, or several where it has a station column.

    Columns are named by the study file (names, or numbers from 1), else by the usual names with the unit in brackets,
    such as ``Tmin(C)``. Units come from the study file, else from the brackets; a column without either is an error.
    """
    return _stations(_load(path, options), query, bool(options.get("day_first", False)), path, context)


def _stations(table: pd.DataFrame, query: Query, day_first: bool, path: Path, context: Context) -> list[Station]:
    named_dates = set(query.mapping) & set(_DATE_COLUMNS)
    usual = {key: variable.names for key, variable in variables().items()} | _PLACE_COLUMNS
    columns = find_columns(table.columns, query.mapping, usual if named_dates else _DATE_COLUMNS | usual, str(path))
    dates = _dates(table, columns, day_first, path)
    bad = dates.isna()
    if bad.all():
        raise StudyError(
            "No row has a valid date.",
            str(path),
            'Name the column: variables = { date = "..." }, dates as YYYY-MM-DD.',
        )
    for row in np.flatnonzero(bad)[:10]:
        shown = " ".join(str(table[columns[k]].iloc[row]) for k in _DATE_COLUMNS if k in columns)
        context.note(f"{path.name}, row {row + 1}", f"no valid date: {shown}", "left out")
    if bad.sum() > 10:
        context.note(path.name, f"{int(bad.sum())} rows have no valid date in all", "left out")
    data = pd.DataFrame(index=table.index)
    for key in (k for k in columns if k in variables() and k != "elevation_m"):
        data[key] = _numbers(table[columns[key]], key, query.fill, path, context)
        context.units[key] = query.units.get(key) or unit_of_header(str(columns[key]))[1]
        if not context.units[key].strip():
            where = f"{path.name}: column {columns[key]}"
            raise missing_units(data[key].to_numpy(), variables()[key], "daily", where)
    none = pd.Series("", table.index)
    station = table[columns["station"]].str.strip() if "station" in columns else none
    out = []
    for name, rows in data[~bad].groupby(station[~bad], sort=False):
        stamps = pd.DatetimeIndex(dates.loc[rows.index])
        twice = int(stamps.duplicated().sum())
        if twice:
            context.note(str(name or path.name), f"{twice} dates come twice; the first row counts", "left out")
        part = rows.set_index(stamps)[~stamps.duplicated()].sort_index()
        first = table.loc[rows.index[0]]
        shown = str(first[columns["name"]]) if "name" in columns else ""
        latitude, longitude = (_number(first, columns, k) for k in ("latitude", "longitude"))
        elevation_m = _elevation(first, columns, query.units, path, context)
        out.append(Station(str(name), part, shown, latitude, longitude, elevation_m))
    return out


def _elevation(row: pd.Series, columns: dict[str, Any], units: dict[str, str], path: Path, context: Context) -> float:
    """Return the station's elevation in metres; without a unit it is left out, since feet and metres look alike."""
    value = _number(row, columns, "elevation_m")
    if np.isnan(value):
        return value
    column = str(columns["elevation_m"])
    named = "m" if column.lower() in ("elevation_m", "elev_m") else ""
    unit = units.get("elevation_m") or unit_of_header(column)[1] or named
    if not unit:
        context.note(f"{path.name}: {column}", "the elevation has no unit", "left out", 'units = { elevation = "m" }')
        return np.nan
    return float(to_contract(np.array(value), unit, "elevation_m", "fixed", f"{path.name}: {column}"))


def first_lines(path: Path, count: int) -> list[str]:
    """Return the first lines of a text file, gzipped or not."""
    opener = gzip.open if path.suffix.lower() == ".gz" else open
    try:
        with opener(path, "rt", encoding="utf-8-sig", errors="replace") as handle:
            return [line.rstrip("\r\n") for _, line in zip(range(count), handle, strict=False)]
    except (OSError, EOFError) as error:
        raise StudyError(f"The table cannot be read ({error}).", str(path), "Fetch it again.") from None


def _load(path: Path, options: dict[str, Any]) -> pd.DataFrame:
    header = None if options.get("header") is False else 0
    separator = options.get("separator")
    if separator is None:
        head = "\n".join(first_lines(path, 5))
        separator = next((s for s in (",", ";", "\t") if s in head), r"\s+")
    try:
        table = pd.read_csv(
            path, sep=separator, header=header, dtype=str, keep_default_na=False, skipinitialspace=True,
            encoding="utf-8-sig", engine="python" if separator == r"\s+" else None, comment="#",
        )  # fmt: skip
    except (ValueError, pd.errors.ParserError, UnicodeDecodeError) as error:
        raise StudyError(f"The table cannot be read ({error}).", str(path), "Give separator and header.") from None
    table.columns = [str(c).strip() if header == 0 else i + 1 for i, c in enumerate(table.columns)]
    return table


def _dates(table: pd.DataFrame, columns: dict[str, Any], day_first: bool, path: Path) -> pd.Series:
    def number(key: str) -> pd.Series:
        return pd.to_numeric(table[columns[key]], errors="coerce")

    if "date" in columns:
        text = table[columns["date"]].str.strip()
        for pattern, form in ((r"\d{8}", "%Y%m%d"), (r"\d{4}-\d{3}", "%Y-%j"), (r"\d{4}-\d{2}-\d{2}", "%Y-%m-%d")):
            if text.str.fullmatch(pattern).mean() > 0.5:
                return _real_days(pd.to_datetime(text, format=form, errors="coerce"), text.str[:4])
        if text.str.match(r"\d{1,2}/\d{1,2}/\d{4}").mean() > 0.5:
            return slashed_dates(text, day_first, str(path))
        return pd.to_datetime(text, format="ISO8601", errors="coerce").dt.normalize()
    if {"year", "month", "day"} <= set(columns):
        parts = pd.DataFrame({k: number(k) for k in ("year", "month", "day")})
        return pd.to_datetime(parts, errors="coerce")
    if {"year", "yday"} <= set(columns):
        stamp = (
            number("year").astype("Int64").astype(str) + "-" + number("yday").astype("Int64").astype(str).str.zfill(3)
        )
        return _real_days(pd.to_datetime(stamp, format="%Y-%j", errors="coerce"), stamp.str[:4])
    raise StudyError(
        "The table has no date.",
        str(path),
        'Name it: variables = { date = "..." } or year, month, day or year, yday.',
    )


def _real_days(dates: pd.Series, year: pd.Series) -> pd.Series:
    """Set days to missing that run over into the next year: day 366 of a year of 365 days."""
    return dates.where(dates.dt.year == pd.to_numeric(year, errors="coerce"))


def _numbers(text: pd.Series, key: str, fill: list[float], path: Path, context: Context) -> pd.Series:
    clean = text.astype(str).str.strip()
    if key == "precip_mm":
        trace = clean.str.lower().isin(_TRACE)
        if trace.any():
            context.note(path.name, f"{int(trace.sum())} days with a trace of rain", "repaired", "taken as 0")
            clean = clean.mask(trace, "0")
    values = pd.to_numeric(clean, errors="coerce").astype("float64")
    odd = values.isna() & ~clean.str.lower().isin(["", "nan", "na", "null", "none"])
    if odd.any():
        sample = ", ".join(sorted(set(clean[odd]))[:3])
        context.note(f"{path.name}: {key}", f"{int(odd.sum())} values are not numbers ({sample})", "left out")
    return values.mask(values.isin(fill))


def _number(row: pd.Series, columns: dict[str, Any], key: str) -> float:
    return float(pd.to_numeric(row[columns[key]], errors="coerce")) if key in columns else np.nan


def read_daymet_point(path: Path, context: Context) -> list[Station]:
    """Read a single-pixel extract: a preamble with place and elevation, then ``year,yday`` and columns with units.

    Daily radiation is the mean over daylight (W m-2) times the day length (s).
    """
    lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    start = next((i for i, line in enumerate(lines) if line.startswith("year,yday")), None)
    if start is None:
        raise StudyError(
            "The line 'year,yday,...' is missing.", str(path), "The file may be cut short: fetch it again."
        )
    table = pd.read_csv(path, skiprows=start, dtype=str, keep_default_na=False)
    column = {unit_of_header(c)[0]: c for c in table.columns}
    if {"srad", "dayl"} <= set(column):
        watts, seconds = (pd.to_numeric(table[column[name]]) for name in ("srad", "dayl"))
        table["solar (MJ/m^2/day)"] = (watts * seconds / 1e6).astype(str)
    table = table.drop(columns=[column[name] for name in ("srad", "dayl") if name in column])
    (station,) = _stations(table, Query(context.where, fill=list(context.product.fill)), False, path, context)
    preamble = " ".join(lines[:start])
    place = {}
    for key in ("Latitude", "Longitude", "Elevation"):
        found = re.search(rf"{key}:\s*(-?[\d.]+)", preamble)
        place[key] = float(found.group(1)) if found else np.nan
    # The preamble gives no name: the place is the name, so that two pixels never share an id.
    latitude, longitude, elevation_m = place.values()
    name = f"{latitude} {longitude}"
    return [replace(station, id=name, latitude=latitude, longitude=longitude, elevation_m=elevation_m)]
