"""Read the open daily records and station normals for tests."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd

from geo.season import MONTH_DAYS
from tests.open_data import open_data

NEBRASKA = (
    "USC00250435",
    "USC00252820",
    "USC00253185",
    "USC00253615",
    "USC00254440",
    "USC00255565",
    "USC00257070",
    "USC00258915",
)


@lru_cache
def champion() -> pd.DataFrame:
    """Return the Champion, Nebraska record 1982 to 2018: year, month, day, tmin, tmax, precip, et0."""
    table = pd.read_csv(open_data("climate/champion_climate.txt"), sep=r"\s+")
    table.columns = ["day", "month", "year", "tmin", "tmax", "precip", "et0"]
    return table


@lru_cache
def ghcn(station: str) -> pd.DataFrame:
    """Return one NOAA GHCN-Daily record 1985 to 2014 on a full calendar, missing as NaN."""
    path = open_data(f"climate/ghcn_ne/{station}.txt")
    table = pd.read_csv(path, sep="\t", header=None, names=["date", "tmax", "tmin", "precip"], na_values=[-9999])
    table["date"] = pd.to_datetime(table["date"].astype(str).str.strip())
    table = table.set_index("date").astype("float64") / 10.0
    table = table.mask(table < -90).reindex(pd.date_range("1985-01-01", "2014-12-31"))
    return table.assign(year=table.index.year, month=table.index.month, day=table.index.day).reset_index(drop=True)


def records() -> dict[str, pd.DataFrame]:
    """Return all nine daily records by name."""
    return {"Champion": champion(), **{name: ghcn(name) for name in NEBRASKA}}


def record_normals(table: pd.DataFrame, wet_day_mm: float = 0.254) -> pd.DataFrame:
    """Return monthly normals of a record, one row a month, of the days that are known."""
    rows = []
    for month, part in table.groupby("month"):
        rain = part["precip"].dropna()
        wet = rain >= wet_day_mm
        rows.append(
            {
                "precip_mm": rain.mean() * MONTH_DAYS[int(month) - 1],
                "wet_day_fraction": wet.mean(),
                "tmin_c": part["tmin"].mean(),
                "tmax_c": part["tmax"].mean(),
                "tmin_sd_c": part["tmin"].std(),
                "tmax_sd_c": part["tmax"].std(),
            }
        )
    return pd.DataFrame(rows, index=np.arange(1, 13))


def annual_precip(table: pd.DataFrame, most_missing_days: int = 10) -> pd.Series:
    """Return precipitation by year, of years with few missing days."""
    by_year = table.groupby("year")["precip"].agg(["sum", "count"])
    return by_year.loc[by_year["count"] >= 365 - most_missing_days, "sum"]


def station_normals(kind: str) -> pd.DataFrame:
    """Return the NOAA 1991-2020 normals of Lebanon, New Hampshire: `monthly`, `daily`, `annualseasonal`."""
    return pd.read_csv(
        open_data(f"climate/normals_station/{kind}_1991-2020_USW00094765.csv"), skipinitialspace=True, dtype=str
    ).apply(lambda column: column.str.strip())


def lebanon_normals() -> pd.DataFrame:
    """Return the monthly normals of Lebanon in SI, columns as `record_normals`."""
    monthly, daily = station_normals("monthly"), station_normals("daily")
    month = daily["DATE"].str[:2].astype(int)
    sd = {v: (daily[f"DLY-{v}-STDDEV"].astype(float) / 1.8).groupby(month).mean() for v in ("TMIN", "TMAX")}
    out = pd.DataFrame(
        {
            "precip_mm": monthly["MLY-PRCP-NORMAL"].astype(float) * 25.4,
            "wet_day_fraction": monthly["MLY-PRCP-AVGNDS-GE001HI"].astype(float) / MONTH_DAYS,
            "tmin_c": (monthly["MLY-TMIN-NORMAL"].astype(float) - 32.0) / 1.8,
            "tmax_c": (monthly["MLY-TMAX-NORMAL"].astype(float) - 32.0) / 1.8,
        }
    )
    out.index = np.arange(1, 13)
    return out.assign(tmin_sd_c=sd["TMIN"], tmax_sd_c=sd["TMAX"])
