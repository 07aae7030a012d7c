"""What every soil reader shares: the window of the study, the reference tables, and tidy polygons."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from geo.errors import NothingHere, Problem, StudyError
from geo.soils import SoilTable, build_soil_table, clean_key
from pipelines.study.house import shared_dir

Area = tuple[float, float, float, float, Any]
"""Window of the study: minx, miny, maxx, maxy and the CRS they are in."""

Bounds = tuple[float, float, float, float]
TABLES = ("mapunit", "component", "chorizon", "corestrictions", "comonth", "cosoilmoist")
OPTIONAL_TABLES = ("corestrictions", "comonth", "cosoilmoist")
MAX_CELLS = 200_000_000
"""Above this many cells a raster is not read without a window (1.6 GB in eight-byte numbers)."""


@lru_cache(maxsize=1)
def restriction_kinds() -> pd.DataFrame:
    """Return the kinds of restriction: bool ``root_limiting`` and ``impermeable``, index ``kind``."""
    table = pd.read_csv(shared_dir() / "soil_restrictions.csv").set_index("kind")
    return table[["root_limiting", "impermeable"]] == "yes"


@lru_cache(maxsize=1)
def surface_table() -> pd.DataFrame:
    """Return the texture classes with their evaporation and water limits, index ``texture``."""
    return pd.read_csv(shared_dir() / "soil_surface.csv").set_index("texture")


@lru_cache(maxsize=1)
def _survey_listing() -> pd.DataFrame:
    return pd.read_csv(shared_dir() / "soil_survey_columns.csv").sort_values("position")


def survey_columns() -> dict[str, list[str]]:
    """Return the column order of the survey's text tables, by table."""
    return {str(table): list(rows["column"]) for table, rows in _survey_listing().groupby("table")}


def survey_files() -> dict[str, str]:
    """Return the short names of the survey's text files, by table."""
    return dict(_survey_listing().drop_duplicates("table").set_index("table")["file"])


def parse_crs(crs: Any, where: str) -> CRS:
    """Return a CRS, or stop with the words that name its place."""
    try:
        return CRS.from_user_input(crs)
    except CRSError as error:
        raise StudyError(
            f"The coordinate system {crs!r} is not known.", where, "Write it as EPSG:<number>, such as EPSG:5070."
        ) from error


def area_bounds(area: Area, crs: Any) -> Bounds:
    """Return the bounds of the window in another CRS; edges are densified so that nothing is cut off."""
    minx, miny, maxx, maxy, own = area
    transformer = Transformer.from_crs(parse_crs(own, "area"), parse_crs(crs, "soil layer"), always_xy=True)
    bounds = transformer.transform_bounds(minx, miny, maxx, maxy, densify_pts=21)
    if not np.all(np.isfinite(bounds)):
        raise StudyError(
            "The study area cannot be expressed in the coordinate system of the soil layer.",
            where=f"area {minx:g}, {miny:g}, {maxx:g}, {maxy:g} in {own}",
            fix="Check the CRS of the study area and of the soil layer.",
        )
    return bounds


def outside(where: str, bounds: object) -> StudyError:
    """Return the error for a soil layer that does not reach the study area."""
    return NothingHere(
        "The soil layer does not cover the study area.",
        where=f"{where}; its extent: {bounds}",
        fix="Check the CRS of both, swapped coordinates, and that the download is for this county.",
    )


def tidy_polygons(polygons: gpd.GeoDataFrame, where: str) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Return map unit polygons with ``map_unit_id`` and valid geometry; repairs are listed.

    Raises
    ------
    StudyError
        When the layer has no map unit key.
    """
    name = next((c for c in polygons.columns if str(c).lower() in ("mukey", "map_unit_id")), None)
    if name is None:
        raise StudyError(
            "The soil polygons have no map unit key.",
            where=f"{where}; columns: {', '.join(map(str, polygons.columns))}",
            fix="Use the layer of map unit polygons; its key column is called MUKEY.",
        )
    problems: list[Problem] = []
    frame = gpd.GeoDataFrame(
        {"map_unit_id": clean_key(polygons[name])}, geometry=polygons.geometry.array, crs=polygons.crs
    )
    frame.index = pd.RangeIndex(len(frame))
    empty = frame.geometry.isna() | frame.geometry.is_empty | (frame["map_unit_id"] == "")
    for key in frame.loc[empty, "map_unit_id"]:
        what = "polygon without geometry or key"
        problems.append(Problem("soils", f"{where}, map unit {key or '?'}", what, "left out"))
    frame = frame[~empty]
    invalid = ~frame.geometry.is_valid
    if invalid.any():
        repaired = frame.geometry[invalid].make_valid(method="structure", keep_collapsed=False)
        for key in frame.loc[invalid, "map_unit_id"]:
            problems.append(Problem("soils", f"{where}, map unit {key}", "invalid polygon", "repaired"))
        frame.loc[invalid, "geometry"] = repaired
        frame = frame[~frame.geometry.is_empty]
    return frame.reset_index(drop=True), problems


def water_tables_cm(tables: Mapping[str, pd.DataFrame]) -> dict[str, float]:
    """Return the highest wet layer of the year by component, cm, from the months and their moisture layers."""
    months, moist = tables.get("comonth"), tables.get("cosoilmoist")
    if months is None or moist is None or months.empty or moist.empty:
        return {}
    wet = moist[moist["soimoiststat"].astype("string").str.strip().str.lower().isin(["wet", "saturation"])]
    depth = pd.to_numeric(wet["soimoistdept_r"], errors="coerce")
    cokey = clean_key(wet["comonthkey"]).map(
        dict(zip(clean_key(months["comonthkey"]), clean_key(months["cokey"]), strict=True))
    )
    return {str(k): float(v) for k, v in depth.groupby(cokey).min().dropna().items()}


def assemble(
    tables: Mapping[str, pd.DataFrame],
    *,
    polygons: gpd.GeoDataFrame | None = None,
    code_raster: xr.DataArray | None = None,
    codes: dict[int, str] | None = None,
) -> tuple[SoilTable, list[Problem]]:
    """Build the soil table from survey tables and the map units that the map shows."""
    mapped = set(polygons["map_unit_id"]) if polygons is not None else set((codes or {}).values())
    units = tables["mapunit"]
    components = tables["component"]
    if mapped:
        units = units[clean_key(units["mukey"]).isin(mapped)]
        components = components[clean_key(components["mukey"]).isin(mapped)]
    return build_soil_table(
        units,
        components,
        tables["chorizon"],
        tables.get("corestrictions"),
        restriction_kinds=restriction_kinds(),
        surface=surface_table(),
        water_table_cm=water_tables_cm(tables),
        polygons=polygons,
        code_raster=code_raster,
        codes=codes,
    )
