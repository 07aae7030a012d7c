"""Read an elevation raster onto the study grid, only the window that the grid needs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.crs import CRS
from rasterio.enums import Resampling
from rasterio.errors import RasterioIOError
from rasterio.vrt import WarpedVRT
from rasterio.warp import transform_bounds

from geo.errors import Problem, StudyError
from pipelines.study.unit_registry import fits, line, unit_name

LAYER = "elevation"
# Units of heights (US survey and international foot differ by 2 mm in 1,000 m); any spelling of theirs is read.
VERTICAL_UNITS = ("m", "ft", "us-ft", "cm", "dm")
# Farmland lies between the shore of the Dead Sea and the highest fields of the Andes and Tibet (from memory).
PLAUSIBLE_M = (-450.0, 6000.0)


def read_elevation(
    path: str | Path,
    grid: GeoBox,
    *,
    unit: str | None = None,
    band: int = 1,
    needed: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.float32], list[Problem]]:
    """Return elevation on the study grid (m, float32), NaN where the source has nothing.

    A source finer than the grid is averaged, a coarser one interpolated between its cells (bilinear), so that
    no steps of the source show up as slopes.

    Parameters
    ----------
    unit : str, optional
        Vertical unit (``m``, ``ft``, ``us-ft``, ``cm``); overrules the file's own.
    band : int
        Band of the file, from 1.
    needed : bool array on the grid, optional
        Where the study has soils; holes elsewhere are not listed.

    Raises
    ------
    StudyError
        File missing or unreadable, no CRS, no overlap with the grid, unknown unit, or impossible heights.
    """
    place = Path(path)
    if not place.exists():
        raise StudyError("The elevation file does not exist.", str(place), "Check the path under [elevation].")
    try:
        with rasterio.open(place) as source:
            if not 1 <= band <= source.count:
                raise StudyError(
                    f"There is no band {band}.", f"{place}: band", f"The file has bands 1 to {source.count}."
                )
            if source.crs is None:
                raise StudyError(
                    "The elevation raster does not say its coordinate reference system.",
                    str(place),
                    "Assign its CRS in a GIS; the page it was downloaded from names it.",
                )
            factor, problems = _metres(unit, source.units[band - 1], place)
            heights = _warp(source, grid, band, place) * np.float32(factor)
    except RasterioIOError as error:
        raise StudyError(
            f"The elevation file cannot be read: {error}", str(place), "Open it in a GIS and save it as GeoTIFF."
        ) from error
    known = np.isfinite(heights)
    if not known.any():
        raise StudyError(
            "The elevation raster has no heights in the study area.",
            str(place),
            "Get the tiles that cover the county.",
        )
    low, high = float(heights[known].min()), float(heights[known].max())
    if low < PLAUSIBLE_M[0] or high > PLAUSIBLE_M[1]:
        raise StudyError(
            f"Heights run from {low:.0f} to {high:.0f} m, which no farmland has.",
            str(place),
            'Name the vertical unit under [elevation] (unit = "ft" or "cm"), or mark the no-data value in the file.',
        )
    wanted = np.ones_like(known) if needed is None else needed
    missing = float((wanted & ~known).sum() / max(int(wanted.sum()), 1))
    if missing > 0.001:
        what = f"{missing:.1%} of the study {'grid' if needed is None else 'area'} has no elevation; no slope there"
        problems.append(Problem(LAYER, place.name, what, "warning", "Get the missing tiles."))
    return heights, problems


def _metres(unit: str | None, stated: str | None, place: Path) -> tuple[float, list[Problem]]:
    name = (unit or stated or "").strip().lower()
    if not name:
        what = "the file does not say its vertical unit; metres were taken"
        fix = 'Write unit = "m" or unit = "ft" under [elevation].'
        return 1.0, [Problem(LAYER, place.name, what, "warning", fix)]
    if not fits(name, "m") or unit_name(name) not in map(unit_name, VERTICAL_UNITS):
        raise StudyError(
            f"{name!r} is not a vertical unit that is known.",
            f"{place}: unit",
            f"Write one of {', '.join(VERTICAL_UNITS)} under [elevation].",
        )
    return line(name, "m")[0], []


def _warp(source: rasterio.DatasetReader, grid: GeoBox, band: int, place: Path) -> NDArray[np.float32]:
    """Reproject on the fly: GDAL reads only the blocks under the grid."""
    box = grid.extent.boundingbox
    target = CRS.from_user_input(str(grid.crs))
    west, south, east, north = transform_bounds(target, source.crs, *box.bbox, densify_pts=21)
    left, bottom, right, top = source.bounds
    if west > max(left, right) or east < min(left, right) or south > max(bottom, top) or north < min(bottom, top):
        raise StudyError(
            "The elevation raster does not meet the study area.", str(place), "Get the tiles that cover the county."
        )
    # Cells of the source under one cell of the grid, along a row.
    ratio = (east - west) / abs(source.transform.a) / grid.shape.x
    resampling = Resampling.average if ratio > 1.5 else Resampling.bilinear
    with WarpedVRT(
        source,
        crs=target,
        transform=grid.affine,
        width=grid.shape.x,
        height=grid.shape.y,
        resampling=resampling,
        nodata=np.nan,
        dtype="float32",
    ) as warped:
        return warped.read(band)
