"""The columns of the soil survey tables, checked before anything is computed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from geo.errors import Problem, StudyError


@dataclass(frozen=True, slots=True)
class SurveyTables:
    """Soil survey tables with text keys, float values, and every column present."""

    map_units: pd.DataFrame
    components: pd.DataFrame
    horizons: pd.DataFrame
    restrictions: pd.DataFrame


@dataclass(frozen=True, slots=True)
class Column:
    """What a column of a survey table holds.

    Attributes
    ----------
    name : str
    kind : {"key", "text", "number"}
        A row without a key is left out; text and numbers may be missing.
    low, high : float
        Limits of a number, both allowed; a value outside becomes missing.
    required : bool
        The table cannot be used without this column.
    """

    name: str
    kind: Literal["key", "text", "number"]
    low: float = -np.inf
    high: float = np.inf
    required: bool = False


def _key(name: str) -> Column:
    return Column(name, "key", required=True)


def _text(name: str, required: bool = False) -> Column:
    return Column(name, "text", required=required)


def _number(name: str, low: float, high: float, required: bool = False) -> Column:
    return Column(name, "number", low, high, required)


# Limits: the survey's own domain limits of each column (tabular metadata, mstabcol), except the percentages.
SURVEY_COLUMNS: dict[str, tuple[Column, ...]] = {
    "mapunit": (_key("mukey"), _text("musym"), _text("muname")),
    "component": (
        _key("mukey"),
        _key("cokey"),
        _number("comppct_r", 0, 100, required=True),
        _text("compname", required=True),
        _text("compkind"),
        _number("slope_r", 0, 999),
        _text("drainagecl"),
        _text("hydgrp"),
        _text("taxorder"),
    ),
    "chorizon": (
        _key("cokey"),
        _text("hzname"),
        _text("desgnmaster"),
        _number("hzdept_r", 0, 9999, required=True),
        _number("hzdepb_r", 0, 9999, required=True),
        _number("awc_r", 0, 0.70, required=True),
        _number("sandtotal_r", 0, 100),
        _number("claytotal_r", 0, 100),
        _number("om_r", 0, 100),
        _number("ksat_r", 0, 705),
        _number("dbthirdbar_r", 0.02, 2.6),
        _number("wthirdbar_r", 0, 100),
        _number("wfifteenbar_r", 0, 100),
        _number("wsatiated_r", 0, 100),
        _number("fraggt10_r", 0, 100),
        _number("frag3to10_r", 0, 100),
        _number("sieveno10_r", 0, 100),
    ),
    "corestrictions": (
        _key("cokey"),
        _text("reskind", required=True),
        _number("resdept_r", 0, 9999, required=True),
    ),
}


def clean_key(values: pd.Series) -> pd.Series:
    """Return keys as trimmed text; a whole number read as a float loses its ``.0``.

    Parameters
    ----------
    values : Series
        Text or numbers; missing values become "".

    Returns
    -------
    Series of str
    """
    return values.astype("string").fillna("").str.strip().str.replace(r"\.0+$", "", regex=True).astype(object)


def check_table(name: str, frame: pd.DataFrame) -> tuple[pd.DataFrame, list[Problem]]:
    """Bring one survey table to the columns of `SURVEY_COLUMNS`.

    Values that are not numbers or are outside the survey's own limits become missing and are listed; rows without a
    key are left out and listed; columns that may be absent are added empty.

    Parameters
    ----------
    name : str
        ``mapunit``, ``component``, ``chorizon`` or ``corestrictions``.
    frame : DataFrame
        Survey column names; dots for underscores and capitals are accepted.

    Returns
    -------
    table : DataFrame
        The columns of `SURVEY_COLUMNS`, in that order.
    problems : list of Problem

    Raises
    ------
    StudyError
        When a required column is missing.
    """
    columns, problems = SURVEY_COLUMNS[name], []
    frame = frame.rename(columns=lambda c: str(c).strip().lower().replace(".", "_"))
    missing = [c.name for c in columns if c.required and c.name not in frame.columns]
    if missing:
        raise StudyError(
            f"The soil table {name} has no column {', '.join(missing)}.",
            where=f"columns found: {', '.join(map(str, list(frame.columns)[:12]))}",
            fix="Use the survey's tables with their own column names.",
        )
    out = {}
    for column in columns:
        values = frame.get(column.name, pd.Series(np.nan, index=frame.index, dtype=object))
        if column.kind == "key":
            out[column.name] = clean_key(values)
        elif column.kind == "number":
            out[column.name], listed = _check_numbers(name, column, values)
            problems += listed
        else:
            out[column.name] = values.astype("string").fillna("").str.strip().astype(object)
    table = pd.DataFrame(out, index=frame.index)
    keyless = (table[[c.name for c in columns if c.kind == "key"]] == "").any(axis=1)
    for at in table.index[keyless]:
        problems.append(Problem("soils", f"{name} row {at}", "has no key", "left out", "Complete the key columns."))
    return table[~keyless].reset_index(drop=True), problems


def _check_numbers(name: str, column: Column, values: pd.Series) -> tuple[pd.Series, list[Problem]]:
    """Return a column as numbers within its limits, the rest missing and listed."""
    numbers = pd.to_numeric(values, errors="coerce").astype(float)
    text = values.astype("string").str.strip().fillna("")
    wrong = numbers.isna() & ~text.isin(["", "NA", "nan", "None"])
    outside = numbers.notna() & ~numbers.between(column.low, column.high)
    problems = [_cell(name, at, column.name, text[at], "is not a number") for at in values.index[wrong]]
    problems += [
        _cell(name, at, column.name, f"{numbers[at]:g}", "is outside the limits") for at in values.index[outside]
    ]
    return numbers.mask(outside), problems


def _row(table: str, at: object) -> str:
    """Return the place of a row: the reader's own words (file and line) when it gave them."""
    return at if isinstance(at, str) else f"{table} row {at}"


