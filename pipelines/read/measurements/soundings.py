"""A plain table of measured soil water: a small mapping of columns, units by metadata, bad rows listed."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from geo.errors import Problem, StudyError
from geo.options import OPTIONS
from geo.soils import volumetric
from pipelines.read.measurements.units import RANGES, factor, wrong_unit
from pipelines.read.table_text import find_columns, slashed_dates
from pipelines.study.unit_registry import unit_of_header

WATER_KEYS = ("volumetric", "gravimetric", "water_depth", "available_depth")
"""The columns of which a table has one: how its water was measured."""
COLUMNS: Mapping[str, tuple[str, ...]] = {
    "field_id": ("field_id", "field", "field_no", "plot"),
    "longitude": ("longitude", "lon", "x"),
    "latitude": ("latitude", "lat", "y"),
    "date": ("date", "datetime", "day", "time"),
    "top": ("top", "depth_top", "top_depth", "from", "upper"),
    "bottom": ("bottom", "depth_bottom", "bottom_depth", "to", "lower"),
    "option": ("option", "treatment", "cover"),
    "volumetric": ("volumetric", "vwc", "theta", "theta_v", "volumetric_water"),
    "gravimetric": ("gravimetric", "gwc", "theta_g", "gravimetric_water"),
    "bulk_density": ("bulk_density", "density", "db"),
    "water_depth": ("water_depth", "water", "total_water"),
    "available_depth": ("available_depth", "available_water", "plant_available_water", "paw"),
    "wilting_point": ("wilting_point", "wp", "wilting"),
}
"""Our name of each column and the usual ones, by which it is found when the study file names none."""
FRAME = ("row", "field_id", "longitude", "latitude", "date", "option", "top_mm", "bottom_mm", "content", "wilting")
_UNIT_KEY = {"top": "depth", "bottom": "depth"}
_MISSING = ("", "na", "nan", "null", "none", "-")
_MANY = 20  # rows of one kind that are listed one by one
_FEW = 0.5  # share of rows against their unit from which the unit itself is doubted (common practice, no source)


def left_out(file: str, lines: Iterable[int], what: str, fix: str = "") -> Problem:
    """Return the problem of rows that are left out, each named by its line, neighbours as a range."""
    return Problem("measurements", f"{file}, {line_ranges(lines)}", what, "left out", fix)


def line_ranges(lines: Iterable[int]) -> str:
    """Return lines as text, such as ``line 6`` or ``lines 6 to 20, 25``."""
    ordered = np.unique(np.fromiter(lines, int))
    runs = np.split(ordered, np.flatnonzero(np.diff(ordered) > 1) + 1)
    shown = [f"{run[0]} to {run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs]
    return f"line{'' if len(ordered) == 1 else 's'} {', '.join(shown)}"


@dataclass
class _Table:
    """The text of the file by column, the line of each row, and the rows that fell out."""

    path: Path
    text: pd.DataFrame
    line: np.ndarray
    columns: dict[str, str]
    units: dict[str, str]
    problems: list[Problem] = field(default_factory=list)
    lost: set[int] = field(default_factory=set)

    def drop(self, bad: np.ndarray, what: str, fix: str = "") -> None:
        """List rows that are bad for the first time; very many of one kind (gaps of a sensor) in one problem."""
        new = [int(k) for k in np.flatnonzero(bad) if k not in self.lost]
        self.lost.update(new)
        if len(new) > _MANY:
            said = what.replace(": {value}", "")
            self.problems.append(left_out(self.path.name, self.line[new], f"{said} ({len(new):,} rows)", fix))
            return
        for k in new:
            shown = what.replace("{value}", " / ".join(v for v in self.text.iloc[k] if v)[:80])
            self.problems.append(left_out(self.path.name, self.line[[k]], shown, fix))

    def kept(self) -> np.ndarray:
        keep = np.ones(len(self.text), bool)
        keep[list(self.lost)] = False
        return keep

    def column(self, key: str) -> pd.Series:
        return self.text[self.columns[key]]


@dataclass(frozen=True, slots=True)
class Measurements:
    """Readings of soil water in SI units.

    `readings` has one row a reading, columns `FRAME`: line of the file, field id ("" = none), longitude and latitude
    (degrees, NaN = none), date, option, depths (mm), volumetric content (m3/m3) and the content at wilting point that
    came with it (m3/m3; NaN = that of the soil). `rows` are those of the file; those that are not in `readings` are
    listed, each with its line. `kind` is one of `WATER_KEYS`.
    """

    readings: pd.DataFrame
    rows: int
    kind: str


def read_measurements(
    path: Path,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    day_first: bool = False,
) -> tuple[Measurements, list[Problem]]:
    """Read measured soil water from a table of text; every row that is left out is listed with its line.

    Parameters
    ----------
    path : Path
        CSV with a header; comma, semicolon or tab; lines that begin with # are remarks.
    columns : mapping, optional
        Our name (keys of `COLUMNS`) to the column's; the usual names are found without.
    units : mapping, optional
        Our name (``depth`` for both depths) to a unit; without one, the unit in brackets in the column's header.
    day_first : bool
        Dates such as 03/04/2021 begin with the day.

    Raises
    ------
    StudyError
        The file cannot be read, a column or a unit is missing or unknown, or most values contradict their unit.
    """
    table = _load(path, dict(columns or {}), dict(units or {}))
    kind = _water_key(table)
    dates = _dates(table, day_first)
    top, bottom = _numbers(table, "top"), _numbers(table, "bottom")
    table.drop(~(bottom > top), "the lower depth is not below the upper: {value}", "Correct the depths.")
    option = _options(table)
    content = _content(table, kind, top, bottom)
    wilting = np.full(len(content), 0.0 if kind == "available_depth" else np.nan)
    if "wilting_point" in table.columns and kind != "available_depth":
        wilting = _numbers(table, "wilting_point", needed=False)
    longitude, latitude, name = _place(table)
    frame = pd.DataFrame(
        {
            "row": table.line, "field_id": name, "longitude": longitude, "latitude": latitude, "date": dates,
            "option": option, "top_mm": top, "bottom_mm": bottom, "content": content, "wilting": wilting,
        }
    )  # fmt: skip
    readings = frame[table.kept()].reset_index(drop=True)
    if readings.empty:
        raise StudyError(
            "No row of the measurements can be used.",
            str(path),
            table.problems[0].what if table.problems else "The table has a header and no rows.",
        )
    return Measurements(readings, len(frame), kind), table.problems


def _load(path: Path, mapping: dict[str, str], units: dict[str, str]) -> _Table:
    try:
        raw = path.read_text(encoding="utf-8-sig", errors="replace")
    except OSError as error:
        raise StudyError(
            f"The measurements cannot be read ({error.strerror}).", str(path), "Correct path under [measurements]."
        ) from None
    lines = [(k, line) for k, line in enumerate(raw.splitlines(), 1) if line.strip() and not line.startswith("#")]
    if not lines:
        raise StudyError("The table of measurements is empty.", str(path), "Give a CSV with a header.")
    separator = next((s for s in (",", ";", "\t") if s in lines[0][1]), ",")
    cells = [[c.strip() for c in next(csv.reader([line], delimiter=separator))] for _, line in lines]
    header, width = cells[0], len(cells[0])
    if len(set(header)) < width:
        raise StudyError("Two columns have the same name.", f"{path}, line {lines[0][0]}", "Rename one.")
    text = pd.DataFrame([(row + [""] * width)[:width] for row in cells[1:]], columns=header, dtype=str)
    table = _Table(path, text, np.array([k for k, _ in lines[1:]], int), {}, {})
    _find_columns(table, mapping, units)
    uneven = np.array([len(row) != width for row in cells[1:]], bool)
    table.drop(uneven, f"the row does not have {width} cells: {{value}}", "A comma inside a cell needs quotes.")
    return table


def _find_columns(table: _Table, mapping: dict[str, str], units: dict[str, str]) -> None:
    """Fill the table's columns and their units, from the study file or from the header."""
    header, where = list(table.text.columns), str(table.path)
    for key in mapping:
        if key not in COLUMNS:
            raise StudyError(f"Unknown column of measurements: {key!r}.", where, f"Use one of: {', '.join(COLUMNS)}.")
    allowed = [*dict.fromkeys(_UNIT_KEY.get(k, k) for k in RANGES)]
    for key in units:
        if key not in allowed:
            raise StudyError(f"{key!r} has no unit to give.", where, f"Units: {', '.join(allowed)}.")
    table.columns.update(find_columns(header, mapping, COLUMNS, where))
    missing = [k for k in ("date", "top", "bottom") if k not in table.columns]
    if missing:
        raise StudyError(
            f"The measurements have no column for {' and '.join(missing)}.",
            where,
            f'Name it: columns = {{ {missing[0]} = "..." }}. The columns are: {", ".join(header)}.',
        )
    place = {"longitude", "latitude"} <= set(table.columns)
    if not place and "field_id" not in table.columns:
        raise StudyError(
            "The measurements do not say where they were taken.", where, "Name field_id, or longitude and latitude."
        )
    for key, column in table.columns.items():
        if key in RANGES:
            table.units[key] = units.get(_UNIT_KEY.get(key, key), "") or unit_of_header(column)[1]


