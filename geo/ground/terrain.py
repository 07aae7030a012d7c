"""Slope from elevation, for runoff and the erosion caution."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.errors import StudyError
from geo.ground.row_blocks import row_blocks


def slope_percent(elevation_m: NDArray[np.floating], cell_m: float | tuple[float, float]) -> NDArray[np.float32]:
    """Return the slope of each cell from its eight neighbours (%).

    A neighbour that is missing (edge or NaN) is drawn on in a straight line from the opposite one through the
    centre; where that is missing too, the centre is used. A missing cell has no slope.

    Parameters
    ----------
    elevation_m : float array (row, column)
        Elevation (m), NaN = unknown.
    cell_m : float or (height, width)
        Cell size on the ground (m).

    Returns
    -------
    float32 array (row, column)
        Rise over run in percent: 100 is 45 degrees.

    Raises
    ------
    StudyError
        A grid that is not two-dimensional, or a cell size that is not above zero.

    References
    ----------
    Horn, B.K.P. (1981), Hill shading and the reflectance map, Proc. IEEE 69(1):14-47 (weights 1, 2, 1).
    """
    height, width = cell_m if isinstance(cell_m, tuple) else (cell_m, cell_m)
    if elevation_m.ndim != 2 or not (height > 0 and width > 0):
        raise StudyError(
            f"Slope needs a grid and a cell size above 0 m, not {elevation_m.ndim} dimensions and {cell_m} m.",
            "elevation",
            "Give one elevation layer on the study grid.",
        )
    rows = elevation_m.shape[0]
    slope = np.empty(elevation_m.shape, dtype=np.float32)
    for block in row_blocks(elevation_m.shape):
        above, below = int(block.start > 0), int(block.stop < rows)
        part = np.asarray(elevation_m[block.start - above : block.stop + below], dtype=np.float64)
        # Odd reflection carries the edge on in a straight line: twice the edge value minus the one inside it.
        padded = np.pad(part, ((1 - above, 1 - below), (1, 1)), mode="reflect", reflect_type="odd")
        slope[block] = _slope_inside(padded, height, width)
    return slope


def _slope_inside(padded: NDArray[np.float64], height: float, width: float) -> NDArray[np.float64]:
    """Return the slope (%) of all but the outermost cells."""
    centre = padded[1:-1, 1:-1]
    rows, columns = centre.shape

    def neighbour(down: int, right: int) -> NDArray[np.float64]:
        direct = padded[1 + down : 1 + down + rows, 1 + right : 1 + right + columns]
        if not np.isnan(direct).any():
            return direct
        opposite = padded[1 - down : 1 - down + rows, 1 - right : 1 - right + columns]
        drawn_on = np.where(np.isnan(opposite), centre, 2 * centre - opposite)
        return np.where(np.isnan(direct), drawn_on, direct)

    nw, n, ne = neighbour(-1, -1), neighbour(-1, 0), neighbour(-1, 1)
    w, e = neighbour(0, -1), neighbour(0, 1)
    sw, s, se = neighbour(1, -1), neighbour(1, 0), neighbour(1, 1)
    east = ((ne + 2 * e + se) - (nw + 2 * w + sw)) / (8 * width)
    south = ((sw + 2 * s + se) - (nw + 2 * n + ne)) / (8 * height)
    return np.where(np.isnan(centre), np.nan, 100 * np.hypot(east, south))


def site_means(values: NDArray[np.floating], site_raster: NDArray[np.int32], n_sites: int) -> NDArray[np.float64]:
    """Return the mean of a layer over the pixels of each site; NaN where a site has no known pixel.

    Parameters
    ----------
    values : float array (row, column)
        Layer on the study grid, NaN = unknown.
    site_raster : int32 array (row, column)
        -1 = no site.
    n_sites : int
        Number of sites.

    Returns
    -------
    float64 array (site,)
        In the unit of `values`.
    """
    pixels, total = np.zeros(n_sites, dtype=np.int64), np.zeros(n_sites)
    for rows in row_blocks(site_raster.shape):
        known = (site_raster[rows] >= 0) & np.isfinite(values[rows])
        site = site_raster[rows][known]
        pixels += np.bincount(site, minlength=n_sites)
        total += np.bincount(site, weights=values[rows][known], minlength=n_sites)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(pixels > 0, total / pixels, np.nan)
