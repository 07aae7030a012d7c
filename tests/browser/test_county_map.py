"""The county page in a real browser with the network off: squares, colours, layers, legends."""

from __future__ import annotations

import re

import numpy as np
import pytest

from geo.options import COVERS
from geo.rating import in_steps
from pipelines.show.legend import zone_styles
from tests.browser.county_steps import ACRE_HA, READY, canvas_sum, choose

LAYERS = ("zone", "gap", "shortfall", "water", "latest", "freeze", "agreement", "capacity")

pytestmark = pytest.mark.browser


@pytest.fixture
def opened(open_page, county_file):
    return open_page(county_file, wait=READY)


def test_opens_from_disk_without_a_request_or_an_error(opened):
    assert opened.page.locator("#map_county canvas").count() == 1
    assert opened.page.locator("#legend-list li").count() == 7
    opened.assert_quiet()


def test_squares_are_the_sites_of_the_study(opened, county):
    """Points of the study grid, carried to latitude and longitude by pyproj, find their own site."""
    from pyproj import Transformer

    rng = np.random.default_rng(2)
    r, c = rng.integers(1, 399, (2, 300))
    around = np.stack([county.site_raster[r + i, c + j] for i in (-1, 0, 1) for j in (-1, 0, 1)])
    same = (around == around[4]).all(axis=0)
    x, y = county.grid.affine @ (c[same] + 0.5, r[same] + 0.5)
    lon, lat = Transformer.from_crs("EPSG:5070", "EPSG:4326", always_xy=True).transform(x, y)
    found = opened.page.evaluate(
        "(points) => points.map(p => SF.layer.siteAt(...SF.layer.fromLatLng(L.latLng(p[0], p[1]))))",
        np.stack([lat, lon], axis=1).tolist(),
    )
    assert same.sum() > 60
    assert found == county.site_raster[r[same], c[same]].tolist()


def test_drawn_colours_are_those_of_the_zones(opened, county):
    """What stands on the canvas, away from lines and labels, is the fill or the pattern of the site's zone."""
    seen = opened.page.evaluate(
        """() => { SF.view.shown = new Uint8Array(SF.data.fields.count); SF.layer.repaint();
        const canvas = document.querySelector('#map_county canvas'), context = canvas.getContext('2d');
        const out = []; const size = SF.map.getSize();
        for (let k = 0; k < 400; k++) {
          const p = L.point(5 + (k * 37) % (size.x - 10), 5 + (k * 91) % (size.y - 10));
          const site = SF.layer.siteAt(...SF.layer.fromLatLng(SF.map.containerPointToLatLng(p.add([0.5, 0.5]))));
          const at = SF.map.containerPointToLayerPoint(p).subtract(SF.layer._bounds.min);
          out.push([site, ...context.getImageData(Math.floor(at.x), Math.floor(at.y), 1, 1).data]);
        } return out; }"""
    )
    from pipelines.show.county.images import ink

    styles = zone_styles()
    codes = county.zones["zone_code"].to_numpy()
    inside = [s for s in seen if s[0] >= 0]
    assert len(inside) > 100
    right = sum(tuple(rgb) in (styles[codes[site]].rgb, ink(styles[codes[site]].rgb)) for site, *rgb, _ in inside)
    assert right / len(inside) > 0.97
    assert all(alpha == 0 for site, _, _, _, alpha in seen if site < 0)


def test_layers_have_a_legend_with_units_and_areas(opened):
    drawn = set()
    for layer in LAYERS:
        choose(opened.page, "layer", layer)
        _check_legend(opened, layer)
        drawn.add(canvas_sum(opened.page))
    assert len(drawn) == len(LAYERS)
    opened.assert_quiet()


def _check_legend(opened, layer):
    rows = opened.page.locator("#legend-list li").all_inner_texts()
    assert all("acres" in r for r in rows)
    acres = sum(float(re.search(r"([\d,.]+) acres", r).group(1).replace(",", "")) for r in rows)
    assert acres == pytest.approx(opened.page.evaluate("SF.site.area.reduce((a, b) => a + b)") / ACRE_HA, abs=8)
    unit = {"gap": " in", "water": " in", "capacity": " in", "shortfall": "in 10 years", "agreement": "%"}.get(layer)
    if unit:
        assert all(unit in r for r in rows[:-1])
    if layer in ("freeze", "latest"):
        assert all(re.search(r"[A-Z][a-z]{2} \d", r) for r in rows[:-1])
    assert opened.page.locator("#legend-title").inner_text()


def test_layer_classes_follow_the_outcomes(opened, county):
    """Area in each class of the gap legend, added up in Python from the outcomes."""
    choose(opened.page, "layer", "gap")
    for cover, name in enumerate(COVERS):
        choose(opened.page, "cover", str(cover))
        labels = opened.page.locator("#legend-list li span:nth-child(2)").all_inner_texts()
        areas = opened.page.locator("#legend-list .acres").all_inner_texts()
        limits = [float(re.search(r"([\d.]+) in", t).group(1)) for t in labels[1:-1]]
        gap = in_steps(county.outcomes["planting_gap_mm"].sel(option=name, stat="mean").values, 0.1) / 254
        rated = county.sites["rated_share"].to_numpy() >= 0.5
        place = np.where(rated, np.searchsorted(limits, gap, side="right"), len(limits) + 1)
        expected = np.bincount(place, county.sites["area_ha"], minlength=len(labels)) / ACRE_HA
        shown = [float(a.split()[0].replace(",", "")) for a in areas]
        assert shown == pytest.approx(expected.tolist(), abs=1)
