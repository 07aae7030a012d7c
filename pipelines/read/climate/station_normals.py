"""Station normals as CSV: the 1991-2020 layout with flag columns, and the older one with whole numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from geo.errors import StudyError
from pipelines.read.climate.build import Context
from pipelines.read.climate.products import REQUIRED, Product
from pipelines.read.climate.tables import Station


def read(path: Path, context: Context) -> list[Station]:
    """Read one CSV of monthly (or daily) normals.

    Values are padded text; special values and values flagged as missing become NaN, "rounds to zero" becomes 0.
    Daily normals give only the spread of daily temperatures: the square root of the month's mean variance.
    An annual file has nothing for the water balance and is left out with a note.
    """
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table.columns = [str(c).strip() for c in table.columns]
    product = context.product
    wanted = {k: v for k, v in product.names.items() if k in table.columns}
    if not wanted:
        context.note(path.name, "no monthly or daily normals of precipitation or temperature", "left out")
        return []
    older = any(c.endswith("_ATTRIBUTES") for c in table.columns)
    context.units.update(product.units_1981 if older else {})
    context.provenance["period"] = "1981-2010" if older else "1991-2020"
    month = pd.to_numeric(table["DATE"].str.strip().str[:2], errors="coerce")
    out = []
    for station, rows in table.groupby(table["STATION"].str.strip(), sort=False):
        months = month.loc[rows.index]
        data = {}
        for column, key in wanted.items():
            values = _clean(rows, column, product)
            if column.startswith("DLY-"):
                data[key] = np.sqrt((values**2).groupby(months).mean())
            else:
                data[key] = values.groupby(months).first()
        first = rows.iloc[0]
        out.append(
            Station(
                str(station),
                pd.DataFrame(data).reindex(range(1, 13)),
                first.get("NAME", "").strip(),
                float(first["LATITUDE"]),
                float(first["LONGITUDE"]),
                float(pd.to_numeric(first.get("ELEVATION", ""), errors="coerce")),
            )
        )
    return out


def _clean(rows: pd.DataFrame, column: str, product: Product) -> pd.Series:
    values = pd.to_numeric(rows[column].str.strip(), errors="coerce")
    values = values.mask(values.isin(product.missing)).mask(values.isin(product.rounds_to_zero), 0.0)
    flag = f"meas_flag_{column}"
    if flag in rows:
        values = values.mask(rows[flag].str.strip().isin(product.missing_flags))
    return values


def require_monthly(stations: list[Station], context: Context) -> None:
    """Check that monthly normals are among the files (daily normals alone give no monthly sums)."""
    if stations and not any(set(REQUIRED) <= set(s.table.columns) for s in stations):
        raise StudyError(
            "The files hold no monthly normals of precipitation, minimum and maximum temperature.",
            context.where,
            "Give the monthly normals file of the station; the daily one only adds the spread of temperatures.",
        )
