"""The schema of the soil survey tables, checked before anything is computed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pandera.pandas as pa

from geo.errors import Problem, StudyError


@dataclass(frozen=True, slots=True)
class SurveyTables:
    """Soil survey tables with text keys, float values, and every column present."""

    map_units: pd.DataFrame
    components: pd.DataFrame
    horizons: pd.DataFrame
    restrictions: pd.DataFrame


def _number(low: float, high: float) -> pa.Column:
    return pa.Column(float, pa.Check.in_range(low, high), nullable=True)


# Limits: the survey's own domain limits of each column (tabular metadata, mstabcol), except the percentages.
SCHEMAS: dict[str, pa.DataFrameSchema] = {
    "mapunit": pa.DataFrameSchema(
        {"mukey": pa.Column(object), "musym": pa.Column(object), "muname": pa.Column(object)}
    ),
    "component": pa.DataFrameSchema(
        {
            "mukey": pa.Column(object),
            "cokey": pa.Column(object),
            "comppct_r": _number(0, 100),
            "compname": pa.Column(object),
            "compkind": pa.Column(object),
            "slope_r": _number(0, 999),
            "drainagecl": pa.Column(object),
            "hydgrp": pa.Column(object),
            "taxorder": pa.Column(object),
        }
    ),
    "chorizon": pa.DataFrameSchema(
        {
            "cokey": pa.Column(object),
            "hzname": pa.Column(object),
            "desgnmaster": pa.Column(object),
            "hzdept_r": _number(0, 9999),
            "hzdepb_r": _number(0, 9999),
            "awc_r": _number(0, 0.70),
            "sandtotal_r": _number(0, 100),
            "claytotal_r": _number(0, 100),
            "om_r": _number(0, 100),
            "ksat_r": _number(0, 705),
            "dbthirdbar_r": _number(0.02, 2.6),
            "wthirdbar_r": _number(0, 100),
            "wfifteenbar_r": _number(0, 100),
            "wsatiated_r": _number(0, 100),
            "fraggt10_r": _number(0, 100),
            "frag3to10_r": _number(0, 100),
            "sieveno10_r": _number(0, 100),
        }
    ),
    "corestrictions": pa.DataFrameSchema(
        {"cokey": pa.Column(object), "reskind": pa.Column(object), "resdept_r": _number(0, 9999)}
    ),
}
REQUIRED = {
    "mapunit": ("mukey",),
    "component": ("mukey", "cokey", "comppct_r", "compname"),
    "chorizon": ("cokey", "hzdept_r", "hzdepb_r", "awc_r"),
    "corestrictions": ("cokey", "reskind", "resdept_r"),
}
KEYS = {
    "mapunit": ("mukey",),
    "component": ("mukey", "cokey"),
    "chorizon": ("cokey",),
    "corestrictions": ("cokey",),
}


def clean_key(values: pd.Series) -> pd.Series:
    """Return keys as trimmed text; a whole number read as a float loses its ``.0``."""
    return values.astype("string").fillna("").str.strip().str.replace(r"\.0+$", "", regex=True).astype(object)


def check_table(name: str, frame: pd.DataFrame) -> tuple[pd.DataFrame, list[Problem]]:
    """Bring one survey table to its schema.

    Values outside the survey's own limits become missing and are listed; rows without a key are left out
    and listed; columns that may be absent are added empty.

    Parameters
    ----------
    name : str
        ``mapunit``, ``component``, ``chorizon`` or ``corestrictions``.
    frame : DataFrame
        Survey column names; dots for underscores and capitals are accepted.

    Raises
    ------
    StudyError
        When a required column is missing.
    """
    schema, problems = SCHEMAS[name], []
    frame = frame.rename(columns=lambda c: str(c).strip().lower().replace(".", "_"))
    missing = [c for c in REQUIRED[name] if c not in frame.columns]
    if missing:
        raise StudyError(
            f"The soil table {name} has no column {', '.join(missing)}.",
            where=f"columns found: {', '.join(map(str, list(frame.columns)[:12]))}",
            fix="Use the survey's tables with their own column names.",
        )
    out = {}
    for column, spec in schema.columns.items():
        values = frame.get(column, pd.Series(np.nan, index=frame.index, dtype=object))
        if column in KEYS[name]:
            out[column] = clean_key(values)
        elif spec.dtype.type is np.dtype("float64"):
            numbers = pd.to_numeric(values, errors="coerce").astype(float)
            text = values.astype("string").str.strip().fillna("")
            for at in frame.index[numbers.isna() & ~text.isin(["", "NA", "nan", "None"])]:
                problems.append(_cell(name, at, column, text[at], "is not a number"))
            out[column] = numbers
        else:
            out[column] = values.astype("string").fillna("").str.strip().astype(object)
    table = pd.DataFrame(out, index=frame.index)
    try:
        table = schema.validate(table, lazy=True)
    except pa.errors.SchemaErrors as errors:
        cases = errors.failure_cases
        for case in cases[cases["index"].notna()].itertuples():
            problems.append(
                _cell(name, case.index, str(case.column), f"{case.failure_case:g}", "is outside the limits")
            )
            table.loc[case.index, case.column] = np.nan
        table = schema.validate(table, lazy=True)
    keyless = (table[list(KEYS[name])] == "").any(axis=1)
    for at in table.index[keyless]:
        problems.append(Problem("soils", f"{name} row {at}", "has no key", "left out", "Complete the key columns."))
    return table[~keyless].reset_index(drop=True), problems


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
