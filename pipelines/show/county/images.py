"""The two pictures of the county page: site of each square as colour bytes, and the zones drawn ready to look at."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import rasterio.features
from geopandas import GeoDataFrame
from odc.geo.geobox import GeoBox
from PIL import Image
from rasterio.warp import Resampling, reproject

from geo.ground import row_blocks
from pipelines.show.legend import ZoneStyle

WEB_MERCATOR = "EPSG:3857"
MAX_PIXELS = 8_000_000
"""A canvas of a phone holds about 16 million pixels, and a square takes two; larger counties are thinned."""
_PRINT_WIDTH = 1200
_BOUNDARY = 8


@dataclass(frozen=True)
class WebRaster:
    """Sites on a grid that a web map can draw without moving anything.

    Attributes
    ----------
    site : ndarray of int32
        Site of each square, -1 outside; rows from north to south.
    west, north : float
        Outer corner in EPSG:3857 [m].
    step : float
        Side of a square in EPSG:3857 [m].
    ground_m : float
        Side of a square on the ground at the middle of the map [m].
    """

    site: np.ndarray
    west: float
    north: float
    step: float
    ground_m: float

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north in EPSG:3857 [m]."""
        rows, columns = self.site.shape
        return self.west, self.north - rows * self.step, self.west + columns * self.step, self.north


def warp_sites(site_raster: np.ndarray, grid: GeoBox, max_pixels: int = MAX_PIXELS) -> WebRaster:
    """Carry the site of each square to Web Mercator by the nearest neighbour, and cut off empty margins."""
    west, south, east, north = grid.footprint(WEB_MERCATOR, buffer=0).boundingbox
    step = abs(grid.resolution.y) / float(np.cos(_latitude((south + north) / 2)))
    step *= max(1.0, float(np.sqrt((east - west) / step * (north - south) / step / max_pixels)))
    target = grid.to_crs(WEB_MERCATOR, resolution=float(round(step, 2)), tight=True)  # type: ignore[arg-type]
    step = abs(target.resolution.x)
    warped = np.full(target.shape, -1, np.int32)
    reproject(
        np.asarray(site_raster, np.int32),
        warped,
        src_transform=grid.affine,
        src_crs=str(grid.crs),
        src_nodata=-1,
        dst_transform=target.affine,
        dst_crs=WEB_MERCATOR,
        dst_nodata=-1,
        resampling=Resampling.nearest,
        tolerance=0.01,
    )
    row, column = 0, 0
    inside = warped >= 0
    if inside.any():
        rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
        row, column = int(rows[0]), int(columns[0])
        warped = warped[row : rows[-1] + 1, column : columns[-1] + 1]
    west = target.affine.c + column * step
    north = target.affine.f - row * step
    latitude = _latitude(north - warped.shape[0] * step / 2)
    return WebRaster(np.ascontiguousarray(warped), west, north, step, float(step * np.cos(latitude)))


def _latitude(y: float) -> float:
    """Latitude [radians] of a northing in spherical Mercator (Snyder 1987, eq. 7-4)."""
    return float(2 * np.arctan(np.exp(y / 6378137.0)) - np.pi / 2)


