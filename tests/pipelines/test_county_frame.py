"""The frame of the printed county map: its ticks lie where a projection library puts those degrees."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from odc.geo.geobox import GeoBox
from pyproj import Geod, Transformer

from pipelines.show.county.frame import WIDTH, bar_length, map_frame, ticks
from pipelines.show.county.images import warp_sites
from pipelines.study.units import Units
from pipelines.study.words import load_catalogue

WORDS = load_catalogue()
PLACES = [
    pytest.param("EPSG:5070", (-620_000, 1_880_000, -570_000, 1_935_000), id="a county of the High Plains"),
    pytest.param("EPSG:5070", (-620_000, 1_880_000, -617_000, 1_883_000), id="three km"),
    pytest.param("EPSG:32755", (600_000, 6_000_000, 700_000, 6_080_000), id="south and east"),
]


def raster_of(crs: str, bounds: tuple[float, float, float, float]):
    step = (bounds[2] - bounds[0]) / 200
    grid = GeoBox.from_bbox(bounds, crs=crs, resolution=step)
    return warp_sites(np.zeros(grid.shape, np.int32), grid), grid


@pytest.mark.parametrize(("crs", "bounds"), PLACES)
def test_ticks_lie_on_their_degrees(crs, bounds):
    """pyproj moves each tick on the edge of the picture back to degrees."""
    raster, _ = raster_of(crs, bounds)
    west, south, east, north = raster.bounds
    back = Transformer.from_crs("EPSG:3857", "EPSG:4326", always_xy=True)
    longitude, latitude = ticks(raster)
    scale = (east - west) / WIDTH
    for axis, known in ((longitude, 0), (latitude, 1)):
        assert 2 <= len(axis.degrees) <= 6 + 1
        for degrees, place in zip(axis.degrees, axis.place, strict=True):
            x, y = (west + place * scale, south) if known == 0 else (west, north - place * scale)
            assert back.transform(x, y)[known] == pytest.approx(degrees, abs=1e-9)
            assert f"{degrees:.{axis.decimals}f}" == f"{round(degrees, axis.decimals):.{axis.decimals}f}"
            assert abs(degrees - round(degrees, axis.decimals)) < 1e-9, "the label is the whole truth"
    assert (longitude.place >= 0).all()
    assert (longitude.place <= WIDTH).all()


@pytest.mark.parametrize("system", ["us", "metric"])
def test_the_scale_bar_is_as_long_on_the_ground(system):
    raster, _ = raster_of("EPSG:5070", (-620_000, 1_880_000, -570_000, 1_935_000))
    width = raster.ground_m * raster.site.shape[1]
    length, text = bar_length(width, Units(system, WORDS))
    number, unit = text.split()
    assert unit == ("mi" if system == "us" else "km")
    west, south, east, north = raster.bounds
    middle = (south + north) / 2
    ends = [west, west + (east - west) * length / WIDTH]
    (x0, x1), (y0, y1) = Transformer.from_crs(3857, 4326, always_xy=True).transform(ends, [middle, middle])
    metres = Geod(ellps="WGS84").inv(x0, y0, x1, y1)[2]
    assert metres == pytest.approx(float(number) * (1609.344 if system == "us" else 1000.0), rel=0.005)
    assert 0.05 * WIDTH < length <= 0.3 * WIDTH


@pytest.mark.parametrize(("crs", "bounds"), PLACES)
def test_the_drawing_is_whole_and_named(crs, bounds):
    raster, _ = raster_of(crs, bounds)
    svg, place = map_frame(raster, Units("us", WORDS), WORDS)
    root = ET.fromstring(str(svg))
    assert root.get("aria-label") == WORDS.t("county.paper.frame")
    texts = [t.text for t in root.iter("text")]
    sides = "SE" if crs.endswith("55") else "NW"
    assert sum(bool(re.fullmatch(rf"[\d.]+\u00b0 [{sides}]", t)) for t in texts) >= 4
    assert "N" in texts
    x, y, width, height = (float(v) for v in root.get("viewBox").split())
    share = dict(part.split(":") for part in place.split(";"))
    assert float(share["left"][:-1]) / 100 * width == pytest.approx(-x, abs=0.1)
    assert float(share["height"][:-1]) / 100 * height == pytest.approx(
        WIDTH * raster.site.shape[0] / raster.site.shape[1], abs=0.1
    )
    for path in root.iter("path"):
        for px, py in re.findall(r"(-?[\d.]+) (-?[\d.]+)", path.get("d")):
            assert x <= float(px) <= x + width
            assert y <= float(py) <= y + height


def test_words_from_a_catalogue_are_escaped():
    raster, _ = raster_of("EPSG:5070", (-620_000, 1_880_000, -570_000, 1_935_000))
    nasty = type(WORDS)({**WORDS.entries, "county.paper.north": "<b>", "county.paper.frame": '"><i>'})
    svg, _ = map_frame(raster, Units("us", WORDS), nasty)
    assert "<b>" not in svg
    assert "<i>" not in svg
