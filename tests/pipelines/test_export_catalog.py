"""STAC item, data dictionary and provenance."""

from __future__ import annotations

import csv
import hashlib
import json
from html.parser import HTMLParser

import pyarrow.parquet as pq
import pystac
import pytest
import rasterio
import shapely
import xarray as xr

from pipelines.run.result import run_record
from pipelines.show.layers.about import about_facts, about_tags, layer_notes
from pipelines.show.layers.export import publish_layers
from pipelines.show.legend import zone_legend
from tests.builders import tiny_result


@pytest.fixture(scope="module")
def result():
    return tiny_result()


@pytest.fixture(scope="module")
def folder(result, tmp_path_factory):
    target = tmp_path_factory.mktemp("catalog") / "out"
    publish_layers(result, target)
    return target


@pytest.fixture(scope="module")
def item(folder):
    return pystac.Item.from_file(str(folder / "layers" / "item.json"))


@pytest.mark.slow
def test_item_is_valid_stac(item):
    pytest.importorskip("jsonschema", reason="jsonschema checks the item against the STAC schema that pystac carries")
    core = item.clone()
    core.stac_extensions = []
    assert core.validate()


def test_checksums_and_links(folder, item):
    """Multihash: 0x12 is SHA-256, 0x20 its 32 bytes (multiformats table)."""
    files = {p for p in folder.rglob("*") if p.is_file() and p.name != "item.json"}
    listed = {(folder / "layers" / a.href).resolve(): a for a in json_assets(item)}
    assert set(listed) == {f.resolve() for f in files}
    for path, asset in listed.items():
        assert asset.extra_fields["file:checksum"] == "1220" + hashlib.sha256(path.read_bytes()).hexdigest()
        assert asset.extra_fields["file:size"] == path.stat().st_size
        assert asset.media_type, path.name


def json_assets(item):
    """Return the assets with the links as they are written."""
    return list(item.assets.values())


def test_raster_assets_have_bands_classes_and_grid(item, result):
    zones = item.assets["zones.tif"]
    assert zones.media_type == pystac.MediaType.COG
    classes = zones.extra_fields["classification:classes"]
    assert [(c["value"], c["color_hint"]) for c in classes] == [(z.code, z.colour[1:].upper()) for z in zone_legend()]
    gap = item.assets["planting_gap_mm_winter_killed.tif"].extra_fields["raster:bands"]
    assert (gap[0]["unit"], gap[0]["nodata"], gap[0]["data_type"]) == ("mm", -9999.0, "float32")
    bands = item.assets["probabilities.tif"].extra_fields["bands"]
    assert bands[0]["name"] == "shortfall_years_winter_killed"
    assert item.properties["proj:code"] == "EPSG:5070"
    assert item.properties["proj:shape"] == list(result.grid.shape)


def test_place_is_that_of_the_study(item, result):
    place = shapely.geometry.shape(item.geometry)
    assert place.is_valid
    assert place.exterior.is_ccw
    west, south, east, north = item.bbox
    box = result.grid.geographic_extent.boundingbox
    assert (west, south, east, north) == pytest.approx(tuple(box), abs=2e-5)


def test_facts_are_those_of_the_record(result):
    facts = about_facts(result)
    assert facts["inputs.1.title"] == "Invented soils"
    assert facts["inputs.2.licence"] == "invented"
    assert facts["seed"] == "20"
    assert facts["settings.rules.shortfall_max"] == "0.2"
    assert facts["grid.crs"] == "EPSG:5070"
    record = run_record(result)
    assert json.loads(facts["grid.shape"]) == record["grid"]["shape"]
    assert facts["study_hash"] == record["study_hash"]


def test_every_file_points_to_the_record(result, item):
    assert item.properties["springfill:record"] == "../run.json"
    assert "run.json" in about_tags(result)["record"]


@pytest.mark.parametrize("word", ["insurance", "herbicide", "nitrate", "prussic acid", "erosion", "adviser", "local"])
def test_the_caution_names_what_can_hurt(word):
    assert word in layer_notes()["caution"]


def test_no_bonus_for_mixes_is_said():
    assert "no less water" in layer_notes()["evidence"]


class _Cells(HTMLParser):
    def __init__(self):
        super().__init__()
        self.code, self.names, self.outside = False, set(), []

    def handle_starttag(self, tag, attrs):
        self.code = tag == "code"
        self.outside += [v for k, v in attrs if k in ("src", "href") and not str(v).startswith("#")]

    def handle_data(self, data):
        if self.code:
            self.names.add(data)


def test_dictionary_covers_every_column_and_needs_no_network(folder):
    page = _Cells()
    page.feed((folder / "layers" / "data_dictionary.html").read_text(encoding="utf-8"))
    with (folder / "fields.csv").open(encoding="utf-8-sig", newline="") as handle:
        assert {h.split(" [")[0] for h in next(csv.reader(handle))} <= page.names
    for table in ("fields.parquet", "verdicts.parquet"):
        assert {n for n in pq.read_schema(folder / table).names if n not in ("geometry", "bbox")} <= page.names
    for name in ("outcomes", "field_outcomes", "years"):
        with xr.open_dataset(folder / "layers" / f"{name}.nc") as data:
            told = {str(v) for v in data.data_vars if not str(v).startswith(("test_", "member_")) and v != "area"}
        assert told <= page.names
    for raster in (folder / "layers").glob("*.tif"):
        with rasterio.open(raster) as data:
            assert {data.tags(i)["name"] for i in data.indexes if "name" in data.tags(i)} <= page.names
    assert page.outside == []


def test_hostile_study_name_stays_text(tmp_path):
    from dataclasses import replace

    from pipelines.show.layers.catalog import write_dictionary

    study = tiny_result()
    hostile = replace(study, settings=study.settings | {"name": "<script>window.hacked=1</script>"})
    write_dictionary(hostile, [], tmp_path)
    assert "<script" not in (tmp_path / "data_dictionary.html").read_text(encoding="utf-8")