def _water_key(table: _Table) -> str:
    found = [k for k in WATER_KEYS if k in table.columns]
    if len(found) != 1:
        said = f"names {' and '.join(found)}" if found else "has no column of water"
        raise StudyError(
            f"The table of measurements {said}; it needs one kind.",
            str(table.path),
            f'Name one of {", ".join(WATER_KEYS)}, such as columns = {{ volumetric = "VWC" }}.',
        )
    if found[0] == "gravimetric" and "bulk_density" not in table.columns:
        raise StudyError(
            "Water by weight needs the bulk density of the soil.", str(table.path), "Name a column for bulk_density."
        )
    return found[0]


def _numbers(table: _Table, key: str, needed: bool = True) -> np.ndarray:
    """Return a column in our unit; rows without a number or outside what is possible are listed."""
    text = table.column(key).str.lower()
    blank = text.isin(_MISSING).to_numpy()
    values = pd.to_numeric(text, errors="coerce").to_numpy(float)
    values = np.where(np.isfinite(values), values, np.nan)
    column, name = table.columns[key], key.replace("_", " ")
    table.drop(np.isnan(values) & (needed | ~blank), f"no number under {column}: {{value}}")
    where = f"{table.path.name}: column {column}"
    out = values * factor(table.units[key], key, where, values)
    low, high = RANGES[key].limits
    outside = (out < low) | (out > high)
    known = np.isfinite(out)
    if known.any() and (outside[known].mean() > _FEW or np.median(out[known]) < RANGES[key].doubtful_below):
        raise wrong_unit(values[known], key, table.units[key], where)
    fix = f"{name} from {low:g} to {high:g} {RANGES[key].unit} is possible; correct the value or its unit."
    table.drop(outside, f"{name} contradicts its unit ({table.units[key]}): {{value}}", fix)
    return out