def data_uri(png: bytes) -> str:
    """Return a picture as text that is part of the page itself."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


def site_bytes(raster: WebRaster) -> int:
    """Return how many bytes a square needs for its site."""
    return 1 + int(raster.site.max(initial=0) + 1 > 0xFF) + int(raster.site.max(initial=0) + 1 > 0xFFFF)


def site_png(raster: WebRaster) -> bytes:
    """Write site + 1 of each square as grey pixels of a PNG, low byte first, side by side (0: outside).

    A palette of greys keeps the PNG writer from filtering, which halves the size of such a picture; three colour
    channels would be filtered.
    """
    width = site_bytes(raster)
    number = np.ascontiguousarray((raster.site + 1).astype("<u4")).view(np.uint8).reshape(*raster.site.shape, 4)
    image = Image.fromarray(np.ascontiguousarray(number[:, :, :width]).reshape(raster.site.shape[0], -1), "P")
    image.putpalette(np.repeat(np.arange(256, dtype=np.uint8), 3).tobytes())
    return _png(image)


def site_checksum(raster: WebRaster) -> list[int]:
    """Two sums by which the page finds out that a browser has altered the picture while decoding it."""
    columns, total, by_place = raster.site.shape[1], 0, 0
    for rows in row_blocks(raster.site.shape):
        number = (raster.site[rows] + 1).astype(np.int64).ravel()
        place = np.arange(rows.start * columns, rows.stop * columns, dtype=np.int64) % 251
        total += int(number.sum())
        by_place += int(number @ place)
    return [total, by_place]


def zone_png(raster: WebRaster, zone_of_site: np.ndarray, zones: Sequence[ZoneStyle], fields: GeoDataFrame) -> bytes:
    """Draw the zones with their patterns and the field boundaries: for print, and for a page without script.

    Parameters
    ----------
    raster : WebRaster
    zone_of_site : array of int (site,)
        Zone code of each site.
    zones : sequence of ZoneStyle
    fields : GeoDataFrame
        In EPSG:3857.
    """
    code = np.where(raster.site >= 0, np.append(np.asarray(zone_of_site), 0)[raster.site], 0).astype(np.uint8)
    enlarge = max(1, _PRINT_WIDTH // max(code.shape[1], 1))
    thin = max(1, -(-code.shape[1] // (_PRINT_WIDTH + 200)))
    code = np.kron(code[thin // 2 :: thin, thin // 2 :: thin], np.ones((enlarge, enlarge), np.uint8))
    y, x = np.ogrid[: code.shape[0], : code.shape[1]]
    picture = code.copy()
    for zone in zones:
        picture[(code == zone.code) & pattern_mask(zone.pattern, x, y)] = zone.code + _BOUNDARY
    if len(fields):
        from affine import Affine

        step = raster.step * thin / enlarge
        lines = rasterio.features.rasterize(
            fields.geometry.boundary,
            out_shape=code.shape,
            transform=Affine(step, 0, raster.west, 0, -step, raster.north),
        )
        picture[lines == 1] = _BOUNDARY
    palette = np.full((16, 3), 255, np.uint8)
    palette[_BOUNDARY] = (34, 34, 34)
    for zone in zones:
        palette[zone.code] = zone.rgb
        palette[zone.code + _BOUNDARY] = ink(zone.rgb)
    image = Image.fromarray(picture, "P")
    image.putpalette(palette.tobytes())
    return _png(image, transparency=0, bits=4)


def pattern_mask(pattern: str, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Tell which pixels carry the ink of a pattern; the page draws the same patterns by the same rule."""
    if pattern == "lines":
        return np.broadcast_to(y % 8 < 2, np.broadcast_shapes(x.shape, y.shape))
    if pattern == "dots":
        return (x % 8 < 2) & ((y + 4 * ((x // 8) % 2)) % 8 < 2)
    if pattern == "grid":
        return (x % 10 < 1) | (y % 10 < 1)
    if pattern == "diagonal":
        return (x + y) % 10 < 2
    return np.zeros(np.broadcast_shapes(x.shape, y.shape), bool)


def ink(rgb: tuple[int, int, int]) -> tuple[int, int, int]:
    """Return the colour of a pattern on a fill: lighter on dark fills, darker on light ones."""
    light = 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2] > 120
    toward, part = (0, 0.4) if light else (255, 0.55)
    red, green, blue = (round(c + (toward - c) * part) for c in rgb)
    return red, green, blue


def swatch_png(zone: ZoneStyle, width: int = 34, height: int = 22) -> bytes:
    """Draw the fill and the pattern of one zone for a legend that needs no script."""
    y, x = np.ogrid[:height, :width]
    picture = np.empty((height, width, 3), np.uint8)
    picture[:] = zone.rgb
    picture[pattern_mask(zone.pattern, x, y)] = ink(zone.rgb)
    return _png(Image.fromarray(picture, "RGB").quantize(4))


def _png(image: Image.Image, **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, "PNG", optimize=True, **options)
    return buffer.getvalue()
