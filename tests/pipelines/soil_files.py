"""One small invented survey area, written in each form that people download."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
from rasterio.transform import from_origin
from shapely.geometry import box

from tests.geo.soil_frames import SHARED, component, horizon

# Keys as large as real ones: they must survive every format.
SILT, SAND, SHALLOW, WATER = "3180001", "3180002", "3180003", "3180004"
MUKEYS = (SILT, SAND, SHALLOW, WATER)
CRS = "EPSG:5070"
ORIGIN = (-600_000.0, 1_900_000.0)  # upper left, m
CELL = 30.0
BLOCK = 20  # cells a side of each map unit block; the area is 2 x 2 blocks


def tables() -> dict[str, pd.DataFrame]:
    """Return the survey tables with the survey's column names."""
    units = pd.DataFrame({"mukey": list(MUKEYS), "musym": ["1100", "22", "7", "W"]})
    units["muname"] = ["Larkspur silt loam", "Dune sand, 3 to 9 percent slopes", "Shallow | complex", "Water"]
    components = pd.DataFrame(
        [
            component(SILT, "26000001", 85, "Larkspur", hydgrp="C/D"),
            component(SILT, "26000002", 10, "Meadow", hydgrp=""),
            component(SAND, "26000003", 90, "Dune", hydgrp="A"),
            component(SHALLOW, "26000004", 60, "Ledge", hydgrp="D"),
            component(SHALLOW, "26000005", 25, "Rock outcrop", compkind="Miscellaneous area", hydgrp="D"),
            component(WATER, "26000006", 100, "Water", compkind="Miscellaneous area", hydgrp=""),
        ]
    )
    silt = {"sandtotal_r": 15.0, "claytotal_r": 22.0}
    dune = {"sandtotal_r": 92.0, "claytotal_r": 3.0, "wthirdbar_r": 9.0, "wfifteenbar_r": 3.0}
    rock = {"hzname": "R", "sandtotal_r": None, "claytotal_r": None, "wthirdbar_r": None}
    horizons = pd.DataFrame(
        [
            horizon("26000001", 25, 150, 0.20, **silt),
            horizon("26000001", 0, 25, 0.23, **silt),
            horizon("26000002", 0, 150, 0.18, ksat_r=2.0),
            horizon("26000003", 0, 150, 0.06, **dune),
            horizon("26000004", 0, 40, 0.15),
            horizon("26000004", 40, 150, None, **rock),
        ]
    )
    horizons["chkey"] = [str(76000000 + i) for i in range(len(horizons))]
    limits = pd.DataFrame(
        [
            {"cokey": "26000004", "reskind": "Lithic bedrock", "resdept_r": 40.0, "corestrictkey": "1"},
            {"cokey": "26000001", "reskind": "Abrupt textural change", "resdept_r": 25.0, "corestrictkey": "2"},
        ]
    )
    months = pd.DataFrame({"cokey": ["26000002"], "comonthkey": ["9001"], "month": ["April"]})
    moist = pd.DataFrame({"comonthkey": ["9001", "9001"], "soimoistdept_r": [120.0, 0.0]})
    moist["soimoiststat"], moist["cosoilmoistkey"] = ["Wet", "Moist"], ["1", "2"]
    return {
        "mapunit": units,
        "component": components,
        "chorizon": horizons,
        "corestrictions": limits,
        "comonth": months,
        "cosoilmoist": moist,
    }


