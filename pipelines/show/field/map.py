"""The zone map of one field as inline SVG paths, with the line from longitude and latitude to the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import rasterio.features
import shapely
from affine import Affine
from odc.geo.geobox import GeoBox
from pyproj import Geod, Transformer
from shapely.affinity import affine_transform
from shapely.geometry import Polygon, shape
from shapely.geometry.base import BaseGeometry

from geo.ground import polygon_parts
from geo.profile import LAYER_MM

WIDTH = 1000
MAX_HEIGHT = 720
MARGIN = 14
PATH_BUDGET = 24_000
"""Characters of all zone paths of one map; a busier map loses its smallest patches, and only on the picture."""
LABEL_RADIUS, SMALLEST_RADIUS = 22, 15
LABELS_PER_ZONE = 3
Disc = tuple[int, int, int]
_FOOT_M = LAYER_MM / 1000  # a layer of the profile is one foot
_BARS: dict[str, tuple[tuple[float, str, float], ...]] = {
    "us": (
        *((feet, "ft", _FOOT_M) for feet in (100, 200, 500, 1000)),
        *((miles, "mi", 1609.344) for miles in (0.5, 1, 2, 5)),
    ),
    "metric": (*((m, "m", 1.0) for m in (20, 50, 100, 200, 500)), *((km, "km", 1000.0) for km in (1, 2, 5))),
}


@dataclass(frozen=True)
class Patches:
    """All ground of one zone: an SVG path, and where its number is written (x, y, radius of the disc)."""

    code: int
    path: str
    labels: tuple[tuple[int, int, int], ...]


@dataclass(frozen=True)
class FieldMap:
    """A drawn field.

    Attributes
    ----------
    width, height : int
        Size of the picture in its own units.
    zones : tuple of Patches
        Zones in order of their code; code 0 is ground without data.
    outline : str
        SVG path of the field.
    bar_length, bar_text, bar_unit
        Scale bar: its length in the picture, the number and the unit key (ft, mi, m, km).
    north_degrees : float
        Turn of the north arrow, clockwise from up.
    affine : tuple of float
        (a, b, c, d, e, f): x = a lon + b lat + c, y = d lon + e lat + f; EPSG:4326 degrees to the picture.
    metres_per_unit : float
        Ground length of one unit of the picture.
    """

    width: int
    height: int
    zones: tuple[Patches, ...]
    outline: str
    bar_length: int
    bar_text: str
    bar_unit: str
    north_degrees: float
    affine: tuple[float, ...]
    metres_per_unit: float


@lru_cache(maxsize=8)
def _to_degrees(crs: str) -> Transformer:
    return Transformer.from_crs(crs, "EPSG:4326", always_xy=True)


def draw_field(
    geometry: BaseGeometry, site_raster: np.ndarray, grid: GeoBox, zone_of_site: np.ndarray, units: str
) -> FieldMap:
    """Draw the zones inside a field.

    Parameters
    ----------
    geometry : Polygon or MultiPolygon
        The field in the CRS of the grid.
    site_raster : ndarray of int, shape of the grid
        Site of each pixel, -1 outside.
    grid : GeoBox
    zone_of_site : ndarray of uint8, shape (site,)
        Zone code of each site.
    units : {"us", "metric"}
        System of the scale bar.
    """
    crs = str(grid.crs)
    picture, height = _frame(geometry, crs)
    codes, place = _window(geometry.bounds, site_raster, grid, zone_of_site)
    parts: tuple[Patches, ...] = ()
    for smallest in (1, 3, 8, 20, 60, 200):
        if smallest > 1:
            codes = rasterio.features.sieve(codes, smallest)
        parts = _patches(codes, place, geometry, picture)
        if sum(len(p.path) for p in parts) <= PATH_BUDGET:
            break
    affine = _affine(geometry.bounds, crs, picture)
    metres = _metres_per_unit(geometry.bounds, crs, picture)
    number, unit, length = _scale_bar(units, metres)
    east, north = affine[1], affine[4]
    return FieldMap(
        width=WIDTH,
        height=height,
        zones=parts,
        outline=_path(geometry, picture),
        bar_length=length,
        bar_text=f"{number:g}",
        bar_unit=unit,
        north_degrees=math.degrees(math.atan2(east, -north)),
        affine=affine,
        metres_per_unit=metres,
    )


def _frame(geometry: BaseGeometry, crs: str) -> tuple[Affine, int]:
    """Return the affine from the ground to the picture, with true north up, and the height of the picture."""
    middle = geometry.centroid
    lon, lat = _to_degrees(crs).transform(middle.x, middle.y)
    (_, up_x), (_, up_y) = _to_degrees(crs).transform([lon, lon], [lat, lat + 1e-3], direction="INVERSE")
    turn = Affine.rotation(math.degrees(math.atan2(up_x - middle.x, up_y - middle.y)))
    hull = geometry.convex_hull
    left, bottom, right, top = affine_transform(hull, turn.to_shapely()).bounds
    scale = min((WIDTH - 2 * MARGIN) / max(right - left, 1e-6), (MAX_HEIGHT - 2 * MARGIN) / max(top - bottom, 1e-6))
    height = round((top - bottom) * scale) + 2 * MARGIN
    shift = (WIDTH - (right - left) * scale) / 2
    upright = Affine(scale, 0, shift - left * scale, 0, -scale, MARGIN + top * scale)
    return _times(upright, turn), height


def _times(first: Affine, second: Affine) -> Affine:
    """Return the affine that applies `second`, then `first`."""
    product = np.array(tuple(first)).reshape(3, 3) @ np.array(tuple(second)).reshape(3, 3)
    return Affine(*product.ravel()[:6])


def _scale(picture: Affine) -> float:
    return math.hypot(picture.a, picture.d)


def _to_picture(xy: np.ndarray, picture: Affine) -> np.ndarray:
    return xy @ np.array([[picture.a, picture.d], [picture.b, picture.e]]) + (picture.c, picture.f)


def _window(
    bounds: Sequence[float], site_raster: np.ndarray, grid: GeoBox, zone_of_site: np.ndarray
) -> tuple[np.ndarray, Affine]:
    """Cut the zone codes under a field; ground outside the grid counts as without data."""
    corners = _to_picture(np.reshape(bounds, (2, 2)), ~grid.affine)
    (col0, row0), (col1, row1) = np.floor(corners.min(axis=0)).astype(int), np.ceil(corners.max(axis=0)).astype(int)
    codes = np.zeros((max(row1 - row0, 1), max(col1 - col0, 1)), dtype=np.uint8)
    rows, cols = site_raster.shape
    r0, r1, c0, c1 = max(row0, 0), min(row1, rows), max(col0, 0), min(col1, cols)
    if r1 > r0 and c1 > c0:
        site = site_raster[r0:r1, c0:c1]
        codes[r0 - row0 : r1 - row0, c0 - col0 : c1 - col0] = np.where(site >= 0, zone_of_site[site], 0)
    return codes, _times(grid.affine, Affine.translation(col0, row0))


def _patches(codes: np.ndarray, place: Affine, geometry: BaseGeometry, picture: Affine) -> tuple[Patches, ...]:
    by_code: dict[int, list[BaseGeometry]] = {}
    for outline, code in rasterio.features.shapes(codes, connectivity=4, transform=place):
        by_code.setdefault(int(code), []).append(shape(outline))
    shapely.prepare(geometry)
    found = []
    taken: list[Disc] = []
    for code in sorted(by_code, key=lambda c: -sum(p.area for p in by_code[c])):
        cut = shapely.intersection(np.array(by_code[code], dtype=object), geometry)
        polygons = [p for part in cut for p in polygon_parts(part)]
        if polygons:
            path = "".join(_path(p, picture) for p in polygons)
            found.append(Patches(code, path, _label_places(polygons, picture, taken) if code else ()))
    return tuple(sorted(found, key=lambda part: part.code))


def _label_places(polygons: list[Polygon], picture: Affine, taken: list[Disc]) -> tuple[Disc, ...]:
    """Place a number in the largest patches that have room for it, and in any case in the largest one.

    A number in a narrow patch is smaller, and steps aside along the line between the two discs when it would cover
    another one.
    """
    places = []
    for k, polygon in enumerate(sorted(polygons, key=lambda p: -p.area)[:LABELS_PER_ZONE]):
        reach = shapely.maximum_inscribed_circle(polygon, tolerance=LABEL_RADIUS / _scale(picture) / 8)
        radius = min(max(round(reach.length * _scale(picture)), SMALLEST_RADIUS), LABEL_RADIUS)
        if k and radius < LABEL_RADIUS:
            continue
        x, y = _to_picture(np.array(reach.coords[0]), picture)
        disc = _step_aside((x, y), radius, taken)
        taken.append(disc)
        places.append(disc)
    return tuple(places)


def _step_aside(place: tuple[float, float], radius: int, taken: list[Disc]) -> Disc:
    x, y = place
    for other_x, other_y, other_radius in taken:
        least = radius + other_radius + 4
        dx, dy = x - other_x, y - other_y
        distance = math.hypot(dx, dy)
        if distance < least:
            x, y = (
                (x, other_y + least)
                if distance < 1
                else (x + dx * (least / distance - 1), y + dy * (least / distance - 1))
            )
    return round(x), round(y), radius


def _path(geometry: BaseGeometry, picture: Affine) -> str:
    """Return SVG path text in whole numbers: a start and relative steps for each ring, to be filled even-odd."""
    text = []
    for polygon in polygon_parts(geometry):
        for ring in (polygon.exterior, *polygon.interiors):
            points = np.rint(_to_picture(shapely.get_coordinates(ring), picture)).astype(int)
            steps = np.diff(points[:-1], axis=0)
            steps = steps[np.any(steps != 0, axis=1)]
            text.append(
                f"M{points[0][0]} {points[0][1]}l" + " ".join(f"{dx} {dy}" for dx, dy in steps.tolist()) + "z"
            )
    return "".join(text)


def _affine(bounds: Sequence[float], crs: str, picture: Affine) -> tuple[float, ...]:
    """Fit the plane from degrees to the picture; over a field the projection bends by less than a metre."""
    left, bottom, right, top = bounds
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(left, right, 5), np.linspace(bottom, top, 5)))
    lon, lat = _to_degrees(crs).transform(x, y)
    middle = (float(np.mean(lon)), float(np.mean(lat)))
    design = np.column_stack([lon - middle[0], lat - middle[1], np.ones_like(lon)])
    target = _to_picture(np.column_stack([x, y]), picture)
    (a, d), (b, e), (c, f) = np.linalg.lstsq(design, target, rcond=None)[0]
    return (a, b, c - a * middle[0] - b * middle[1], d, e, f - d * middle[0] - e * middle[1])


def _metres_per_unit(bounds: Sequence[float], crs: str, picture: Affine) -> float:
    """Return the ground length of one unit: the root of geodesic area over picture area."""
    left, bottom, right, top = bounds
    lon, lat = _to_degrees(crs).transform([left, right, right, left], [bottom, bottom, top, top])
    ground, _ = Geod(ellps="WGS84").polygon_area_perimeter(lon, lat)
    return math.sqrt(abs(ground) / ((right - left) * (top - bottom) * _scale(picture) ** 2))


def _scale_bar(units: str, metres_per_unit: float) -> tuple[float, str, int]:
    choices = _BARS[units]
    fitting = [c for c in choices if c[0] * c[2] / metres_per_unit <= WIDTH * 0.32] or choices[:1]
    number, unit, metres = fitting[-1]
    return number, unit, round(number * metres / metres_per_unit)