def _content(table: _Table, kind: str, top: np.ndarray, bottom: np.ndarray) -> np.ndarray:
    """Return the water by volume, m3/m3 (of available water, where that was given)."""
    values = _numbers(table, kind)
    if kind == "volumetric":
        return values
    with np.errstate(invalid="ignore", divide="ignore"):
        content = (
            volumetric(values, _numbers(table, "bulk_density")) if kind == "gravimetric" else values / (bottom - top)
        )
        high = RANGES["volumetric"].limits[1]
        table.drop(
            content > high, "more water than the soil has room for: {value}", "Correct the water, or its depth."
        )
    return content


def _options(table: _Table) -> np.ndarray:
    """Return the option of each row; stubble where none is named."""
    if "option" not in table.columns:
        return np.full(len(table.text), "stubble", dtype=object)
    named = table.column("option").str.lower().str.replace(r"[\s-]+", "_", regex=True)
    named = named.where(~named.isin(_MISSING), "stubble")
    table.drop(~named.isin(OPTIONS).to_numpy(), "no such option: {value}", f"Use one of: {', '.join(OPTIONS)}.")
    return named.to_numpy(dtype=object)


def _place(table: _Table) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    none = np.full(len(table.text), np.nan)
    longitude, latitude = none, none.copy()
    if {"longitude", "latitude"} <= set(table.columns):
        longitude, latitude = (
            pd.to_numeric(table.column(k), errors="coerce").to_numpy(float) for k in ("longitude", "latitude")
        )
        given = (table.column("longitude") != "").to_numpy() | (table.column("latitude") != "").to_numpy()
        good = (np.abs(longitude) <= 180) & (np.abs(latitude) <= 90)
        table.drop(given & ~good, "no place in degrees: {value}", "Give longitude and latitude in degrees.")
    name = table.column("field_id") if "field_id" in table.columns else pd.Series("", index=table.text.index)
    nowhere = (name == "").to_numpy() & ~np.isfinite(longitude)
    table.drop(nowhere, "neither a field nor a place: {value}", "Give the field's id, or longitude and latitude.")
    return longitude, latitude, name.to_numpy(dtype=object)


def _dates(table: _Table, day_first: bool) -> np.ndarray:
    """Return the day of each row: YYYY-MM-DD, or with slashes, month first unless `day_first`; without hours."""
    text = table.column("date")
    iso = text.str.extract(r"^(\d{4}-\d{1,2}-\d{1,2})(?:$|[T ])")[0].astype("string")
    dates = pd.to_datetime(iso, format="%Y-%m-%d", errors="coerce")
    dates = dates.fillna(slashed_dates(text, day_first, str(table.path)))
    table.drop(dates.isna().to_numpy(), "no valid date: {value}", "Write dates as YYYY-MM-DD.")
    return dates.to_numpy()
