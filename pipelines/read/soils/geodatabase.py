"""National gridded soil survey: geodatabase, and the raster of map unit keys with its tables."""

from __future__ import annotations

import math
import warnings
import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import rasterio
import xarray as xr
from rasterio.errors import RasterioIOError
from rasterio.windows import Window

from geo.errors import Problem, StudyError
from geo.ground import row_blocks
from geo.soils import SURVEY_COLUMNS, SoilTable, clean_key
from pipelines.read.soils.common import OPTIONAL_TABLES, TABLES, Area, assemble, outside
from pipelines.read.soils.survey import find_survey_areas, read_polygons, read_survey_tables
from pipelines.read.soils.window import as_layer, open_window, read_part

_CHUNK = 400  # keys in one attribute filter
_NO_MAP_UNIT = (0, 2147483647, -2147483648)
_WATER_COLUMNS = {
    "comonth": ["cokey", "comonthkey"],
    "cosoilmoist": ["comonthkey", "soimoistdept_r", "soimoiststat"],
}
_BLOCK_CELLS = 4_000_000
_INT16_CODES = 32_767
_FLOAT32_WHOLE = 16_777_216


def container_path(path: Path) -> str:
    """Return what GDAL opens: the geodatabase itself, or the one inside a zip."""
    if path.suffix.lower() != ".zip":
        return str(path)
    with zipfile.ZipFile(path) as archive:
        inside = {n.split(".gdb/")[0] + ".gdb" for n in archive.namelist() if ".gdb/" in n.lower()}
    if not inside:
        raise StudyError("The zip holds no geodatabase.", str(path), "Give the folder that ends in .gdb.")
    return f"/vsizip/{path}/{sorted(inside)[0]}"


def _layers(path: str) -> dict[str, str]:
    """Return the layers of a container, lower case to real name."""
    try:
        return {str(name).lower(): str(name) for name in pyogrio.list_layers(path)[:, 0]}
    except (pyogrio.errors.DataSourceError, IndexError) as error:
        raise StudyError(
            "The soil geodatabase cannot be opened.", path, "Unpack it, and keep the whole folder."
        ) from error


def _read_keyed(path: str, layer: str, table: str, key: str, keys: Iterable[str]) -> pd.DataFrame:
    """Read the rows of a table whose key is among `keys`, without loading the others."""
    info = pyogrio.read_info(path, layer=layer)
    names = {str(f).lower(): str(f) for f in info["fields"]}
    wanted = _WATER_COLUMNS.get(table) or [column.name for column in SURVEY_COLUMNS[table]]
    columns = [names[c] for c in wanted if c in names]
    if key not in names:
        raise StudyError(
            f"The soil table {layer} has no column {key}.", path, "Use the survey's tables with their own names."
        )
    wanted_keys = sorted(set(keys))
    stored = dict(zip(map(str.lower, info["fields"]), map(str, info["dtypes"]), strict=True))[key]
    numeric = all(k.isdigit() for k in wanted_keys) and stored != "object"
    parts = []
    for start in range(0, max(len(wanted_keys), 1), _CHUNK):
        some = wanted_keys[start : start + _CHUNK]
        listing = ",".join(some if numeric else ["'" + k.replace("'", "''") + "'" for k in some]) or "''"
        where = f'"{names[key]}" IN ({listing})'
        parts.append(pyogrio.read_dataframe(path, layer=layer, columns=columns, where=where, read_geometry=False))
    return pd.concat(parts, ignore_index=True).rename(columns=str.lower)


def read_container_tables(path: str, mukeys: Iterable[str]) -> dict[str, pd.DataFrame]:
    """Read the tables of the given map units from a geodatabase (or any container with those layers)."""
    layers = _layers(path)
    for name in TABLES:
        if name not in layers and name not in OPTIONAL_TABLES:
            raise StudyError(
                f"The soil geodatabase has no table {name}.",
                where=f"{path}; layers: {', '.join(sorted(layers))[:200]}",
                fix="Use the complete geodatabase; the tables carry the survey's long names.",
            )
    tables = {n: _read_keyed(path, layers[n], n, "mukey", mukeys) for n in ("mapunit", "component")}
    cokeys = list(clean_key(tables["component"]["cokey"]))
    for name in ("chorizon", "corestrictions", "comonth"):
        if name in layers:
            tables[name] = _read_keyed(path, layers[name], name, "cokey", cokeys)
    if "comonth" in tables and "cosoilmoist" in layers:
        months = clean_key(tables["comonth"]["comonthkey"])
        tables["cosoilmoist"] = _read_keyed(path, layers["cosoilmoist"], "cosoilmoist", "comonthkey", months)
    return tables


def read_geodatabase(path: Path, *, area: Area | None = None, crs: Any = None) -> tuple[SoilTable, list[Problem]]:
    """Read a soil geodatabase (folder ``.gdb``, or a zip with one): its map unit polygons, else its raster."""
    where = container_path(path)
    layers = _layers(where)
    if "mupolygon" in layers:
        polygons, problems = read_polygons(where, layer=layers["mupolygon"], area=area, crs=crs)
        if polygons.empty:
            raise outside(where, pyogrio.read_info(where, layer=layers["mupolygon"])["total_bounds"])
        tables = read_container_tables(where, polygons["map_unit_id"])
        soils, listed = assemble(tables, polygons=polygons)
        return soils, problems + listed
    return read_map_unit_raster(_inner_raster(where), tables=where, area=area, crs=crs)