def _cell(table: str, row: object, column: str, value: str, why: str) -> Problem:
    return Problem(
        "soils",
        f"{_row(table, row)}, {column}",
        f"value {value} {why}; treated as missing",
        "left out",
        "Correct the value in the table.",
    )


def check_survey_tables(
    map_units: pd.DataFrame,
    components: pd.DataFrame,
    horizons: pd.DataFrame,
    restrictions: pd.DataFrame | None,
) -> tuple[SurveyTables, list[Problem]]:
    """Check the four survey tables and their links; returns clean tables and what was left out."""
    if restrictions is None:
        restrictions = pd.DataFrame(columns=["cokey", "reskind", "resdept_r"])
    given = {
        "mapunit": map_units,
        "component": components,
        "chorizon": horizons,
        "corestrictions": restrictions,
    }
    tables: dict[str, pd.DataFrame] = {}
    problems: list[Problem] = []
    for name, frame in given.items():
        tables[name], listed = check_table(name, frame if frame.index.is_unique else frame.reset_index(drop=True))
        problems += listed
    units = tables["mapunit"].drop_duplicates("mukey")
    parts = tables["component"].drop_duplicates("cokey")
    unnamed = parts["comppct_r"].isna()
    for row in parts[unnamed].itertuples():
        problems.append(
            Problem(
                "soils",
                f"{row.compname} in map unit {row.mukey}",
                "component has no percentage",
                "left out",
                "Fill comppct_r in the component table.",
            )
        )
    parts = parts[~unnamed]
    extra = sorted(set(parts["mukey"]) - set(units["mukey"]))
    for key in extra:
        problems.append(Problem("soils", f"map unit {key}", "has components but no row in the map unit table"))
    if extra:
        added = pd.DataFrame({"mukey": extra, "musym": "", "muname": ""})
        units = pd.concat([units, added], ignore_index=True)
    layers = tables["chorizon"][tables["chorizon"]["cokey"].isin(set(parts["cokey"]))]
    limits = tables["corestrictions"][tables["corestrictions"]["cokey"].isin(set(parts["cokey"]))]
    return SurveyTables(units, parts.reset_index(drop=True), layers.reset_index(drop=True), limits), problems
