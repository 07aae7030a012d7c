"""Climate as tables: station records, station normals, single-pixel extracts, plain weather tables."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from geo.errors import StudyError
from pipelines.read.climate import ghcn, station_normals, tables
from pipelines.read.climate.build import ClimateInput, Context, Query, daily_input, normals_input
from pipelines.read.climate.cells import Area
from pipelines.read.climate.products import REQUIRED, Product, products
from pipelines.read.climate.station_normals import Station
from pipelines.read.climate.tables import first_lines
from pipelines.read.climate.units import to_contract

_MARGIN = 0.5  # degrees around the study area within which a station still speaks for it (common practice, no source)
_GHCN_LONG = re.compile(r"^(\"?ID\"?,|[A-Z]{2}[A-Z0-9]{9},\d{8},[A-Z]{4},)")


def read_tables(files: Sequence[Path], query: Query, options: dict[str, Any]) -> ClimateInput:
    """Read tables of one format; every station becomes a cell.

    Stations farther than ``station_margin_deg`` (0.5) from the area are left out, but the nearest one is always kept.
    """
    mapping, units, period = query.mapping, query.units, query.period
    layout = recognise(files[0], mapping)
    product = products()[layout]
    context = Context(query.where, product, trust=query.trust, provenance=product.provenance())
    known = station_list(options.get("stations"), files)
    stations: list[Station] = []
    for path in files:
        if layout == "noaa_station_normals":
            found = station_normals.read(path, context)
        elif layout == "ghcn_daily":
            found = ghcn.read(path, context)
        elif layout == "daymet_point":
            found = tables.read_daymet_point(path, context)
        else:
            found = tables.read_plain(path, mapping, units, query.fill, options, context)
        stations += [Station(**{**_place(row, options, known, path), "table": row["table"]}) for row in found]
    if layout == "noaa_station_normals":
        stations = station_normals.join(stations, context)
    stations = near(
        _unique(stations, context), query.area, float(options.get("station_margin_deg", _MARGIN)), context
    )
    if layout == "noaa_station_normals":
        data = _convert(stations, "month", "monthly", product, units, context)
        return normals_input(data, _cells(stations), context)
    if period is not None:
        low, high = f"{period[0]}-01-01", f"{period[1]}-12-31"
        stations = [_replace(s, s.table.loc[low:high]) for s in stations]
        stations = [s for s in stations if len(s.table)]
        if not stations:
            raise StudyError(f"No record in {period[0]} to {period[1]}.", query.where, "Choose another period.")
    data = _convert(stations, "time", "daily", product, units, context)
    return daily_input(data, _cells(stations), context)


def recognise(path: Path, mapping: dict[str, Any]) -> str:
    """Return the product key of a table from its layout; a ``date`` in the mapping means a plain table."""
    if path.suffix.lower() == ".dly":
        return "ghcn_daily"
    head = first_lines(path, 12)
    if not head:
        raise StudyError("The table is empty.", str(path), "Fetch it again.")
    if {"date", "year", "month", "day", "yday"} & set(mapping):
        return "csv"
    if head[0].lower().startswith("latitude:") or any(line.startswith("year,yday,") and "(" in line for line in head):
        return "daymet_point"
    header = head[0].upper().replace('"', "")
    if "STATION" in header and re.search(r"\b(MLY|DLY|ANN)-", header):
        return "noaa_station_normals"
    if _GHCN_LONG.match(head[0]) or (
        header.startswith("STATION,DATE") and re.search(r"\b(PRCP|TMIN|TMAX)\b", header)
    ):
        return "ghcn_daily"
    return "csv"


def station_list(given: Any, files: Sequence[Path]) -> pd.DataFrame:
    """Return stations by id with ``latitude``, ``longitude``, ``elevation_m``, ``name``.

    A list is taken from the ``stations`` option or from ``ghcnd-stations.txt`` or ``stations*.csv`` beside the data.
    """
    path = Path(given) if given else None
    if path is None:
        beside = [
            p for p in sorted(files[0].parent.glob("*")) if re.match(r"(ghcnd-)?stations.*\.(txt|csv)$", p.name)
        ]
        path = beside[0] if beside else None
    if path is None:
        return pd.DataFrame(columns=["latitude", "longitude", "elevation_m", "name"])
    if not path.is_file() and (files[0].parent / path).is_file():
        path = files[0].parent / path
    if not path.is_file():
        raise StudyError("The station list does not exist.", str(path), "Correct climate stations in the study file.")
    if path.suffix.lower() == ".txt":
        return ghcn.read_station_list(path)
    table = pd.read_csv(path, dtype={0: str})
    table.columns = [str(c).strip().lower() for c in table.columns]
    names = {
        "id": "station",
        "lat": "latitude",
        "lon": "longitude",
        "elevation": "elevation_m",
        "elev": "elevation_m",
    }
    table = table.rename(columns=names)
    if not {"station", "latitude", "longitude"} <= set(table.columns):
        raise StudyError("The station list lacks station, latitude or longitude.", str(path), "Name the columns so.")
    for column, default in (("elevation_m", np.nan), ("name", "")):
        if column not in table:
            table[column] = default
    return table.assign(station=table["station"].astype(str).str.strip()).set_index("station")


def _place(row: dict[str, Any], options: dict[str, Any], known: pd.DataFrame, path: Path) -> dict[str, Any]:
    """Return id, name and place of a station: from its file, else the station list, else the study file."""
    station = str(row.get("id") or path.name.split(".")[0])
    listed = known.loc[station] if station in known.index else None

    def pick(key: str, default: Any) -> Any:
        value = row.get(key)
        if value is None or (isinstance(value, float) and np.isnan(value)):
            value = listed[key] if listed is not None else options.get(key, default)
        return value

    latitude, longitude = pick("latitude", None), pick("longitude", None)
    if latitude is None or longitude is None:
        raise StudyError(
            f"The place of station {station} is not known.",
            str(path),
            "Give latitude and longitude in the study file, or stations = a list of stations.",
        )
    if not (-90 <= float(latitude) <= 90 and -180 <= float(longitude) <= 360):
        raise StudyError(
            f"There is no place at latitude {latitude}, longitude {longitude}.", str(path), "Correct the coordinates."
        )
    elevation = float(pick("elevation_m", np.nan))
    return {
        "id": station,
        "name": str(pick("name", "") or station),
        "latitude": float(latitude),
        "longitude": (float(longitude) + 180.0) % 360.0 - 180.0,
        "elevation_m": np.nan if elevation < -450.0 else elevation,  # -999.9 is the mark of an unknown elevation
    }


def _replace(station: Station, table: pd.DataFrame) -> Station:
    return Station(station.id, station.name, station.latitude, station.longitude, station.elevation_m, table)


def _unique(stations: list[Station], context: Context) -> list[Station]:
    """Join the tables of a station that comes in several files; the first value of a day counts."""
    out: dict[str, Station] = {}
    for station in stations:
        if station.id in out:
            earlier = out[station.id].table
            both = earlier.index.intersection(station.table.index)
            if len(both) and context.product.key != "noaa_station_normals":
                context.note(station.id, f"{len(both)} days come twice; the first value was taken", "left out")
            out[station.id] = _replace(station, earlier.combine_first(station.table))
        else:
            out[station.id] = station
    return list(out.values())


def near(stations: list[Station], area: Area | None, margin: float, context: Context) -> list[Station]:
    """Return the stations that have all three variables, in or near the area; the nearest one if none is near."""
    useful = []
    for station in stations:
        missing = [k for k in REQUIRED if k not in station.table or not station.table[k].notna().any()]
        if missing:
            context.note(station.id, f"no {' and no '.join(missing)}", "left out", "use another station")
        else:
            useful.append(station)
    if not useful:
        raise StudyError(
            "No station has precipitation, minimum and maximum temperature.",
            context.where,
            'Name the columns: variables = { date = "...", precip = "...", tmin = "...", tmax = "..." }.',
        )
    if area is None:
        return useful
    west, south, east, north = area
    away = [
        float(
            np.hypot(
                max(west - s.longitude, s.longitude - east, 0.0), max(south - s.latitude, s.latitude - north, 0.0)
            )
        )
        for s in useful
    ]
    inside = [s for s, d in zip(useful, away, strict=True) if d <= margin]
    if inside:
        return inside
    best = int(np.argmin(away))
    context.note(
        useful[best].id,
        f"no station lies within {margin:g} degrees of the study area; the nearest is {away[best]:.1f} degrees away",
        "warning",
        "give a nearer station or a gridded source",
    )
    return [useful[best]]


def _cells(stations: list[Station]) -> pd.DataFrame:
    rows = [(s.latitude, s.longitude, s.elevation_m, s.name) for s in stations]
    index = pd.RangeIndex(len(rows), name="cell")
    return pd.DataFrame(rows, columns=["latitude", "longitude", "elevation_m", "name"], index=index)


def _convert(
    stations: list[Station], dim: str, step: str, product: Product, units: dict[str, str], context: Context
) -> xr.Dataset:
    """Return the stations' tables as ``(cell, step)`` in contract units."""
    keys = [k for k in dict.fromkeys(c for s in stations for c in s.table.columns)]
    index = stations[0].table.index
    for station in stations[1:]:
        index = index.union(station.table.index)
    out = {}
    for key in keys:
        raw = np.stack(
            [s.table.reindex(index).get(key, pd.Series(np.nan, index)).to_numpy(dtype="float64") for s in stations]
        )
        unit = units.get(key) or context.units.get(key) or product.units.get(key, "")
        context.units[key] = unit
        values = to_contract(raw.T, unit, key, step, f"{context.where}: {key}").T
        out[key] = xr.DataArray(values, dims=("cell", dim), coords={dim: index.to_numpy()})
    return xr.Dataset(out)
