"""The layers opened in headless QGIS: the styles are there, and the picture shows them."""

from __future__ import annotations

import json
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest

from pipelines.show.layers.columns import describe
from pipelines.show.legend import zone_legend
from tests.handoff.system_gis import run_system_python

pytestmark = pytest.mark.qgis
READER = Path(__file__).with_name("qgis_reader.py")


@pytest.fixture(scope="module")
def opened(published, tmp_path_factory):
    """What QGIS says of the layers, and the map that it draws of the zones."""
    folder = tmp_path_factory.mktemp("qgis")
    gpkg = published / "springfill.gpkg"
    sources = [f"{gpkg}|layername={n}" for n in ("fields", "response_units", "zones")]
    sources[2:2] = [str(published / "layers" / f"{n}.tif") for n in ("zones", "planting_gap_mm_winter_killed")]
    run_system_python("qgis.core", [str(READER), "seen.json", "map.png", *sources], folder)
    seen = json.loads((folder / "seen.json").read_text(encoding="utf-8"))
    names = ("fields", "response_units", "zones.tif", "gap.tif", "zones")
    return dict(zip(names, (seen[s] for s in sources), strict=True)), folder / "map.png"


@pytest.mark.parametrize("name", ["fields", "zones"])
def test_zone_layers_open_styled(opened, name):
    layer = opened[0][name]
    assert (layer["valid"], layer["renderer"], layer["attribute"]) == (True, "categorizedSymbol", "zone_code")
    assert [(c["value"], c["colour"]) for c in layer["classes"]] == [
        (z.code, z.colour.lower()) for z in zone_legend()
    ]
    assert [c["label"] for c in layer["classes"]] == [f"{z.code}  {z.label}" for z in zone_legend()]
    assert layer["geometry_valid"]
    assert layer["crs"] == "EPSG:5070"


def test_patterns_are_drawn(opened):
    by_code = {c["value"]: c["layers"] for c in opened[0]["zones"]["classes"]}
    lines = dict.fromkeys(("lines", "diagonal", "grid"), "LinePatternFill")
    expected = lines | {"dots": "PointPatternFill"}
    for zone in zone_legend():
        wanted = expected.get(zone.pattern)
        assert (wanted in by_code[zone.code]) if wanted else ("LinePatternFill" not in by_code[zone.code])


def test_response_units_open_by_classes(opened):
    layer = opened[0]["response_units"]
    assert (layer["renderer"], layer["attribute"]) == ("graduatedSymbol", "planting_gap_mm_winter_killed")
    assert len(layer["classes"]) >= 2
    assert layer["classes"][0]["label"].endswith("mm")


def test_columns_have_titles_with_units(opened):
    aliases = opened[0]["fields"]["aliases"]
    name = "planting_water_mm_winter_killed"
    assert aliases[name] == describe(name).titled
    assert opened[0]["fields"]["labels"]


def test_rasters_open_styled(opened):
    zones, gap = opened[0]["zones.tif"], opened[0]["gap.tif"]
    assert zones["renderer"] == "paletted"
    assert zones["legend"] == [[f"{z.code}  {z.label}", z.colour.lower()] for z in zone_legend()]
    assert gap["renderer"] == "singlebandpseudocolor"
    assert gap["legend"][-1][0].endswith("mm")
    assert "Planting gap, winter-killed mix [mm]" in gap["bands"][0]


def test_the_map_shows_the_zone_colours(opened, study):
    picture = np.rint(matplotlib.image.imread(opened[1])[..., :3] * 255).astype(int).reshape(-1, 3)
    codes = np.append(study.zones["zone_code"].to_numpy(), 0)[study.site_raster]
    for zone in zone_legend():
        drawn = (np.abs(picture - zone.rgb).max(axis=1) <= 2).mean()
        assert drawn > 0.4 * (codes == zone.code).mean(), (zone.key, drawn)
