"""Write the soil survey of invented Larkspur County in the layout of a county soil survey export."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
from shapely.geometry import box

from sample_layers.larkspur_frame import Frame
from sample_layers.larkspur_soils import SQUARE_M_PER_ACRE, Row, Survey, as_frame

HERE = Path(__file__).resolve().parent
AREA_SYMBOL = "XX901"  # XX is not a state
AREA_NAME = "Larkspur County, High Plains (INVENTED: fictional demonstration data)"
LEGEND_KEY = "99901"
SPATIAL_VERSION = 1
EXPORT_VERSION = "2.3.3"
BUILD_DATE = "2000-01-01"  # a fixed date, so that the same seed gives the same bytes

README = f"""INVENTED DATA: Larkspur County does not exist.

This folder has the layout of a county soil survey export, so that the readers of Springfill meet the real thing:
spatial/ holds map unit polygons (soilmu_a) and the outline of the survey area (soilsa_a), EPSG:4326;
tabular/ holds one text file a table, fields parted by |, strings in double quotes, no header, nothing for null.
mstab.txt lists the tables and their files, mstabcol.txt their columns in order, with units.

Area symbol {AREA_SYMBOL} ({AREA_NAME}) belongs to no state. Series names, polygons, percentages and every property
were made by sample_layers/build_larkspur.py from a seed. Do not use them for any real place.
"""

TABLES = {
    "legend": "Survey area of this export.",
    "mapunit": "Map units of the survey area.",
    "component": "Soils and other areas that make up each map unit.",
    "chorizon": "Horizons of each component.",
    "corestrictions": "Layers that hinder roots or water, by component.",
    "muaggatt": "Attributes gathered for a whole map unit.",
    "mdstattabs": "Tables of this export.",
    "mdstattabcols": "Columns of the tables of this export.",
}
META_FILES = {"mdstattabs": "mstab", "mdstattabcols": "mstabcol"}
BARE = {"majcompflag"}


def read_columns() -> pd.DataFrame:
    """Return the columns of the exported tables in their order (`tabular_columns.csv`)."""
    return pd.read_csv(HERE / "tabular_columns.csv", dtype=str, keep_default_na=False)


def _cell(value: Any, bare: bool = False) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, str):
        return value if bare else '"' + value.replace('"', '""') + '"'
    return f"{value:g}" if isinstance(value, float) else str(value)


def _write(path: Path, rows: list[list[str]]) -> None:
    path.write_bytes("".join("|".join(r) + "\r\n" for r in rows).encode())


def _write_table(path: Path, frame: pd.DataFrame) -> None:
    bare = [column in BARE for column in frame.columns]
    _write(path, [[_cell(v, b) for v, b in zip(row, bare, strict=True)] for row in frame.itertuples(index=False)])


def _write_metadata(folder: Path, columns: pd.DataFrame) -> None:
    files = dict(zip(columns["table"], columns["file"], strict=True)) | META_FILES
    tables = [[t, t, t.capitalize(), text, files[t]] for t, text in TABLES.items()]
    _write(folder / "mstab.txt", [[_cell(v) for v in row] for row in tables])
    lines = []
    for c in columns.itertuples(index=False):
        logical = c.label.lower().replace(" - ", "_").replace(" ", "_")
        cells: list[Any] = [c.table, int(c.pos), c.column, logical, c.label, c.type, c.not_null]
        cells += [int(c.size) if c.size else None, None, None, None, c.unit or None, None, f"{c.label}."]
        lines.append([_cell(v) for v in cells])
    _write(folder / "mstabcol.txt", lines)


def write_tabular(folder: Path, survey: Survey, frame: Frame) -> None:
    """Write the tabular half of the export."""
    folder.mkdir(parents=True, exist_ok=True)
    columns = read_columns()
    legend: Row = {
        "areatypename": "Non-MLRA Soil Survey Area",
        "areasymbol": AREA_SYMBOL,
        "areaname": AREA_NAME,
        "areaacres": round(frame.side_m**2 / SQUARE_M_PER_ACRE),
        "legenddesc": "Detailed Soil Map Legend",
        "projectscale": 24000,
        "lkey": LEGEND_KEY,
    }
    tables = {
        "legend": [legend],
        "mapunit": survey.mapunit,
        "component": survey.component,
        "chorizon": survey.chorizon,
        "corestrictions": survey.corestrictions,
        "muaggatt": survey.muaggatt,
    }
    for table, rows in tables.items():
        own = columns[columns["table"] == table]
        _write_table(folder / f"{own['file'].iloc[0]}.txt", as_frame(rows, own["column"]))
    _write_metadata(folder, columns)
    (folder / "version.txt").write_bytes(EXPORT_VERSION.encode())


def write_spatial(folder: Path, polygons: gpd.GeoDataFrame, keys: dict[str, str], frame: Frame) -> None:
    """Write map unit polygons (column `symbol`, metres) and the outline as shapefiles in EPSG:4326."""
    folder.mkdir(parents=True, exist_ok=True)
    stem = AREA_SYMBOL.lower()
    options = {"driver": "ESRI Shapefile", "engine": "pyogrio", "DBF_DATE_LAST_UPDATE": BUILD_DATE, "RESIZE": "YES"}
    units = gpd.GeoDataFrame(
        {
            "AREASYMBOL": AREA_SYMBOL,
            "SPATIALVER": SPATIAL_VERSION,
            "MUSYM": polygons["symbol"],
            "MUKEY": polygons["symbol"].map(keys),
        },
        geometry=frame.lonlat(polygons.geometry.to_numpy()),
        crs="EPSG:4326",
    )
    units.to_file(folder / f"soilmu_a_{stem}.shp", **options)
    outline = frame.lonlat(box(0, 0, frame.side_m, frame.side_m))
    area = {"AREASYMBOL": [AREA_SYMBOL], "SPATIALVER": [SPATIAL_VERSION], "LKEY": [LEGEND_KEY]}
    gpd.GeoDataFrame(area, geometry=[outline], crs="EPSG:4326").to_file(folder / f"soilsa_a_{stem}.shp", **options)
    (folder / "version.txt").write_bytes(EXPORT_VERSION.encode())


def write_soils(folder: Path, survey: Survey, polygons: gpd.GeoDataFrame, frame: Frame) -> None:
    """Write the whole export into a folder."""
    write_tabular(folder / "tabular", survey, frame)
    keys = {row["musym"]: row["mukey"] for row in survey.mapunit}
    write_spatial(folder / "spatial", polygons, keys, frame)
    (folder / "readme.txt").write_text(README, encoding="utf-8")
