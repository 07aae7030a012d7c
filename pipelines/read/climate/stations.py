"""Climate as tables: station records, station normals, single-pixel extracts, plain weather tables."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
import xarray as xr

from geo.errors import StudyError
from pipelines.read.climate import ghcn, station_normals, tables
from pipelines.read.climate.build import ClimateInput, Context, Query, daily_input, normals_input
from pipelines.read.climate.cells import Area, wrap_longitude
from pipelines.read.climate.products import REQUIRED, products
from pipelines.read.climate.tables import Station, first_lines
from pipelines.read.climate.units import to_contract

_MARGIN = 0.5  # degrees around the study area within which a station still speaks for it (common practice, no source)
_LIST_NAMES = {
    "id": "station",
    "lat": "latitude",
    "lon": "longitude",
    "elevation": "elevation_m",
    "elev": "elevation_m",
}
_GHCN_LONG = re.compile(r"^(\"?ID\"?,|[A-Z]{2}[A-Z0-9]{9},\d{8},[A-Z]{4},)")


def read_tables(files: Sequence[Path], query: Query, options: dict[str, Any]) -> ClimateInput:
    """Read tables of one format; every station becomes a cell.

    Stations farther than ``station_margin_deg`` (0.5) from the area are left out, but the nearest one is always kept.
    """
    layout = recognise(files[0], query.mapping)
    normals = layout == "noaa_station_normals"
    context = Context(query.where, products()[layout], query.trust)
    known = station_list(options.get("stations"), files)
    stations: list[Station] = []
    for path in files:
        if normals:
            found = station_normals.read(path, context)
        elif layout == "ghcn_daily":
            found = ghcn.read(path, context)
        elif layout == "daymet_point":
            found = tables.read_daymet_point(path, context)
        else:
            found = tables.read_plain(path, query, options, context)
        stations += [_placed(station, options, known, path) for station in found]
    if normals:
        station_normals.require_monthly(stations, context)
    margin = float(options.get("station_margin_deg", _MARGIN))
    stations = near(_unique(stations, context, normals), query.area, margin, context)
    if normals:
        return normals_input(_convert(stations, "month", "monthly", query.units, context), _cells(stations), context)
    if query.period is not None:
        first, last = query.period
        stations = [replace(s, table=s.table.loc[f"{first}-01-01" : f"{last}-12-31"]) for s in stations]
        stations = [s for s in stations if len(s.table)]
        if not stations:
            raise StudyError(f"No record in {first} to {last}.", query.where, "Choose another period.")
    return daily_input(_convert(stations, "time", "daily", query.units, context), _cells(stations), context)


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
    table = table.rename(columns=_LIST_NAMES)
    if not {"station", "latitude", "longitude"} <= set(table.columns):
        raise StudyError("The station list lacks station, latitude or longitude.", str(path), "Name the columns so.")
    for column, default in (("elevation_m", np.nan), ("name", "")):
        if column not in table:
            table[column] = default
    return table.assign(station=table["station"].astype(str).str.strip()).set_index("station")


def _placed(station: Station, options: dict[str, Any], known: pd.DataFrame, path: Path) -> Station:
    """Return a station with name and place: from its file, else the station list, else the study file."""
    station_id = station.id or path.name.split(".")[0]
    others = known.loc[station_id] if station_id in known.index else options

    def pick(key: str) -> Any:
        own = getattr(station, key)
        return others.get(key, own) if own == "" or own != own else own  # NaN differs from itself

    latitude, longitude, elevation_m = (float(pick(key)) for key in ("latitude", "longitude", "elevation_m"))
    if np.isnan(latitude) or np.isnan(longitude):
        raise StudyError(
            f"The place of station {station_id} is not known.",
            str(path),
            "Give latitude and longitude in the study file, or stations = a list of stations.",
        )
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 360):
        raise StudyError(
            f"There is no place at latitude {latitude}, longitude {longitude}.", str(path), "Correct the coordinates."
        )
    elevation_m = np.nan if elevation_m < -450.0 else elevation_m  # -999.9 is the mark of an unknown elevation
    name = str(pick("name") or station_id)
    return Station(station_id, station.table, name, latitude, float(wrap_longitude(longitude)), elevation_m)


def _unique(stations: list[Station], context: Context, normals: bool) -> list[Station]:
    """Join the tables of a station that comes in several files; the first value of a day counts."""
    out: dict[str, Station] = {}
    for station in stations:
        if station.id in out:
            earlier = out[station.id].table
            both = earlier.index.intersection(station.table.index)
            if len(both) and not normals:
                context.note(station.id, f"{len(both)} days come twice; the first value was taken", "left out")
            station = replace(out[station.id], table=earlier.combine_first(station.table))
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
    away = shapely.distance(
        shapely.box(west, south, east, north), [shapely.Point(s.longitude, s.latitude) for s in useful]
    )
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


def _convert(stations: list[Station], dim: str, step: str, units: dict[str, str], context: Context) -> xr.Dataset:
    """Return the stations' tables as ``(cell, step)`` in contract units; what one lacks is missing."""
    joined = pd.concat([s.table for s in stations], keys=range(len(stations)), names=["cell", dim])
    data = joined.astype("float64").to_xarray()
    for key in map(str, data.data_vars):
        unit = units.get(key) or context.units.get(key) or context.product.units.get(key, "")
        context.units[key] = unit
        values = to_contract(data[key].values.T, unit, key, step, f"{context.where}: {key}")
        data[key] = (("cell", dim), values.T)
    return data
