"""Station normals as CSV: the 1991-2020 layout with flag columns, and the older one with whole numbers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from geo.errors import StudyError
from pipelines.read.climate.build import Context
from pipelines.read.climate.products import REQUIRED


@dataclass(frozen=True, slots=True)
class Station:
    """One station with its table in source units: index date (or month 1 to 12), columns variable keys."""

    id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    table: pd.DataFrame


def read(path: Path, context: Context) -> list[dict[str, Any]]:
    """Read one CSV of monthly (or daily) normals.

    Values are padded text; special values and values flagged as missing become NaN, "rounds to zero" becomes 0.
    Daily normals give only the spread of daily temperatures: the square root of the month's mean variance.
    An annual file has nothing for the water balance and is left out with a note.

    Returns
    -------
    list of dict
        One a station: place and ``table`` (index month 1 to 12, columns variable keys, units of the file).
    """
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table.columns = [str(c).strip() for c in table.columns]
    product = context.product
    wanted = {k: v for k, v in product.names.items() if k in table.columns}
    if not wanted:
        context.note(path.name, "no monthly or daily normals of precipitation or temperature", "left out")
        return []
    older = any(c.endswith("_ATTRIBUTES") for c in table.columns)
    if older:
        context.units.update({k: str(v) for k, v in product.extra["units_1981"].items()})
        context.provenance["period"] = "1981-2010"
    else:
        context.provenance["period"] = "1991-2020"
    month = pd.to_numeric(table["DATE"].str.strip().str[:2], errors="coerce")
    out = []
    for station, rows in table.groupby(table["STATION"].str.strip(), sort=False):
        months = month.loc[rows.index]
        data = {}
        for column, key in wanted.items():
            values = _clean(rows, column, product.extra)
            if column.startswith("DLY-"):
                data[key] = np.sqrt((values**2).groupby(months).mean())
            else:
                data[key] = values.groupby(months).first()
        first = rows.iloc[0]
        out.append(
            {
                "id": str(station),
                "name": first.get("NAME", "").strip() or None,
                "latitude": float(first["LATITUDE"]),
                "longitude": float(first["LONGITUDE"]),
                "elevation_m": float(pd.to_numeric(first.get("ELEVATION", ""), errors="coerce")),
                "table": pd.DataFrame(data).reindex(range(1, 13)),
            }
        )
    return out


def _clean(rows: pd.DataFrame, column: str, rules: Any) -> pd.Series:
    values = pd.to_numeric(rows[column].str.strip(), errors="coerce")
    values = values.mask(values.isin(rules["missing"])).mask(values.isin(rules["rounds_to_zero"]), 0.0)
    flag = f"meas_flag_{column}"
    if flag in rows:
        values = values.mask(rows[flag].str.strip().isin(rules["missing_flags"]))
    return values


def join(stations: list[Station], context: Context) -> list[Station]:
    """Check that monthly normals are among the files (daily normals alone give no monthly sums)."""
    if stations and not any(set(REQUIRED) <= set(s.table.columns) for s in stations):
        raise StudyError(
            "The files hold no monthly normals of precipitation, minimum and maximum temperature.",
            context.where,
            "Give the monthly normals file of the station; the daily one only adds the spread of temperatures.",
        )
    return stations
