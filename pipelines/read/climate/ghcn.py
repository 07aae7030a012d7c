"""The three layouts of GHCN-Daily: fixed-width station files, long CSV, wide CSV with attributes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from geo.errors import StudyError
from pipelines.read.climate.build import Context
from pipelines.read.climate.tables import Station


def read(path: Path, context: Context) -> list[Station]:
    """Read one file; values stay in tenths (the product's unit), values with a quality flag become missing."""
    elements = dict(context.product.names)
    places: dict[str, dict[str, Any]] = {}
    if path.suffix.lower() == ".dly":
        long = _read_dly(path, list(elements))
    else:
        long, places = _read_csv(path, list(elements))
    long = long[long["element"].isin(elements)].copy()
    values = pd.to_numeric(long["value"], errors="coerce")
    values = values.mask(values.isin(context.product.fill))
    _whole_numbers(values, path)
    flagged = long["quality"].fillna("").astype(str).str.strip().ne("") & values.notna()
    for station, count in flagged.groupby(long["id"]).sum().items():
        if count:
            context.note(str(station), f"{count} values failed the archive's quality checks", "left out")
    long["value"] = values.mask(flagged)
    broken = long["date"].isna()
    if broken.any():
        context.note(path.name, f"{int(broken.sum())} rows have no valid date", "left out")
    out = []
    for station, rows in long[~broken].groupby("id", sort=False):
        wide = rows.drop_duplicates(["date", "element"]).pivot(index="date", columns="element", values="value")
        table = wide.rename(columns=elements).rename_axis(columns=None).sort_index()
        out.append(Station(str(station), table, **places.get(str(station), {})))
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


def _read_dly(path: Path, elements: list[str]) -> pd.DataFrame:
    """Read fixed width: station 1-11, year 12-15, month 16-17, element 18-21, 31 times value 5 and flags."""
    spans = [(0, 11), (11, 15), (15, 17), (17, 21)]
    names = ["id", "year", "month", "element"]
    for day in range(31):
        start = 21 + 8 * day
        spans += [(start, start + 5), (start + 6, start + 7)]
        names += [f"v{day + 1}", f"q{day + 1}"]
    wide = pd.read_fwf(path, colspecs=spans, names=names, header=None, dtype=str, keep_default_na=False)
    if not wide["element"].isin(elements).any():
        raise StudyError("No PRCP, TMIN or TMAX lines.", str(path), "Check that this is a GHCN-Daily station file.")
    pieces = []
    for day in range(1, 32):
        piece = wide[["id", "element"]].assign(value=wide[f"v{day}"], quality=wide[f"q{day}"])
        stamp = wide["year"] + "-" + wide["month"].str.zfill(2) + f"-{day:02d}"
        piece["date"] = pd.to_datetime(stamp, format="%Y-%m-%d", errors="coerce")
        pieces.append(piece[piece["date"].notna()])  # 30 February is part of the layout, not an error
    return pd.concat(pieces, ignore_index=True)


def _read_csv(path: Path, elements: list[str]) -> tuple[pd.DataFrame, dict[str, dict[str, Any]]]:
    """Return one row a value (id, date, element, value, quality) and, where the file has them, the places."""
    first = str(pd.read_csv(path, header=None, nrows=1, dtype=str).iloc[0, 0]).strip().upper()
    headed = first in ("ID", "STATION")
    table = pd.read_csv(path, header=0 if headed else None, dtype=str, keep_default_na=False)
    table.columns = [str(c).strip().upper() for c in table.columns]
    station = table.iloc[:, 0].str.strip()
    if first == "STATION" and "DATE" in table and "ELEMENT" not in table:
        dates = pd.to_datetime(table["DATE"].str.strip(), format="%Y-%m-%d", errors="coerce")
        base = pd.DataFrame({"id": station, "date": dates})
        pieces = [base.assign(element=e, value=table[e], quality=_quality(table, e)) for e in elements if e in table]
        if not pieces:
            raise StudyError("No PRCP, TMIN or TMAX column.", str(path), "Check that this is a GHCN-Daily table.")
        long = pd.concat(pieces, ignore_index=True)
    elif table.shape[1] < 6:
        raise StudyError(
            f"A long GHCN-Daily table has 8 columns; this one has {table.shape[1]}.", str(path), "Fetch it again."
        )
    else:
        long = table.iloc[:, [2, 3, 5]].set_axis(["element", "value", "quality"], axis=1)
        long["element"] = long["element"].str.strip()
        long["date"] = pd.to_datetime(table.iloc[:, 1].str.strip(), format="%Y%m%d", errors="coerce")
        long["id"] = station
    if not {"LATITUDE", "LONGITUDE"} <= set(table.columns):
        return long, {}
    return long, {str(name): _place(rows.iloc[0]) for name, rows in table.groupby(station, sort=False)}


def _quality(table: pd.DataFrame, element: str) -> pd.Series:
    """Return the quality flag, the second of the attributes of a wide table."""
    flags = table.get(f"{element}_ATTRIBUTES", pd.Series("", index=table.index))
    return flags.str.split(",").str.get(1)


def _place(row: pd.Series) -> dict[str, Any]:
    latitude, longitude, elevation_m = (
        float(pd.to_numeric(row.get(name, ""), errors="coerce")) for name in ("LATITUDE", "LONGITUDE", "ELEVATION")
    )
    name = str(row.get("NAME", "")).strip()
    return {"name": name, "latitude": latitude, "longitude": longitude, "elevation_m": elevation_m}


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
