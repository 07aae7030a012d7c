"""One page that shows what covers what: soils, fields, climate cells, and in words what is missing."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from odc.geo.geobox import GeoBox
from pyproj import Transformer

_MOST_PIXELS = 1200
_NONE, _RATED, _UNRATED = "#FFFFFF", "#CFE3C0", "#BBBBBB"
_OUTLINE, _MISSING, _CELL = "#333333", "#CC3311", "#004488"
_WIDTH_IN, _HEIGHT_IN, _DPI = 11.0, 8.5, 130
_LINE_CHARACTERS = 46


@dataclass(frozen=True)
class Overview:
    """What the page shows; anything may be missing.

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
    """Write the page as a PNG on a landscape letter sheet."""
    figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN), dpi=_DPI)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.06, 0.09, 0.58, 0.80))
    figure.text(0.06, 0.94, _plain(overview.title), fontsize=15, weight="bold", va="center")
    handles = _draw_map(axes, overview)
    figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.66, 0.07), frameon=False, fontsize=9)
    _write_words(figure, overview)
    figure.savefig(path, format="png")


def ground_classes(site_raster: np.ndarray, rated: np.ndarray, step: int = 1) -> np.ndarray:
    """Return 0 no soil data, 1 can be rated, 2 cannot, for every `step`-th pixel."""
    table = np.concatenate([[0], np.where(rated, 1, 2)]).astype(np.uint8)
    classes: np.ndarray = table[site_raster[::step, ::step] + 1]
    return classes


def _draw_map(axes: Any, overview: Overview) -> list[Any]:
    """Draw in kilometres (or miles) from the lower left corner of the study; return the legend."""
    left, bottom, right, top = _bounds(overview)
    scale, unit = (1609.344, "miles") if overview.us else (1000.0, "km")
    handles: list[Any] = []
    grid = overview.grid
    if overview.site_raster is not None and overview.rated is not None and grid is not None:
        step = max(1, max(overview.site_raster.shape) // _MOST_PIXELS)
        box = grid.extent.boundingbox
        axes.imshow(
            ground_classes(overview.site_raster, overview.rated, step),
            cmap=ListedColormap([_NONE, _RATED, _UNRATED]),
            vmin=0,
            vmax=2,
            interpolation="nearest",
            extent=[(box.left - left) / scale, (box.right - left) / scale, (box.bottom - bottom) / scale,
                    (box.top - bottom) / scale],
        )  # fmt: skip
        handles += [
            Patch(facecolor=_RATED, edgecolor="none", label="soils that can be rated"),
            Patch(facecolor=_UNRATED, edgecolor="none", label="ground that cannot be rated"),
            Patch(facecolor=_NONE, edgecolor="#999999", label="no soil data"),
        ]
    if overview.fields is not None:
        shown = overview.fields.geometry.affine_transform(
            [1 / scale, 0, 0, 1 / scale, -left / scale, -bottom / scale]
        )
        shown.boundary.plot(ax=axes, color=_OUTLINE, linewidth=0.5, aspect=None)
        handles.append(Line2D([], [], color=_OUTLINE, linewidth=1, label=f"fields ({len(shown)})"))
        if overview.without_soil.any():
            missing = shown[overview.without_soil]
            missing.plot(ax=axes, facecolor=_MISSING, edgecolor=_MISSING, hatch="///", aspect=None)
            handles.append(Patch(facecolor=_MISSING, label=f"fields without soils ({len(missing)})"))
    crs = None if grid is None else grid.crs
    if crs is None and overview.fields is not None:
        crs = overview.fields.crs
    if overview.cells is not None and crs is not None:
        x, y = Transformer.from_crs("EPSG:4326", str(crs), always_xy=True).transform(
            overview.cells["longitude"].to_numpy(float), overview.cells["latitude"].to_numpy(float)
        )
        axes.plot((x - left) / scale, (y - bottom) / scale, "+", color=_CELL, markersize=8, markeredgewidth=1.4)
        handles.append(
            Line2D([], [], color=_CELL, marker="+", linestyle="none", markersize=8, label=f"climate ({len(x)} cells)")
        )
    margin = 0.04 * max(right - left, top - bottom) / scale
    axes.set_xlim(-margin, (right - left) / scale + margin)
    axes.set_ylim(-margin, (top - bottom) / scale + margin)
    axes.set_aspect("equal", anchor="NW")
    axes.set_xlabel(f"{unit} from the lower left corner")
    axes.set_ylabel(unit)
    axes.tick_params(labelsize=8)
    return handles


def _bounds(overview: Overview) -> tuple[float, float, float, float]:
    """Return the extent of grid and fields together, so that a field off the map is seen."""
    boxes = []
    if overview.grid is not None:
        boxes.append(tuple(overview.grid.extent.boundingbox.bbox))
    if overview.fields is not None and len(overview.fields):
        boxes.append(tuple(overview.fields.total_bounds))
    table = np.array(boxes or [(0.0, 0.0, 1.0, 1.0)], dtype=float)
    low, high = table[:, :2].min(axis=0), table[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _write_words(figure: Figure, overview: Overview) -> None:
    blocks: list[tuple[str, list[str], str]] = [
        ("What is there", [f"{layer}: {text}" for layer, text in overview.facts], "black"),
        ("What stops the run", overview.faults, _MISSING),
        ("What is missing or doubtful", overview.findings, "black"),
    ]
    if overview.problems:
        blocks.append(("Rows", [f"{overview.problems} rows repaired, left out or doubtful: see the list"], "black"))
    y = 0.92
    for heading, lines, colour in blocks:
        if not lines or y < 0.34:
            continue
        figure.text(0.66, y, heading, fontsize=10, weight="bold", color=colour, va="top")
        y -= 0.025
        for line in lines:
            wrapped = textwrap.wrap(_plain(line), _LINE_CHARACTERS)
            if y - 0.019 * len(wrapped) < 0.32:
                figure.text(0.66, y, "and more: see the printed list", fontsize=8.5, va="top")
                y = 0.0
                break
            figure.text(0.66, y, "\n".join(wrapped), fontsize=8.5, va="top", linespacing=1.15)
            y -= 0.019 * len(wrapped) + 0.006
        y -= 0.012


def _plain(text: str) -> str:
    """Return text that the drawing library takes as it is: a dollar sign would start a formula."""
    return text.replace("$", r"\$")
