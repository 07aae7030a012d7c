"""Plain weather tables with a small mapping, and the single-pixel extract of Daymet."""

from __future__ import annotations

import gzip
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from geo.errors import StudyError
from pipelines.read.climate.build import Context
from pipelines.read.climate.products import variables
from pipelines.read.climate.units import missing_units, to_contract
from pipelines.study.unit_registry import unit_of_header

_DATE_COLUMNS = {
    "date": ("date", "datetime", "day_date", "time"),
    "year": ("year", "yr"),
    "month": ("month", "mon", "mo"),
    "day": ("day", "dom"),
    "yday": ("yday", "doy", "jday"),
}
_TRACE = ("t", "trace")


def read_plain(
    path: Path,
    mapping: dict[str, Any],
    units: dict[str, str],
    fill: list[float],
    options: dict[str, Any],
    context: Context,
) -> list[dict[str, Any]]:
    """Read a table of daily weather.

    Columns are named by ``mapping`` (names, or numbers from 1), else by the usual names with the unit in brackets,
    such as ``Tmin(C)``. Units come from ``units``, else from the brackets; a column without either is an error.

    Returns
    -------
    list of dict
        One a station (one for the file when there is no station column).
    """
    table = _load(path, options)
    bracket = {c: unit_of_header(str(c)) for c in table.columns}
    columns = _columns(table, mapping, {c: name for c, (name, _) in bracket.items()}, path)
    dates = _dates(table, columns, bool(options.get("day_first", False)), path)
    bad = dates.isna()
    if bad.all():
        raise StudyError(
            "No row has a valid date.",
            str(path),
            'Name the column: variables = { date = "..." }, dates as YYYY-MM-DD.',
        )
    for row in np.flatnonzero(bad)[:10]:
        context.note(f"{path.name}, row {row + 1}", f"no valid date: {_shown(table, columns, row)}", "left out")
    if bad.sum() > 10:
        context.note(path.name, f"{int(bad.sum())} rows have no valid date in all", "left out")
    data = pd.DataFrame(index=table.index)
    for key, column in columns.items():
        if key not in variables() or key == "elevation_m":
            continue
        data[key] = _numbers(table[column], key, fill, path, context)
        unit = units.get(key) or bracket[column][1]
        if not unit.strip():
            raise missing_units(data[key].to_numpy(), variables()[key], "daily", f"{path.name}: column {column}")
        context.units[key] = unit
    station = (
        table[columns["station"]].astype(str).str.strip() if "station" in columns else pd.Series("", table.index)
    )
    out = []
    for name, rows in data[~bad].groupby(station[~bad], sort=False):
        stamps = pd.DatetimeIndex(dates.loc[rows.index])
        twice = stamps.duplicated()
        if twice.any():
            context.note(
                str(name or path.name), f"{int(twice.sum())} dates come twice; the first row counts", "left out"
            )
        part = rows.set_index(stamps)[~twice].sort_index()
        place = {k: _first_number(table.loc[rows.index[0]], columns, k) for k in ("latitude", "longitude")}
        elevation = _elevation(table.loc[rows.index[0]], columns, units, bracket, path, context)
        shown = str(table.loc[rows.index[0], columns["name"]]) if "name" in columns else None
        out.append({"id": str(name) or None, "name": shown, **place, "elevation_m": elevation, "table": part})
    return out


def _elevation(
    row: pd.Series,
    columns: dict[str, Any],
    units: dict[str, str],
    bracket: dict[Any, tuple[str, str]],
    path: Path,
    context: Context,
) -> float | None:
    """Return the station's elevation in metres; without a unit it is left out, since feet and metres look alike."""
    value = _first_number(row, columns, "elevation_m")
    if value is None:
        return None
    column = columns["elevation_m"]
    named = "m" if str(column).lower() in ("elevation_m", "elev_m") else ""
    unit = units.get("elevation_m") or bracket[column][1] or named
    if not unit:
        context.note(f"{path.name}: {column}", "the elevation has no unit", "left out", 'units = { elevation = "m" }')
        return None
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


