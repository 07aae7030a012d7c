"""The frame of the printed county map: degrees of latitude and longitude, a north mark and a scale bar, as SVG."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape
from pyproj import Transformer

from pipelines.show.county.images import WEB_MERCATOR, WebRaster
from pipelines.study.units import Units, convert
from pipelines.study.words import Catalogue

WIDTH = 1000.0
"""Width of the picture in units of the drawing; its height follows the picture."""
_LEFT, _TOP, _RIGHT, _BOTTOM = 58.0, 16.0, 76.0, 128.0
_TICK, _LETTER = 12.0, 27.0
_STEPS_DEG = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0)
_MOST_TICKS = 6
_LENGTHS = (1, 2, 5, 10, 20, 50, 100, 200, 500)
_LONGEST_BAR = 0.3


@dataclass(frozen=True)
class Ticks:
    """Ticks of one axis: degrees (east and north positive), place in units of the drawing, decimals to write."""

    degrees: np.ndarray
    place: np.ndarray
    decimals: int


def ticks(raster: WebRaster) -> tuple[Ticks, Ticks]:
    """Return the ticks of longitude (from the left edge) and of latitude (from the top edge) of a web map.

    In Web Mercator meridians and parallels are straight and stand upright, so that one tick serves both edges.
    """
    west, south, east, north = raster.bounds
    to_degrees = Transformer.from_crs(WEB_MERCATOR, "EPSG:4326", always_xy=True)
    to_map = Transformer.from_crs("EPSG:4326", WEB_MERCATOR, always_xy=True)
    (low_x, high_x), (low_y, high_y) = to_degrees.transform([west, east], [south, north])
    scale = WIDTH / (east - west)
    longitude, decimals_x = _whole(low_x, high_x)
    latitude, decimals_y = _whole(low_y, high_y)
    x, _ = to_map.transform(longitude, np.full(longitude.size, low_y))
    _, y = to_map.transform(np.full(latitude.size, low_x), latitude)
    return (
        Ticks(longitude, (np.asarray(x) - west) * scale, decimals_x),
        Ticks(latitude, (north - np.asarray(y)) * scale, decimals_y),
    )


def _whole(low: float, high: float) -> tuple[np.ndarray, int]:
    """Return whole multiples of the finest step that gives few enough of them, and the decimals of that step."""
    step = next((s for s in _STEPS_DEG if (high - low) / s <= _MOST_TICKS), _STEPS_DEG[-1])
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    decimals = max(len(f"{step:g}".partition(".")[2]), 0)
    return np.arange(first, last + 1) * step, decimals


def bar_length(ground_width_m: float, units: Units) -> tuple[float, str]:
    """Return the length of the scale bar in units of the drawing, and the distance that it shows."""
    unit, label = ("mile", "mile") if units.us else ("kilometer", "km")
    whole = convert(ground_width_m, "meter", unit)
    length = max((n for n in _LENGTHS if n <= whole * _LONGEST_BAR), default=_LENGTHS[0])
    return WIDTH * length / whole, f"{length} {units.words.t(f'county.paper.{label}')}"


def map_frame(raster: WebRaster, units: Units, words: Catalogue) -> tuple[Markup, str]:
    """Return the drawing and the style that lays the picture into it.

    Returns
    -------
    svg : Markup
        Every text escaped.
    place : str
        CSS of the picture inside the drawing, in percent of it.
    """
    rows, columns = raster.site.shape
    height = WIDTH * rows / columns
    whole_width, whole_height = _LEFT + WIDTH + _RIGHT, _TOP + height + _BOTTOM
    parts = [f'<rect x="0" y="0" width="{WIDTH:g}" height="{height:.1f}" class="neat"/>']
    east_west, north_south = ticks(raster)
    for degrees, x in zip(east_west.degrees, east_west.place, strict=True):
        text = _degrees(degrees, east_west.decimals, ("west", "east"), words)
        parts += [_line(x, height, x, height + _TICK), _line(x, 0, x, -_TICK)]
        parts.append(f'<text x="{x:.1f}" y="{height + _TICK + _LETTER:.1f}" text-anchor="middle">{text}</text>')
    for degrees, y in zip(north_south.degrees, north_south.place, strict=True):
        text = _degrees(degrees, north_south.decimals, ("south", "north"), words)
        parts += [_line(0, y, -_TICK, y), _line(WIDTH, y, WIDTH + _TICK, y)]
        turned = f"translate({-_TICK - 10:g} {y:.1f}) rotate(-90)"
        parts.append(f'<text transform="{turned}" text-anchor="middle">{text}</text>')
    parts += [_north_mark(words), _scale_bar(raster.ground_m * columns, height, units)]
    label = escape(words.t("county.paper.frame"))
    svg = (
        f'<svg class="frame" role="img" aria-label="{label}" viewBox="{-_LEFT:g} {-_TOP:g} {whole_width:g} '
        f'{whole_height:.1f}">{"".join(parts)}</svg>'
    )
    place = (
        f"left:{100 * _LEFT / whole_width:.3f}%;top:{100 * _TOP / whole_height:.3f}%;"
        f"width:{100 * WIDTH / whole_width:.3f}%;height:{100 * height / whole_height:.3f}%"
    )
    return Markup(svg), place


def _line(x0: float, y0: float, x1: float, y1: float) -> str:
    return f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"/>'


def _degrees(value: float, decimals: int, sides: tuple[str, str], words: Catalogue) -> str:
    side = "" if value == 0 else words.t(f"county.paper.{sides[int(value > 0)]}")
    return str(escape(words.t("county.paper.degrees", number=f"{abs(value):.{decimals}f}", side=side).strip()))


def _north_mark(words: Catalogue) -> str:
    """Draw a furrow plumb: a staff with a hollow and a full half of a leaf, its tip to the north."""
    x = WIDTH + 44.0
    letter = escape(words.t("county.paper.north"))
    return (
        f'<text x="{x:g}" y="14" text-anchor="middle" class="north">{letter}</text>'
        f'<path d="M{x:g} 26V138" class="staff"/><path d="M{x:g} 26Q{x - 24:g} 74 {x:g} 104Z" class="hollow"/>'
        f'<path d="M{x:g} 26Q{x + 24:g} 74 {x:g} 104Z" class="full"/>'
    )


def _scale_bar(ground_width_m: float, height: float, units: Units) -> str:
    """Draw a bar of two halves below the lower right corner."""
    length, text = bar_length(ground_width_m, units)
    x, y = WIDTH - length, height + 68.0
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{length:.1f}" height="12" class="hollow"/>'
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{length / 2:.1f}" height="12" class="full"/>'
        f'<text x="{x:.1f}" y="{y + 44:.1f}" text-anchor="middle">0</text>'
        f'<text x="{WIDTH:.1f}" y="{y + 44:.1f}" text-anchor="end">{escape(text)}</text>'
    )