def polygons() -> gpd.GeoDataFrame:
    """Return the four blocks as polygons; the first map unit is drawn as two of them."""
    x0, y0 = ORIGIN
    side = BLOCK * CELL
    shapes, keys = [], []
    for i, key in enumerate(MUKEYS):
        left, top = x0 + (i % 2) * side, y0 - (i // 2) * side
        parts = [(left, left + side)] if i else [(left, left + side / 2), (left + side / 2, left + side)]
        for a, b in parts:
            shapes.append(box(a, top - side, b, top))
            keys.append(key)
    frame = gpd.GeoDataFrame({"MUSYM": ["x"] * len(keys), "MUKEY": keys}, geometry=shapes, crs=CRS)
    return frame.assign(AREASYMBOL="LK001", SPATIALVER=4.0)


def code_array() -> np.ndarray:
    """Return the four blocks as a raster of map unit keys."""
    blocks = np.array([[int(SILT), int(SAND)], [int(SHALLOW), int(WATER)]], dtype="int32")
    return np.kron(blocks, np.ones((BLOCK, BLOCK), dtype="int32"))


def _column_list() -> pd.DataFrame:
    return pd.read_csv(SHARED / "soil_survey_columns.csv").sort_values(["table", "position"])


def write_text_tables(folder: Path, data: dict[str, pd.DataFrame] | None = None, *, listing: bool = True) -> None:
    """Write ``tabular`` as the survey does: ``|``, quoted text, bare numbers, no header, CRLF."""
    folder.mkdir(parents=True)
    columns = _column_list()
    for (table, file), group in columns.groupby(["table", "file"]):
        frame = (data or tables()).get(str(table))
        lines = []
        for _, row in frame.iterrows() if frame is not None else []:
            cells = []
            for name in group["column"]:
                value = row.get(name)
                if value is None or value == "" or (isinstance(value, float) and np.isnan(value)):
                    cells.append("")
                elif isinstance(value, str):
                    cells.append('"' + value.replace('"', '""') + '"')
                else:
                    cells.append(f"{value:g}")
            lines.append("|".join(cells) + "\r\n")
        (folder / f"{file}.txt").write_text("".join(lines), encoding="utf-8", newline="")
    if listing:
        text = "".join(f'"{r.table}"|{r.position}|"{r.column}"|"x"\r\n' for r in columns.itertuples())
        (folder / "mstabcol.txt").write_text(text, encoding="utf-8", newline="")


def write_export(folder: Path, *, listing: bool = True, data: dict[str, pd.DataFrame] | None = None) -> Path:
    """Write a survey export folder ``LK001`` with ``tabular`` and ``spatial`` below `folder`."""
    home = folder / "LK001"
    write_text_tables(home / "tabular", data, listing=listing)
    (home / "spatial").mkdir()
    layer = polygons().to_crs(4326)[["AREASYMBOL", "SPATIALVER", "MUSYM", "MUKEY", "geometry"]]
    pyogrio.write_dataframe(layer, home / "spatial" / "soilmu_a_lk001.shp")
    outline = layer.dissolve()[["geometry"]].assign(AREASYMBOL="LK001")
    pyogrio.write_dataframe(outline, home / "spatial" / "soilsa_a_lk001.shp")
    return home


def zip_folder(folder: Path, target: Path) -> Path:
    """Zip a folder with its own name inside, as downloads are."""
    return Path(shutil.make_archive(str(target), "zip", folder.parent, folder.name))


def write_geodatabase(path: Path, *, with_polygons: bool = True) -> Path:
    """Write a file geodatabase with the survey's long table names (OpenFileGDB driver)."""
    for i, (name, frame) in enumerate(tables().items()):
        text = frame.copy()
        for column in text.columns:
            if text[column].dtype.kind in "iu":
                text[column] = text[column].astype(float)
            elif text[column].dtype == object or str(text[column].dtype).startswith("str"):
                text[column] = text[column].astype("string")
        pyogrio.write_dataframe(text, path, layer=name, driver="OpenFileGDB", append=i > 0)
    if with_polygons:
        pyogrio.write_dataframe(polygons(), path, layer="MUPOLYGON", driver="OpenFileGDB", append=True)
    return path


def write_raster(
    path: Path, values: np.ndarray, *, nodata: float | None = None, crs: str | None = CRS, **band: object
) -> Path:
    """Write a GeoTIFF of one or more bands on the grid of the area.

    `band` may hold ``descriptions``, ``units`` (tuples) and ``tags`` (dict).
    """
    stack = values if values.ndim == 3 else values[None]
    profile = {
        "driver": "GTiff",
        "count": stack.shape[0],
        "height": stack.shape[1],
        "width": stack.shape[2],
        "dtype": stack.dtype,
        "crs": crs,
        "transform": from_origin(*ORIGIN, CELL, CELL),
        "nodata": nodata,
    }
    with rasterio.open(path, "w", **profile) as target:
        target.write(stack)
        if "descriptions" in band:
            target.descriptions = band["descriptions"]
        if "units" in band:
            target.units = band["units"]
        target.update_tags(**band.get("tags", {}))
    return path
