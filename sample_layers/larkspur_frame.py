"""The frame of invented Larkspur County: a square of survey miles, and smooth seeded noise on it.

Everything is drawn in metres east and north of the south-west corner and turned into longitude and latitude by one
linear rule, so that shapes which share an edge in metres share it in degrees too, to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]

MILE_M = 1609.344
PIXELS_PER_MILE = 27
CENTRE_LON, CENTRE_LAT = -103.0, 40.0
# WGS 84 at 40 N: length of one degree along the parallel and along the meridian, m
LON_DEGREE_M, LAT_DEGREE_M = 85_393.0, 111_035.0


@dataclass(frozen=True)
class Frame:
    """A square county.

    Attributes
    ----------
    miles : int
        Length of a side in survey miles (sections).
    """

    miles: int

    @property
    def side_m(self) -> float:
        """Length of a side, m."""
        return self.miles * MILE_M

    @property
    def pixels(self) -> int:
        """Cells along a side of the drawing grid."""
        return self.miles * PIXELS_PER_MILE

    @property
    def pixel_m(self) -> float:
        """Side of a cell of the drawing grid, m."""
        return MILE_M / PIXELS_PER_MILE

    @property
    def west(self) -> float:
        """Western edge, degrees east."""
        return CENTRE_LON - self.side_m / 2 / LON_DEGREE_M

    @property
    def south(self) -> float:
        """Southern edge, degrees north."""
        return CENTRE_LAT - self.side_m / 2 / LAT_DEGREE_M

    @property
    def transform(self) -> Affine:
        """From row and column of the drawing grid (row 0 in the north) to metres."""
        return Affine(self.pixel_m, 0.0, 0.0, 0.0, -self.pixel_m, self.side_m)

    def lonlat(self, geometry: object) -> object:
        """Turn shapely geometries from metres into degrees."""
        scale = np.array([1 / LON_DEGREE_M, 1 / LAT_DEGREE_M])
        corner = np.array([self.west, self.south])
        return shapely.transform(geometry, lambda xy: corner + xy * scale)  # type: ignore[call-overload]

    def unit_square(self, lon: Floats, lat: Floats) -> tuple[Floats, Floats]:
        """Turn degrees into shares of the side: u west to east, v south to north."""
        u = (np.asarray(lon) - self.west) * LON_DEGREE_M / self.side_m
        v = (np.asarray(lat) - self.south) * LAT_DEGREE_M / self.side_m
        return u, v

    def grid_xy(self) -> tuple[Floats, Floats]:
        """Return the metres east and north of every cell centre of the drawing grid."""
        centre = (np.arange(self.pixels) + 0.5) * self.pixel_m
        x, y = np.meshgrid(centre, centre[::-1])
        return x, y


def noise(rng: np.random.Generator, frame: Frame, wavelength_m: float, octaves: int = 3) -> Floats:
    """Return smooth noise with mean 0 and standard deviation 1 on the drawing grid."""
    total = np.zeros((frame.pixels, frame.pixels))
    for octave in range(octaves):
        # a Gaussian filter of width s leaves features about 4 s across
        sigma = wavelength_m / 2**octave / 4 / frame.pixel_m
        # coarse noise is filtered on a coarse grid and stretched: same look, a fraction of the time
        step = max(1, int(sigma // 4))
        size = -(-frame.pixels // step) + 8
        layer = ndimage.gaussian_filter(rng.standard_normal((size, size)), sigma / step, mode="reflect")
        if step > 1:
            layer = ndimage.zoom(layer, step, order=1)
        margin = 4 * step
        layer = layer[margin : margin + frame.pixels, margin : margin + frame.pixels]
        total += layer / layer.std() * 0.5**octave
    return (total - total.mean()) / total.std()


def as_share(field: Floats) -> Floats:
    """Return the rank of each cell among all cells, 0 to 1, so that a threshold is a share of the county."""
    rank = np.empty(field.size)
    rank[np.argsort(field, axis=None, kind="stable")] = np.arange(field.size)
    return ((rank + 0.5) / field.size).reshape(field.shape)


def smoothstep(value: Floats, low: float | Floats, high: float | Floats) -> Floats:
    """Return 0 below low, 1 above high, and a smooth rise between them."""
    t = np.clip((value - low) / (high - low), 0.0, 1.0)
    return t * t * (3 - 2 * t)
