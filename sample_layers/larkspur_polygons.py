"""Map unit polygons of invented Larkspur County: landforms become map units, map units become a gapless coverage."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes, sieve
from scipy import ndimage
from shapely.geometry import shape

from sample_layers.larkspur_frame import Frame, as_share, noise
from sample_layers.larkspur_terrain import CODE, LANDFORMS, Ground

SMALLEST_CELLS = 14  # about 5 ha, the usual smallest delineation of a detailed survey
TOLERANCE_M = 105.0


def draw_units(
    rng: np.random.Generator, frame: Frame, ground: Ground, units: Mapping[str, Mapping[str, Any]]
) -> NDArray[np.int16]:
    """Return the index of the map unit of every cell of the drawing grid."""
    texture, phase = noise(rng, frame, 5200), noise(rng, frame, 1700, 2)
    grid = np.full(ground.landform.shape, -1, np.int16)
    for landform in LANDFORMS:
        inside = ground.landform == CODE[landform]
        # ranks are taken inside the landform, so that every unit of it gets its share
        t, p = as_share(texture[inside]), as_share(phase[inside])
        codes = np.full(t.size, -1, np.int16)
        for code, unit in enumerate(units.values()):
            name, t0, t1, p0, p1 = unit["place"]
            if name == landform:
                codes[(t >= t0) & (t <= t1) & (p >= p0) & (p <= p1)] = code
        grid[inside] = codes
    if (grid < 0).any():
        raise ValueError("the map unit table leaves part of a landform without a unit")
    return _settle(grid, fixed=np.isin(ground.landform, [CODE[n] for n in ("water", "town", "pit")]))


def _settle(grid: NDArray[np.int16], fixed: NDArray[np.bool_]) -> NDArray[np.int16]:
    """Round the outlines off and join what is too small to map; man-made shapes and water stay as drawn."""
    best = np.zeros(grid.shape, np.float32)
    smooth = grid.copy()
    for code in np.unique(grid):
        weight = ndimage.gaussian_filter((grid == code).astype(np.float32), 1.4)
        win = weight > best
        best[win], smooth[win] = weight[win], code
    smooth[fixed] = grid[fixed]
    smooth = sieve(smooth, SMALLEST_CELLS, connectivity=4)
    for _ in range(20):  # cells that meet only at a corner would pinch a polygon
        a, b, c, d = smooth[:-1, :-1], smooth[:-1, 1:], smooth[1:, :-1], smooth[1:, 1:]
        pinch = ((a == d) & (a != b) & (a != c)) | ((b == c) & (b != a) & (b != d))
        rows, cols = np.nonzero(pinch)
        if not rows.size:
            break
        smooth[rows, cols] = smooth[rows + 1, cols]
    return sieve(smooth, SMALLEST_CELLS, connectivity=4)


def draw_polygons(frame: Frame, grid: NDArray[np.int16], symbols: list[str]) -> gpd.GeoDataFrame:
    """Return the map unit polygons (columns `symbol`, `geometry`) in metres: they cover the county, none overlaps."""
    found = [(shape(s), int(c)) for s, c in shapes(grid, connectivity=4)]
    # drawn in whole cells: an exact lattice, with a corner wherever three polygons may meet
    lattice = shapely.segmentize(np.array([s for s, _ in found]), 1.0)
    lattice = shapely.transform(lattice, np.round)
    smooth = shapely.coverage_simplify(lattice, TOLERANCE_M / frame.pixel_m, simplify_boundary=False)
    if not shapely.coverage_is_valid(smooth):
        raise ValueError("the map unit polygons do not form a clean coverage")
    scale, top = frame.pixel_m, frame.side_m
    metres = shapely.transform(smooth, lambda xy: np.column_stack([xy[:, 0] * scale, top - xy[:, 1] * scale]))
    return gpd.GeoDataFrame({"symbol": [symbols[c] for _, c in found]}, geometry=metres)