def _columns(table: pd.DataFrame, mapping: dict[str, Any], bare: dict[Any, str], path: Path) -> dict[str, Any]:
    out: dict[str, Any] = {}
    position = dict(enumerate(table.columns, start=1))
    for key, wanted in mapping.items():
        column = position.get(wanted) if isinstance(wanted, int) else wanted
        if column not in table.columns:
            shown = ", ".join(str(c) for c in list(table.columns)[:20])
            raise StudyError(f"There is no column {wanted!r} (for {key}).", str(path), f"The columns are: {shown}.")
        out[key] = column
    names = {str(bare.get(c, c)).strip().lower(): c for c in table.columns}
    for key, usual in _DATE_COLUMNS.items():
        if not set(mapping) & set(_DATE_COLUMNS):
            found = next((names[n] for n in usual if n in names), None)
            if found is not None:
                out[key] = found
    for key, variable in variables().items():
        if key not in out:
            found = next((names[n] for n in variable.names if n in names), None)
            if found is not None:
                out[key] = found
    for key, usual in (
        ("station", ("station", "station_id", "id")),
        ("latitude", ("latitude", "lat")),
        ("longitude", ("longitude", "lon")),
    ):
        if key not in out:
            found = next((names[n] for n in usual if n in names), None)
            if found is not None:
                out[key] = found
    return out


def _dates(table: pd.DataFrame, columns: dict[str, Any], day_first: bool, path: Path) -> pd.Series:
    def number(key: str) -> pd.Series:
        return pd.to_numeric(table[columns[key]], errors="coerce")

    if "date" in columns:
        text = table[columns["date"]].str.strip()
        for pattern, form in ((r"\d{8}", "%Y%m%d"), (r"\d{4}-\d{3}", "%Y-%j"), (r"\d{4}-\d{2}-\d{2}", "%Y-%m-%d")):
            if text.str.fullmatch(pattern).mean() > 0.5:
                return _real_days(pd.to_datetime(text, format=form, errors="coerce"), text.str[:4])
        form = "%d/%m/%Y" if day_first else "%m/%d/%Y"
        if text.str.fullmatch(r"\d{1,2}/\d{1,2}/\d{4}").mean() > 0.5:
            first = pd.to_numeric(text.str.split("/").str.get(0), errors="coerce")
            if not day_first and (first > 12).any():
                raise StudyError(
                    "Some dates have a month above 12.", str(path), "If the day comes first, set day_first = true."
                )
            return pd.to_datetime(text, format=form, errors="coerce")
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


def _first_number(row: pd.Series, columns: dict[str, Any], key: str) -> float | None:
    if key not in columns:
        return None
    return float(pd.to_numeric(row[columns[key]], errors="coerce"))


def _shown(table: pd.DataFrame, columns: dict[str, Any], row: int) -> str:
    return " ".join(str(table[columns[k]].iloc[row]) for k in _DATE_COLUMNS if k in columns)


def read_daymet_point(path: Path, context: Context) -> list[dict[str, Any]]:
    """Read a single-pixel extract: a preamble with place and elevation, then ``year,yday`` and columns with units.

    Daily radiation is the mean over daylight (W m-2) times the day length (s).
    """
    lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    start = next((i for i, line in enumerate(lines) if line.startswith("year,yday")), None)
    if start is None:
        raise StudyError(
            "The line 'year,yday,...' is missing.", str(path), "The file may be cut short: fetch it again."
        )
    preamble = " ".join(lines[:start])
    place = {}
    for key, pattern in (
        ("latitude", r"Latitude:\s*(-?[\d.]+)"),
        ("longitude", r"Longitude:\s*(-?[\d.]+)"),
        ("elevation_m", r"Elevation:\s*(-?[\d.]+)"),
    ):
        found = re.search(pattern, preamble)
        place[key] = float(found.group(1)) if found else None
    table = pd.read_csv(path, skiprows=start)
    units: dict[str, str] = {}
    columns: dict[str, str] = {}
    for column in table.columns:
        name, units_text = unit_of_header(column)
        columns[name], units[name] = column, units_text
    stamp = table["year"].astype(int).astype(str) + "-" + table["yday"].astype(int).astype(str).str.zfill(3)
    index = pd.DatetimeIndex(pd.to_datetime(stamp, format="%Y-%j"))
    data = pd.DataFrame(index=index)
    for name, key in context.product.names.items():
        if name in columns:
            values = pd.to_numeric(table[columns[name]], errors="coerce")
            data[key] = values.mask(values.isin(context.product.fill)).to_numpy(dtype="float64")
            context.units[key] = units[name]
    if "srad" in columns and "dayl" in columns:
        energy = pd.to_numeric(table[columns["srad"]]) * pd.to_numeric(table[columns["dayl"]]) / 1e6
        data["solar_mj_m2_day"] = energy.to_numpy(dtype="float64")
        context.units["solar_mj_m2_day"] = "MJ/m^2/day"
    # The preamble gives no name: the place is the name, so that two pixels never share an id.
    return [{"id": f"{place['latitude']} {place['longitude']}", "name": None, **place, "table": data}]
