"""Take the polygons out of any geometry: clips and repairs leave points, lines and collections behind."""

from __future__ import annotations

import shapely


def leaves(shape: shapely.Geometry | None) -> list[shapely.Geometry]:
    """Return the simple geometries of a geometry, those of nested collections included."""
    if shape is None:
        return []
    if not hasattr(shape, "geoms"):
        return [shape]
    return [leaf for part in shape.geoms for leaf in leaves(part)]


def polygon_parts(shape: shapely.Geometry | None) -> list[shapely.Polygon]:
    """Return the polygons of a geometry that are not empty; points and lines are left out.

    Parameters
    ----------
    shape : Geometry or None
        Any geometry, nested collections included.

    Returns
    -------
    list of Polygon
    """
    return [leaf for leaf in leaves(shape) if isinstance(leaf, shapely.Polygon) and not leaf.is_empty]


def joined(parts: list[shapely.Polygon]) -> shapely.Polygon | shapely.MultiPolygon | None:
    """Return polygons as one geometry.

    Parameters
    ----------
    parts : list of Polygon

    Returns
    -------
    Polygon or MultiPolygon or None
        None for an empty list.
    """
    if len(parts) < 2:
        return parts[0] if parts else None
    return shapely.MultiPolygon(parts)
