"""Looks of the layers: well-formed, from the legend, and safe against any text."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from pipelines.show.layers.columns import describe
from pipelines.show.layers.styles import (
    amount_breaks,
    amount_raster_style,
    amount_vector_style,
    zone_raster_style,
    zone_vector_style,
)
from pipelines.show.legend import zone_legend
from tests.builders import HOSTILE_NAMES

GAP = describe("planting_gap_mm_winter_killed")
VALUES = np.array([3.0, np.nan, 77.0])
HOSTILE = [replace(describe("mine"), name=name, label=name) for name in HOSTILE_NAMES]
STYLES = {
    "zone raster": zone_raster_style(),
    "zone polygons": zone_vector_style("fields", [*HOSTILE, GAP], label_field="name", cased=True),
    "amount raster": amount_raster_style(VALUES, GAP, "YlOrRd_09"),
    "amount polygons": amount_vector_style("response_units", VALUES, GAP, HOSTILE, "YlOrRd_09"),
}
_SLD = {"sld": "http://www.opengis.net/sld", "ogc": "http://www.opengis.net/ogc"}


@pytest.mark.parametrize("name", STYLES)
def test_is_well_formed_whatever_the_names(name):
    ET.fromstring(STYLES[name].qml)
    root = ET.fromstring(STYLES[name].sld.encode())
    assert root.tag == "{http://www.opengis.net/sld}StyledLayerDescriptor"
    assert root.get("version") == "1.0.0"


def test_hostile_titles_stay_text():
    aliases = ET.fromstring(STYLES["zone polygons"].qml).findall("aliases/alias")
    assert [a.get("name") for a in aliases[: len(HOSTILE)]] == [c.titled for c in HOSTILE]


def test_zone_colours_are_those_of_the_legend():
    entries = ET.fromstring(STYLES["zone raster"].qml).findall(".//paletteEntry")
    assert [(e.get("value"), e.get("color")) for e in entries] == [
        (str(z.code), z.colour.lower()) for z in zone_legend()
    ]
    rules = ET.fromstring(STYLES["zone polygons"].sld.encode()).findall(".//sld:Rule", _SLD)
    seen = {
        r.find(".//ogc:Literal", _SLD).text: r.find(".//sld:CssParameter[@name='fill']", _SLD).text for r in rules
    }
    assert seen == {str(z.code): z.colour.lower() for z in zone_legend()}


@pytest.mark.parametrize(
    ("values", "column", "first", "last"),
    [
        ([3.0, np.nan, 77.0], GAP, 0.0, 80.0),
        ([-12.0, 41.0], GAP, -20.0, 50.0),
        ([5.0, 5.0], GAP, 5.0, 6.0),
        ([np.nan], GAP, 0.0, 1.0),
        ([0.1, 0.4], describe("shortfall_years_winter_killed"), 0.0, 1.0),
    ],
)
def test_breaks_hold_every_value(values, column, first, last):
    breaks = amount_breaks(np.array(values), column)
    finite = np.array(values)[np.isfinite(values)]
    assert len(breaks) >= 2
    assert (np.diff(breaks) > 0).all()
    if finite.size:
        assert breaks[0] <= finite.min()
        assert breaks[-1] >= finite.max()
    assert breaks[0] <= first + 1e-9 or breaks[0] == pytest.approx(first, abs=5)
    assert breaks[-1] == pytest.approx(last, abs=10)
