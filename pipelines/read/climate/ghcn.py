"""The three layouts of GHCN-Daily: fixed-width station files, long CSV, wide CSV with attributes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from geo.errors import StudyError
from pipelines.read.climate.build import Context

_ELEMENTS = {"PRCP": "precip_mm", "TMIN": "tmin_c", "TMAX": "tmax_c"}
_MISSING = -9999


def read(path: Path, context: Context) -> list[dict[str, Any]]:
    """Read one file; values stay in tenths (the product's unit), values with a quality flag become missing.

    Returns
    -------
    list of dict
        ``id``, ``table`` (index date, columns variable keys) and, where the layout has them, ``latitude``,
        ``longitude``, ``elevation_m``, ``name``.
    """
    places: dict[str, dict[str, Any]] = {}
    if path.suffix.lower() == ".dly":
        long = _read_dly(path)
    else:
        header = pd.read_csv(path, nrows=0)
        if (
            str(header.columns[0]).upper() == "STATION"
            and "DATE" in header.columns
            and "ELEMENT" not in header.columns
        ):
            long, places = _read_wide(path)
        else:
            long, places = _read_long(path)
    return _stations(long, places, path, context)


def _stations(
    long: pd.DataFrame, places: dict[str, dict[str, Any]], path: Path, context: Context
) -> list[dict[str, Any]]:
    long = long[long["element"].isin(_ELEMENTS)].copy()
    long["value"] = pd.to_numeric(long["value"], errors="coerce")
    long.loc[long["value"] == _MISSING, "value"] = np.nan
    _whole_numbers(long["value"], path)
    flagged = long["quality"].fillna("").astype(str).str.strip().ne("") & long["value"].notna()
    for station, count in flagged.groupby(long["id"]).sum().items():
        if count:
            context.note(str(station), f"{count} values failed the archive's quality checks", "left out")
    long.loc[flagged, "value"] = np.nan
    broken = long["date"].isna()
    if broken.any():
        context.note(path.name, f"{int(broken.sum())} rows have no valid date", "left out")
    out = []
    for station, rows in long[~broken].groupby("id", sort=False):
        wide = rows.drop_duplicates(["date", "element"]).pivot(index="date", columns="element", values="value")
        table = wide.rename(columns=_ELEMENTS)
        table.columns.name = None
        out.append({"id": str(station), **places.get(str(station), {}), "table": table.sort_index()})
    return out


def _whole_numbers(values: pd.Series, path: Path) -> None:
    """Refuse decimals: the archive stores whole tenths, the order form exports scaled values under the same names."""
    known = values.dropna()
    decimals = known[known % 1 != 0]
    if len(decimals):
        raise StudyError(
            f"{len(decimals)} values have decimals (as {decimals.iloc[0]:g}), but this layout stores whole tenths "
            "of a millimetre and of a degree; the file was probably exported in other units.",
            str(path),
            'Name columns and units in the study file: variables = { date = "DATE", precip = "PRCP", tmin = "TMIN", '
            'tmax = "TMAX" }, units = { precip = "inch", tmin = "degF", tmax = "degF" } (or mm and degC).',
        )


def _read_dly(path: Path) -> pd.DataFrame:
    """Read fixed width: station 1-11, year 12-15, month 16-17, element 18-21, 31 times value 5 and flags."""
    spans = [(0, 11), (11, 15), (15, 17), (17, 21)]
    names = ["id", "year", "month", "element"]
    for day in range(31):
        start = 21 + 8 * day
        spans += [(start, start + 5), (start + 6, start + 7)]
        names += [f"v{day + 1}", f"q{day + 1}"]
    wide = pd.read_fwf(path, colspecs=spans, names=names, header=None, dtype=str, keep_default_na=False)
    wide = wide[wide["element"].isin(_ELEMENTS)]
    pieces = []
    for day in range(1, 32):
        piece = wide[["id", "year", "month", "element"]].copy()
        piece["value"], piece["quality"] = wide[f"v{day}"], wide[f"q{day}"]
        stamp = wide["year"] + "-" + wide["month"].str.zfill(2) + f"-{day:02d}"
        piece["date"] = pd.to_datetime(stamp, format="%Y-%m-%d", errors="coerce")
        pieces.append(piece[piece["date"].notna()])  # 30 February is part of the layout, not an error
    if not pieces or wide.empty:
        raise StudyError("No PRCP, TMIN or TMAX lines.", str(path), "Check that this is a GHCN-Daily station file.")
    return pd.concat(pieces, ignore_index=True)


def _read_long(path: Path) -> tuple[pd.DataFrame, dict[str, dict[str, Any]]]:
    first = pd.read_csv(path, header=None, nrows=1, dtype=str).iloc[0]
    has_header = str(first.iloc[0]).strip().upper() in ("ID", "STATION")
    table = pd.read_csv(path, header=0 if has_header else None, dtype=str, keep_default_na=False)
    if table.shape[1] < 6:
        raise StudyError(
            f"A long GHCN-Daily table has 8 columns; this one has {table.shape[1]}.", str(path), "Fetch it again."
        )
    long = pd.DataFrame(
        {
            "id": table.iloc[:, 0].str.strip(),
            "date": pd.to_datetime(table.iloc[:, 1].str.strip(), format="%Y%m%d", errors="coerce"),
            "element": table.iloc[:, 2].str.strip(),
            "value": table.iloc[:, 3],
            "quality": table.iloc[:, 5],
        }
    )
    places: dict[str, dict[str, Any]] = {}
    columns = {str(c).upper(): c for c in table.columns}
    if has_header and {"LATITUDE", "LONGITUDE"} <= set(columns):
        for station, rows in table.groupby(long["id"], sort=False):
            places[str(station)] = _place(rows.iloc[0], columns)
    return long, places


def _read_wide(path: Path) -> tuple[pd.DataFrame, dict[str, dict[str, Any]]]:
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    pieces = []
    for element in (e for e in _ELEMENTS if e in table):
        flags = table.get(f"{element}_ATTRIBUTES", pd.Series("", index=table.index))
        pieces.append(
            pd.DataFrame(
                {
                    "id": table["STATION"].str.strip(),
                    "date": pd.to_datetime(table["DATE"].str.strip(), format="%Y-%m-%d", errors="coerce"),
                    "element": element,
                    "value": table[element],
                    "quality": flags.str.split(",").str.get(1),
                }
            )
        )
    if not pieces:
        raise StudyError("No PRCP, TMIN or TMAX column.", str(path), "Check that this is a GHCN-Daily table.")
    columns = {str(c).upper(): c for c in table.columns}
    places = {}
    if {"LATITUDE", "LONGITUDE"} <= set(columns):
        places = {str(s): _place(rows.iloc[0], columns) for s, rows in table.groupby(table["STATION"].str.strip())}
    return pd.concat(pieces, ignore_index=True), places


def _place(row: pd.Series, columns: dict[str, Any]) -> dict[str, Any]:
    place: dict[str, Any] = {}
    for ours, theirs in (("latitude", "LATITUDE"), ("longitude", "LONGITUDE"), ("elevation_m", "ELEVATION")):
        place[ours] = float(pd.to_numeric(row[columns[theirs]], errors="coerce")) if theirs in columns else np.nan
    place["name"] = str(row[columns["NAME"]]).strip() if "NAME" in columns else None
    return place


def read_station_list(path: Path) -> pd.DataFrame:
    """Read the archive's list: id 1-11, latitude 13-20, longitude 22-30, elevation 32-37, name 42-71."""
    table = pd.read_fwf(
        path,
        colspecs=[(0, 11), (12, 20), (21, 30), (31, 37), (41, 71)],
        names=["station", "latitude", "longitude", "elevation_m", "name"],
        header=None,
        dtype={"station": str, "name": str},
    )
    return table.set_index("station")
