"""A study cut to a part of its ground, or on a grid in another CRS: the same values, fewer or moved pixels."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pyogrio
import rasterio.features
import shapely
from odc.geo.geobox import GeoBox
from odc.geo.warp import rio_reproject
from pyproj import Transformer

from geo.errors import StudyError
from geo.ground import cells_under, polygon_parts
from pipelines.run.result import StudyResult

Clip = Path | str | tuple[float, float, float, float]
_WGS84 = "EPSG:4326"


def clip_shape(clip: Clip, grid: GeoBox) -> shapely.Geometry:
    """Return the clip as one valid shape in the CRS of the grid.

    Parameters
    ----------
    clip : Path, str or tuple of float
        A polygon file with a CRS; or west, south, east, north in degrees, as text or numbers.
    grid : GeoBox
        Grid of the study.

    Raises
    ------
    StudyError
        When the box or the file is not understood, has no CRS, or lies outside the study.
    """
    box = _box(clip)
    crs = str(grid.crs)
    if box is not None:
        edge = shapely.segmentize(shapely.box(*box), max((box[2] - box[0]) / 32, (box[3] - box[1]) / 32))
        move = Transformer.from_crs(_WGS84, crs, always_xy=True)
        shape = shapely.transform(edge, lambda xy: np.column_stack(move.transform(xy[:, 0], xy[:, 1])))
        where = ", ".join(f"{v:g}" for v in box)
    else:
        where = str(clip)
        shape = _shape_of_file(Path(str(clip)), crs)
    if not shape.intersects(shapely.box(*grid.boundingbox.bbox)):
        raise StudyError(
            "The clip lies outside the study.", where, "Check the order (west, south, east, north) and CRS."
        )
    return shape


def _box(clip: Clip) -> tuple[float, float, float, float] | None:
    """Return west, south, east and north of a clip that is a box; None for a file."""
    if isinstance(clip, Path) or (isinstance(clip, str) and ("," not in clip or Path(clip).exists())):
        return None
    parts = clip.split(",") if isinstance(clip, str) else clip
    where, example = f"clip = {clip}", "Write west,south,east,north in degrees, for example -103.2,39.9,-102.9,40.1."
    try:
        west, south, east, north = (float(p) for p in parts)
    except ValueError:
        raise StudyError("The box is not four numbers.", where, example) from None
    if not (-180 <= west < east <= 180 and -90 <= south < north <= 90):
        raise StudyError("The box is not west, south, east, north in degrees.", where, example)
    return west, south, east, north


def _shape_of_file(path: Path, crs: str) -> shapely.Geometry:
    try:
        frame = pyogrio.read_dataframe(path, columns=[])
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        raise StudyError(
            "The clip file cannot be read.", f"{path} ({error})", "Give a polygon file or a box."
        ) from error
    if getattr(frame, "crs", None) is None:
        raise StudyError("The clip file has no CRS.", str(path), "Add a CRS to it (a .prj file or a GeoPackage).")
    shape = shapely.union_all(shapely.make_valid(frame.to_crs(crs).geometry.to_numpy()))
    areas = polygon_parts(shape)
    if not areas:
        raise StudyError("The clip file holds no polygons.", str(path), "Give a file with polygons, or a box.")
    return shapely.union_all(areas)


def clipped(result: StudyResult, shape: shapely.Geometry) -> StudyResult:
    """Return the study inside a shape: pixels whose centre lies in it, the areas of sites cut accordingly."""
    grid, raster = result.grid, result.site_raster
    rows, columns = cells_under(shape.bounds, grid.affine, grid.shape.yx)
    part = grid[rows, columns]
    outside = rasterio.features.geometry_mask([shape], part.shape, part.affine)
    cut = np.where(outside, -1, raster[rows, columns]).astype(raster.dtype)
    n = len(result.sites)
    before, after = (np.bincount(r[r >= 0], minlength=n) for r in (raster, cut))
    kept = np.divide(after, before, out=np.zeros(n), where=before > 0)
    sites = result.sites.assign(area_ha=result.sites["area_ha"].to_numpy() * kept)
    near = result.fields.intersects(shape).to_numpy()
    return replace(
        result, grid=part, site_raster=cut, sites=sites, fields=result.fields[near], coverage=result.coverage[near],
        field_outcomes=result.field_outcomes.isel(field=near), field_verdicts=result.field_verdicts.isel(field=near),
    )  # fmt: skip


def present_sites(result: StudyResult) -> np.ndarray:
    """Return the sites that have a pixel."""
    return np.unique(result.site_raster[result.site_raster >= 0])


def reprojected(result: StudyResult, crs: str) -> StudyResult:
    """Return the study on a grid in another CRS; each new pixel takes the site of the nearest old one."""
    grid = result.grid.to_crs(crs)
    moved = np.full(grid.shape, -1, dtype=np.int32)
    rio_reproject(
        result.site_raster.astype(np.int32),
        moved,
        result.grid,
        grid,
        resampling="nearest",
        src_nodata=-1,
        dst_nodata=-1,
    )
    return replace(result, grid=grid, site_raster=moved)