def _inner_raster(path: str) -> str:
    """Return the address of the map unit raster inside a geodatabase."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
            with rasterio.open(path) as source:
                inner = list(source.subdatasets) or [path]
    except RasterioIOError:
        inner = []
    chosen = [s for s in inner if "mapunitraster" in s.lower()] or inner
    if not chosen:
        raise StudyError(
            "The geodatabase has neither map unit polygons nor a raster that can be read.",
            path,
            "Export the map unit raster as GeoTIFF and keep it beside the geodatabase.",
        )
    return chosen[0]


def find_tables(raster: Path) -> Path | None:
    """Return where the tables of a map unit raster are: a container or an export beside it."""
    for pattern in ("*.gdb", "*.gpkg", "*.sqlite"):
        for found in sorted(raster.parent.glob(pattern)):
            if "component" in _layers(str(found)):
                return found
    return raster.parent if find_survey_areas(raster.parent) else None


def value_keys(raster: str, values: Iterable[int]) -> dict[int, str]:
    """Return the map unit key of each raster value: from the attribute table when there is one, else itself."""
    base = Path(raster)
    for table in (base.with_name(base.name + ".vat.dbf"), base.with_suffix(".vat.dbf")):
        if table.exists():
            frame = pyogrio.read_dataframe(table, read_geometry=False).rename(columns=str.lower)
            if {"value", "mukey"} <= set(frame.columns):
                keys = dict(zip(frame["value"].astype("int64"), clean_key(frame["mukey"]), strict=True))
                return {int(v): keys.get(int(v), str(int(v))) for v in values}
    return {int(v): str(int(v)) for v in values}


def read_map_unit_raster(
    path: str | Path, *, tables: str | Path | None = None, area: Area | None = None, crs: Any = None
) -> tuple[SoilTable, list[Problem]]:
    """Read a raster whose values are map units, by window, with the tables beside it.

    The raster is never resampled here, and its values are never averaged. `tables` is a geodatabase, a GeoPackage or
    a survey export; it is looked for beside the raster when not given.
    """
    raster, keys = read_codes(str(path), area=area, crs=crs)
    found = tables if tables is not None else find_tables(Path(path))
    if found is None:
        raise StudyError(
            "The tables of the map unit raster were not found.",
            where=str(path),
            fix="Put the geodatabase or the survey export beside the raster, or name it in variables: tables.",
        )
    problems: list[Problem] = []
    place = Path(found)
    if str(found).startswith("/vsizip/") or place.suffix.lower() in (".gdb", ".gpkg", ".sqlite"):
        read: Mapping[str, pd.DataFrame] = read_container_tables(str(found), keys.values())
    elif place.suffix.lower() == ".zip" and not find_survey_areas(place):
        read = read_container_tables(container_path(place), keys.values())
    else:
        read, problems = read_survey_tables(place)
    soils, listed = assemble(read, code_raster=raster, codes=keys)
    return soils, problems + listed


def _number_codes(source: Any, window: Window) -> tuple[np.ndarray, dict[Any, int]]:
    """Return the map units of a window as numbers from 0, -1 for none, and the number of each raster value.

    Goes through blocks of rows, and a map unit takes two bytes instead of the eight of its key: a large county has
    150 million cells of 10 m.
    """
    numbers: dict[Any, int] = {}
    shape = (int(window.height), int(window.width))
    codes = np.full(shape, -1, dtype=np.int16)
    for rows in row_blocks(shape, _BLOCK_CELLS):
        part = Window(window.col_off, window.row_off + rows.start, shape[1], rows.stop - rows.start)
        values = read_part(source, 1, part)
        place, distinct = pd.factorize(values.ravel())  # NaN is -1
        for value in distinct.tolist():
            if value not in _NO_MAP_UNIT and value != source.nodata and math.isfinite(value):
                numbers.setdefault(value, len(numbers))
        if len(numbers) > _INT16_CODES and codes.dtype == np.int16:
            codes = codes.astype(np.int32)
        number = np.array([*(numbers.get(value, -1) for value in distinct.tolist()), -1], dtype=codes.dtype)
        codes[rows] = number[place].reshape(values.shape)
    return codes, numbers


def read_codes(path: str, *, area: Area | None, crs: Any) -> tuple[xr.DataArray, dict[int, str]]:
    """Read a window of a raster of map unit keys as small integers, -1 for no data, and what they mean."""
    with open_window(path, area=area, crs=crs) as (source, window, own):
        codes, numbers = _number_codes(source, window)
        transform, stored = source.window_transform(window), source.dtypes[0]
    if not numbers:
        raise outside(path, "no map unit inside the window")
    low, high = int(min(numbers)), int(max(numbers))
    if stored == "float32" and high > _FLOAT32_WHOLE:
        raise StudyError(
            "The map unit keys were stored as 32-bit decimals, which cannot hold them.",
            path,
            "Export the raster again as 32-bit integers.",
        )
    if low < 0 or high > 2147483646:
        raise StudyError(
            f"The soil raster holds values from {low} to {high}; these are not map unit keys.",
            path,
            "Use the raster of map unit keys, or name the kind of soil layer in the study file.",
        )
    raster = as_layer(codes, transform, own)
    raster.rio.write_nodata(-1, inplace=True)
    keys = value_keys(path, [int(value) for value in numbers])
    return raster, {number: keys[int(value)] for value, number in numbers.items()}
