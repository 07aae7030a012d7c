"""Read soils in any of the known forms."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

from geo.errors import Problem, StudyError
from geo.soils import SoilTable
from pipelines.read.soils.common import Area
from pipelines.read.soils.geodatabase import read_geodatabase, read_map_unit_raster
from pipelines.read.soils.grids import grid_kind, read_soil_grids
from pipelines.read.soils.survey import find_survey_areas, read_survey_export
from pipelines.study.file import SoilKind

KINDS: tuple[str, ...] = get_args(SoilKind)
_RASTERS = (".tif", ".tiff", ".img", ".vrt", ".nc", ".nc4")


def read_soils(
    path: str | Path,
    *,
    kind: SoilKind = "auto",
    area: Area | None = None,
    crs: Any = None,
    variables: Mapping[str, Any] | None = None,
) -> tuple[SoilTable, list[Problem]]:
    """Read soils and return profiles of four one-foot layers with their map, and what was left out or repaired.

    Parameters
    ----------
    path : str or Path
        Survey export (folder, zip, or a folder of several), geodatabase, raster of map units, or grids of
        available water capacity, of field capacity and wilting point, or of texture (a GeoTIFF, a NetCDF or a
        folder of GeoTIFFs).
    area : tuple, optional
        Window ``(minx, miny, maxx, maxy, crs)``; only what touches it is read.
    crs : optional
        CRS of a layer that lacks one.
    variables : mapping, optional
        What the grids' own metadata do not say, see `pipelines.read.soils.grids`; for a map unit raster
        ``{"tables": path}``.

    Raises
    ------
    StudyError
        When the layer cannot be read as it is; says where and what to do.
    """
    place = Path(path)
    if kind not in KINDS:
        raise StudyError(
            f"The kind of soil layer {kind!r} is not known.", str(place), f"Use one of: {', '.join(KINDS)}."
        )
    if not place.exists():
        raise StudyError("The soil layer does not exist.", str(place), "Check the path in the study file.")
    options = dict(variables or {})
    chosen = detect_kind(place, options) if kind == "auto" else kind
    if chosen == "survey_export":
        return read_survey_export(place, area=area, crs=crs)
    if chosen == "geodatabase":
        return read_geodatabase(place, area=area, crs=crs)
    if chosen == "map_unit_raster":
        return read_map_unit_raster(place, tables=options.get("tables"), area=area, crs=crs)
    return read_soil_grids(place, kind=chosen, area=area, crs=crs, variables=options)


def detect_kind(path: Path, variables: Mapping[str, Any]) -> str:
    """Return the kind of a soil layer from its files."""
    name = path.name.lower()
    if name.endswith((".gdb", ".gdb.zip")):
        return "geodatabase"
    if path.is_dir() or name.endswith(".zip"):
        if find_survey_areas(path):
            return "survey_export"
        if name.endswith(".zip"):
            return "geodatabase"
        inner = sorted(path.glob("*.gdb"))
        if len(inner) == 1:
            raise StudyError("The folder holds a geodatabase.", str(path), f"Give the path {inner[0]} itself.")
    if path.is_dir() or name.endswith(_RASTERS):
        return grid_kind(path, variables)
    raise StudyError(
        "The soil layer is of no known kind.",
        str(path),
        "Give a survey export (folder or zip), a .gdb, or GeoTIFF/NetCDF grids; or name the kind in the study file.",
    )
