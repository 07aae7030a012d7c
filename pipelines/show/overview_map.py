"""One page that shows what covers what: soils, fields, climate cells, and in words what is missing."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio.features
from odc.geo.geobox import GeoBox
from PIL import Image, ImageColor
from pyproj import Transformer
from rasterio.warp import Resampling, reproject

from pipelines.show.charts import nice_ticks
from pipelines.show.page_templates import template

_MOST_PIXELS = 1000
_MARGIN = 0.04  # of the longer side
NONE, RATED, UNRATED, OUTLINE, MISSING = range(5)
_COLOURS = ("#FFFFFF", "#CFE3C0", "#BBBBBB", "#333333", "#CC3311")


@dataclass(frozen=True)
class Overview:
    """What the page shows; anything may be missing, but grid and fields not both.

    Attributes
    ----------
    site_raster : int32 array on the grid, or None
        -1 where the soil map has nothing.
    rated : bool array (site,), or None
    without_soil : bool array (field,)
        Fields that the soil map misses.
    facts : list of (layer, text)
    faults, findings : list of str
    """

    title: str
    grid: GeoBox | None
    site_raster: np.ndarray | None
    rated: np.ndarray | None
    fields: gpd.GeoDataFrame | None
    without_soil: np.ndarray
    cells: pd.DataFrame | None
    facts: list[tuple[str, str]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)
    problems: int = 0
    us: bool = True


def draw_overview(overview: Overview, path: Path) -> None:
    """Write the page as one HTML file that needs no other."""
    left, bottom, right, top = _bounds(overview)
    margin = _MARGIN * max(right - left, top - bottom)
    shown = (left - margin, bottom - margin, right + margin, top + margin)
    layer = overview.fields if overview.grid is None else overview.grid
    if layer is None:
        raise ValueError("Neither a grid nor fields: there is nothing to draw.")
    canvas = GeoBox.from_bbox(shown, str(layer.crs), shape=_MOST_PIXELS, tight=True)
    to_pixels, (rows, columns) = ~canvas.affine, canvas.shape
    unit_m, unit = (1609.344, "miles") if overview.us else (1000.0, "km")
    across, up = (
        [(f"{v:g}", v * unit_m) for v in nice_ticks(0, side / unit_m, 7) if v * unit_m <= side]
        for side in (right - left, top - bottom)
    )
    image, stored = Image.fromarray(paint(overview, canvas)), io.BytesIO()
    image.putpalette([part for colour in _COLOURS for part in ImageColor.getrgb(colour)])
    image.save(stored, "PNG", optimize=True)
    page = template("check.html.j2")
    text = page.render(
        overview=overview, rows=rows, columns=columns, unit=unit, key=_key(overview),
        across=[(text, (to_pixels * (left + metres, bottom))[0]) for text, metres in across],
        up=[(text, (to_pixels * (left, bottom + metres))[1]) for text, metres in up],
        cells=[to_pixels * place for place in _cells(overview, str(layer.crs))],
        picture=base64.b64encode(stored.getvalue()).decode(),
    )  # fmt: skip
    path.write_text(text, encoding="utf-8", newline="\n")


def _bounds(overview: Overview) -> tuple[float, float, float, float]:
    """Return the extent of grid and fields together, so that a field off the map is seen."""
    boxes = [] if overview.grid is None else [tuple(overview.grid.extent.boundingbox.bbox)]
    if overview.fields is not None and len(overview.fields):
        boxes.append(tuple(overview.fields.total_bounds))
    table = np.array(boxes or [(0.0, 0.0, 1.0, 1.0)], dtype=float)
    low, high = table[:, :2].min(axis=0), table[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def paint(overview: Overview, canvas: GeoBox) -> np.ndarray:
    """Return what each pixel shows: ground, and over it the fields."""
    pixels = np.full(canvas.shape, NONE, dtype=np.uint8)
    if overview.site_raster is not None and overview.rated is not None and overview.grid is not None:
        reproject(
            ground_classes(overview.site_raster, overview.rated), pixels, resampling=Resampling.nearest,
            src_transform=overview.grid.affine, dst_transform=canvas.affine,
            src_crs=str(overview.grid.crs), dst_crs=str(overview.grid.crs),
        )  # fmt: skip
    if overview.fields is not None:
        shapes = overview.fields.geometry
        layers = [(shapes[overview.without_soil], MISSING), (shapes.boundary[~overview.without_soil], OUTLINE)]
        drawn = [(shape, code) for layer, code in layers for shape in layer if shape and not shape.is_empty]
        if drawn:
            rasterio.features.rasterize(drawn, out=pixels, transform=canvas.affine, all_touched=True)
    return pixels


def ground_classes(site_raster: np.ndarray, rated: np.ndarray) -> np.ndarray:
    """Return for every pixel whether it has soil data (`NONE`) and can be rated (`RATED`, `UNRATED`)."""
    table = np.concatenate([[NONE], np.where(rated, RATED, UNRATED)]).astype(np.uint8)
    classes: np.ndarray = table[site_raster + 1]
    return classes


def _cells(overview: Overview, crs: str) -> list[tuple[float, float]]:
    """Return the places of the climate cells in the system of the map."""
    if overview.cells is None:
        return []
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(
        overview.cells["longitude"].to_numpy(float), overview.cells["latitude"].to_numpy(float)
    )
    return list(zip(x, y, strict=True))


def _key(overview: Overview) -> list[tuple[str, str]]:
    """Return colour and meaning of what the picture shows, climate cells apart."""
    codes: dict[int, str] = {}
    if overview.site_raster is not None:
        codes |= {RATED: "soils that can be rated", UNRATED: "ground that cannot be rated", NONE: "no soil data"}
    if overview.fields is not None:
        codes[OUTLINE] = f"fields ({len(overview.fields)})"
        if lost := int(overview.without_soil.sum()):
            codes[MISSING] = f"fields without soils ({lost})"
    return [(_COLOURS[code], text) for code, text in codes.items()]
