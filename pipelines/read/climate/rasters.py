"""Climate as sets of rasters (GeoTIFF, BIL, either of them zipped): one file a month or a day."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import rasterio
import xarray as xr
from rasterio.errors import RasterioIOError

from geo.errors import StudyError
from pipelines.read.climate.build import ClimateInput, Context, Query
from pipelines.read.climate.cells import Window, window
from pipelines.read.climate.cf import Part, contract_layer, identify
from pipelines.read.climate.grids import grid_input
from pipelines.read.climate.products import Product, key_of_short, product_of_file, products, variables

_SKIPPED = re.compile(r"tavg|tmean|tdmean|vpd|annual|seasonal|bio_?\d+", re.IGNORECASE)


def read_rasters(files: Sequence[Path], query: Query, pattern: str | None = None) -> ClimateInput:
    """Read a set of rasters of one grid.

    A raster has no place for a variable's name and mostly none for its unit: both come from the file-name rule of a
    known product, or from ``pattern`` (a regular expression with the groups ``var`` and ``month``, ``yearmonth`` or
    ``date``) and the study file's ``units``. A file with twelve bands is January to December.
    """
    known = [(f, product_of_file(f.name)) for f in files]
    own = re.compile(pattern) if pattern else None
    product = next((p for _, p in known if p is not None), products()["cf_grid"])
    context = Context(query.where, product, query.trust)
    parts: list[Part] = []
    for path, belongs in known:
        meaning = _meaning(path, belongs, own, query.mapping)
        if meaning is None:
            if not _SKIPPED.search(path.name):
                context.note(
                    path.name, "the name does not say which variable and month it is", "left out", "see pattern"
                )
            continue
        key, when = meaning
        seen = parts[0].window if parts else None
        parts.append(_read_one(path, key, when, belongs, context, query, seen))
    if not parts:
        raise StudyError(
            "No raster name says which variable and month it holds.",
            query.where,
            'Keep the names of the download, or give pattern = "(?P<var>tmin|tmax|precip)_(?P<month>\\\\d{2})".',
        )
    return grid_input(parts, query, context)


def _meaning(
    path: Path, product: Product | None, own: re.Pattern[str] | None, mapping: dict[str, Any]
) -> tuple[str, dict[str, str]] | None:
    """Return our variable and the step named by a file name."""
    found = own.search(path.name) if own else None
    if found:
        groups = {k: v for k, v in found.groupdict().items() if v is not None}
        wanted = {str(v): k for k, v in mapping.items()}
        name = groups.get("var", "")
        key = wanted.get(name) or identify(name, {}, path, product or products()["cf_grid"]) or key_of_short(name)
        return key, groups
    if product is None:
        return None
    groups = product.match_file(path.name) or {}
    key = product.names.get(groups.get("var", ""), "")
    return (key, groups) if key else None


def _step_of(groups: dict[str, str], bands: int, path: Path) -> tuple[str, Any]:
    if "date" in groups:
        return "daily", pd.DatetimeIndex([pd.Timestamp(groups["date"])])
    if "yearmonth" in groups:
        return "monthly", pd.DatetimeIndex([pd.Timestamp(groups["yearmonth"] + "01")])
    if "month" in groups:
        return "months", np.array([int(groups["month"])])
    if bands == 12:
        return "months", np.arange(1, 13)
    raise StudyError("The name gives no month or date, and the file has not twelve bands.", str(path), "See pattern.")


def _inside(path: Path) -> str:
    """Return the name under which GDAL opens a raster, looking into a zip."""
    if path.suffix.lower() != ".zip":
        return str(path)
    try:
        with zipfile.ZipFile(path) as archive:
            names = [n for n in archive.namelist() if n.lower().endswith((".tif", ".tiff", ".bil"))]
    except zipfile.BadZipFile:
        raise StudyError("The zip file is damaged.", str(path), "Fetch it again.") from None
    if len(names) != 1:
        raise StudyError(
            f"The zip holds {len(names)} rasters; one is expected.", str(path), "Unpack it into a folder."
        )
    return f"/vsizip/{path}/{names[0]}"


def _read_one(
    path: Path,
    key: str,
    groups: dict[str, str],
    product: Product | None,
    context: Context,
    query: Query,
    like: Window | None,
) -> Part:
    import rioxarray  # loads dask, so late

    try:
        with rasterio.open(_inside(path)) as source:
            unit = next((u for u in source.units if u), "")
            if source.crs is None:
                raise StudyError("The raster has no coordinate system.", str(path), "Add its .prj or .aux.xml file.")
            step, when = _step_of(groups, source.count, path)
        opened = rioxarray.open_rasterio(_inside(path), masked=True)
        assert isinstance(opened, xr.DataArray)
        with opened:
            placed = opened.rio.write_coordinate_system().to_dataset(name="value")
            cut, seen = window(placed, query.area, str(path), like)
            values = cut["value"].transpose("band", "y", "x").values.astype("float64")[: len(when)]
    except RasterioIOError as error:
        raise StudyError(
            f"The raster cannot be read ({error}).", str(path), "It may be cut short: fetch it again."
        ) from None
    for missing in (*query.fill, *(product.fill if product else ())):
        # float32 storage of a fill such as -3.4e38 is not the exact number
        values[np.isclose(values, missing, rtol=1e-2 if abs(missing) > 1e30 else 1e-9)] = np.nan
    unit = query.units.get(key) or unit or (product.units.get(key, "") if product else "")
    where = f"{path.name}: {variables()[key].short}"
    return Part(step, {key: contract_layer(values, unit, key, step, when, path.name, where, context)}, seen)
