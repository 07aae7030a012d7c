"""Default looks of the layers: QML for QGIS, SLD (OGC 1.0) for other tools, drawn from one legend."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from branca.colormap import linear

from pipelines.show.charts import nice_ticks
from pipelines.show.layers.columns import Column
from pipelines.show.legend import zone_legend
from pipelines.show.page_templates import template

CLASSES = 6
LABEL_SCALE = 60000


@dataclass(frozen=True, slots=True)
class StyleClass:
    """One row of a legend: a code, a range, or a stop of a colour ramp."""

    label: str
    colour: str
    value: float | int = 0
    lower: float = 0.0
    upper: float = 0.0
    pattern: str = "none"

    @property
    def rgb(self) -> str:
        """Colour as ``r,g,b``."""
        return ",".join(str(int(self.colour[i : i + 2], 16)) for i in (1, 3, 5))


@dataclass(frozen=True, slots=True)
class Style:
    """A look of one layer in both notations."""

    name: str
    qml: str
    sld: str

    def write_beside(self, path: Path) -> list[Path]:
        """Write ``<path stem>.qml`` and ``.sld``; GIS programs pick them up by name."""
        files = [path.with_suffix(".qml"), path.with_suffix(".sld")]
        for file, text in zip(files, (self.qml, self.sld), strict=True):
            file.write_text(text, encoding="utf-8")
        return files


def zone_classes() -> list[StyleClass]:
    """Return the zones as legend rows, the code in front of the label so that colour is not the only sign."""
    return [
        StyleClass(label=f"{z.code}  {z.label}", colour=z.colour.lower(), value=z.code, pattern=z.pattern)
        for z in zone_legend()
    ]


def amount_breaks(values: np.ndarray, column: Column) -> np.ndarray:
    """Return round class borders that hold all finite values; shares go from 0 to 1."""
    finite = values[np.isfinite(values)]
    if column.unit == "1":
        return np.round(np.linspace(0.0, 1.0, CLASSES), 6)
    low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
    return np.round(nice_ticks(low, high if high > low else low + 1, CLASSES), 9)


def ramp_stops(values: np.ndarray, column: Column, ramp: str) -> list[StyleClass]:
    """Return the stops of a colour ramp over round values."""
    breaks = amount_breaks(values, column)
    unit = f" {column.unit_label}" if column.unit_label else ""
    return [
        StyleClass(label=f"{b:g}{unit}", colour=c, value=float(b))
        for b, c in zip(breaks, _ramp(ramp, len(breaks)), strict=True)
    ]


def ranges(values: np.ndarray, column: Column, ramp: str) -> list[StyleClass]:
    """Return classes between round borders."""
    breaks = amount_breaks(values, column)
    unit = f" {column.unit_label}" if column.unit_label else ""
    return [
        StyleClass(label=f"{a:g} to {b:g}{unit}", colour=c, lower=float(a), upper=float(b))
        for a, b, c in zip(breaks[:-1], breaks[1:], _ramp(ramp, len(breaks) - 1), strict=True)
    ]


def zone_raster_style() -> Style:
    """Return the look of a raster of zone codes."""
    return _render("raster", "paletted", "zones", "Zones", classes=zone_classes())


def amount_raster_style(values: np.ndarray, column: Column, ramp: str) -> Style:
    """Return the look of a raster of one outcome: a colour ramp over round values."""
    return _render("raster", "ramp", column.name, column.titled, classes=ramp_stops(values, column, ramp))


def zone_vector_style(layer: str, columns: list[Column], label_field: str = "", cased: bool = False) -> Style:
    """Return the look of polygons by ``zone_code``: colour, number and pattern of each zone, titles of columns."""
    return _render(
        "vector", "categorizedSymbol", layer, "Zones", classes=zone_classes(), attribute="zone_code",
        lines="cased" if cased else "thin", aliases={c.name: c.titled for c in columns}, label_field=label_field,
        label_scale=LABEL_SCALE,
    )  # fmt: skip


def amount_vector_style(layer: str, values: np.ndarray, column: Column, columns: list[Column], ramp: str) -> Style:
    """Return the look of polygons by one amount, in classes."""
    return _render(
        "vector", "graduatedSymbol", layer, column.titled, classes=ranges(values, column, ramp),
        attribute=column.name, lines="none", aliases={c.name: c.titled for c in columns},
        label_field="", label_scale=LABEL_SCALE,
    )  # fmt: skip


def _ramp(name: str, count: int) -> list[str]:
    ramp = getattr(linear, name)
    return [ramp.rgb_hex_str(place) for place in np.linspace(0.04, 0.96, max(count, 1))]


def _render(geometry: str, kind: str, layer: str, title: str, **values: object) -> Style:
    words = {"kind": kind, "layer": layer, "title": title, **values}
    names = (f"{geometry}.{end}.j2" for end in ("qml", "sld"))
    qml, sld = (template(name, "pipelines.show.layers").render(words) for name in names)
    return Style(name=title, qml=qml.lstrip(), sld=sld.lstrip())
