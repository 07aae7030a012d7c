"""Polygons of zones and response units: they cover the ground without gaps and overlaps, simplified together."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio.features
import shapely
import shapely.affinity
from odc.geo.geobox import GeoBox

SIMPLIFY_PIXELS = 1.0
"""Corners that cut off a triangle smaller than (this many pixels)^2 go: it removes the pixel stairs."""


def coverage_patches(codes: np.ndarray, simplify_pixels: float = SIMPLIFY_PIXELS) -> tuple[np.ndarray, np.ndarray]:
    """Return the patches of equal code as an edge-matched polygon coverage, in pixel units.

    Parameters
    ----------
    codes : ndarray of int, shape (row, column)
        Negative pixels are outside.
    simplify_pixels : float
        Tolerance of the simplification; 0 keeps the pixel stairs. The outer border is never moved, so the whole
        keeps its area.

    Returns
    -------
    patches : ndarray of shapely Polygon
        x is the column, y is the row, both counted from the upper left corner of the grid.
    values : ndarray of int32
        Code of each patch.

    Notes
    -----
    GDAL leaves out the corner of a polygon where two neighbours meet on its straight edge. Simplified one by one,
    such edges part. Every pixel corner on an edge is therefore made a vertex first (exact in whole pixels), which
    gives a valid coverage; `shapely.coverage_simplify` (Visvalingam-Whyatt on shared edges) then moves both sides
    alike, and a second pass with no tolerance takes the spare points off the straight outer border.
    """
    raster = np.ascontiguousarray(codes, dtype=np.int32)
    shapes = list(rasterio.features.shapes(raster, mask=raster >= 0, connectivity=4))
    values = np.array([value for _, value in shapes], dtype=np.int32)
    if not shapes:
        return np.array([], dtype=object), values
    patches = np.array([shapely.geometry.shape(geometry) for geometry, _ in shapes], dtype=object)
    patches = shapely.segmentize(patches, 1.0)
    patches = shapely.set_coordinates(patches, np.round(shapely.get_coordinates(patches)))
    patches = shapely.coverage_simplify(patches, simplify_pixels, simplify_boundary=False)
    return shapely.coverage_simplify(patches, 0.0, simplify_boundary=True), values


def to_map(shapes: np.ndarray, grid: GeoBox) -> np.ndarray:
    """Move shapes from pixel units to the CRS of the grid, every vertex by one rule, so that edges still match."""
    a = grid.affine
    xy = shapely.get_coordinates(shapes)
    moved = np.column_stack([a.a * xy[:, 0] + a.b * xy[:, 1] + a.c, a.d * xy[:, 0] + a.e * xy[:, 1] + a.f])
    return shapely.set_coordinates(np.array(shapes, dtype=object), moved)


def site_polygons(site_raster: np.ndarray, grid: GeoBox) -> gpd.GeoDataFrame:
    """Return one multipolygon a site, with columns ``site``, ``patches``, ``geometry``."""
    patches, values = coverage_patches(site_raster)
    return _gather(patches, values, grid, "site")


def zone_polygons(site_shapes: gpd.GeoDataFrame, zone_code: pd.Series) -> gpd.GeoDataFrame:
    """Merge the sites of `site_polygons` to zones; the borders of both layers are the same lines.

    Parameters
    ----------
    site_shapes : GeoDataFrame
        From `site_polygons`.
    zone_code : Series
        Zone code by site.

    Returns
    -------
    GeoDataFrame
        One row a zone that occurs: ``zone_code``, ``patches``, ``geometry`` (MultiPolygon).
    """
    codes = zone_code.loc[site_shapes["site"]].to_numpy()
    rows, shapes = [], []
    for code in np.unique(codes):
        parts = shapely.get_parts(site_shapes.geometry.to_numpy()[codes == code])
        merged = shapely.coverage_union_all(parts)
        merged = merged if isinstance(merged, shapely.MultiPolygon) else shapely.multipolygons([merged])
        rows.append({"zone_code": int(code), "patches": len(merged.geoms)})
        shapes.append(merged)
    table = pd.DataFrame(rows, columns=["zone_code", "patches"])
    return gpd.GeoDataFrame(table, geometry=shapes, crs=site_shapes.crs)


def _gather(patches: np.ndarray, values: np.ndarray, grid: GeoBox, key: str) -> gpd.GeoDataFrame:
    crs = str(grid.crs)
    if not len(values):
        return gpd.GeoDataFrame({key: [], "patches": []}, geometry=[], crs=crs).astype({key: int, "patches": int})
    order = np.argsort(values, kind="stable")
    present, first, count = np.unique(values[order], return_index=True, return_counts=True)
    placed = to_map(patches, grid)[order]
    shapes = [shapely.multipolygons(part) for part in np.split(placed, first[1:])]
    return gpd.GeoDataFrame({key: present.astype(np.int64), "patches": count}, geometry=shapes, crs=crs)
