"""What the document on formats says is what the readers do."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from pipelines.read.climate.dispatch import _OPTIONS
from pipelines.read.climate.products import key_of_short, product_of_file, study_mapping
from pipelines.read.fields.columns import CANDIDATES, NO, YES
from pipelines.read.soils.grid_units import GROUP_CODES, PROPERTIES, property_of
from pipelines.study.file import Study

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "formats.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^```toml\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
WHOLE = {"study": {"name": "x"}, "soils": {"path": "soils"}, "climate": {"path": "climate"}}


@pytest.mark.parametrize("text", EXAMPLES, ids=[re.search(r'path = "([^"]*)"', e)[1] for e in EXAMPLES])
def test_every_example_is_a_valid_part_of_a_study_file(text):
    study = Study.model_validate({**WHOLE, **tomllib.loads(text)})
    assert set(study.climate.options) <= set(_OPTIONS)
    study_mapping(study.climate.variables)
    for name in study.climate.options.get("units", {}):
        key_of_short(name)
    assert set(study.soils.variables) <= {*PROPERTIES, "tables"}
    if study.fields is not None:
        assert set(study.fields.columns) <= set(CANDIDATES)
    if "pattern" in study.climate.options:
        assert re.search(study.climate.options["pattern"], "tmin_07.tif")["month"] == "07"


def row(start: str) -> list[str]:
    """Return the cells of the table row that starts so."""
    line = next(line for line in TEXT.splitlines() if line.startswith(f"| {start}"))
    return [cell.strip() for cell in line.strip("| ").split(" | ")]


@pytest.mark.parametrize(
    ("start", "holds"),
    [
        ("grid of capacity", {"awc"}),
        ("grid of field capacity", {"field_capacity", "wilting_point"}),
        ("grid of texture", {"sand", "clay", "organic_matter", "organic_carbon"}),
    ],
)
def test_every_name_of_a_soil_grid_is_recognised(start, holds):
    names = re.findall(r"`(\w+)`", row(start)[2])
    assert names
    assert {property_of(name) for name in names} == holds


@pytest.mark.parametrize("ours", ["fragments", "root_limit", "hydrologic_group"])
def test_every_further_name_of_a_soil_grid_is_recognised(ours):
    names = re.search(rf"`{ours}`\s+\(((?:`\w+`,?\s*)+)", TEXT)
    assert names
    assert {property_of(n) for n in re.findall(r"`(\w+)`", names[1])} == {ours}


def test_the_group_codes_are_those_of_the_reader():
    assert "1 to 4 for A to D, 11 to 14 for\ndual groups, which count as undrained" in TEXT
    assert {k: v for k, v in GROUP_CODES.items() if k < 10} == {1: "A", 2: "B", 3: "C", 4: "D"}
    assert {GROUP_CODES[k] for k in range(11, 15)} == {"D"}


@pytest.mark.parametrize("ours", CANDIDATES)
def test_every_column_name_of_fields_is_recognised(ours):
    found = re.findall(r"`([\w:]+)`", row(f"`{ours}`")[1].partition(";")[0])
    assert found
    assert set(found) <= set(CANDIDATES[ours])


def test_the_words_for_irrigation_are_known():
    words = set(re.findall(r"`(\w+)`", row("`irrigated`")[1].partition(";")[2]))
    assert {"yes", "pivot", "drip", "flood"} <= words & YES
    assert {"no", "dryland", "rainfed"} <= words & NO
    assert words <= YES | NO


@pytest.mark.parametrize(
    ("start", "product"),
    [
        ("gridMET", "gridmet"),
        ("nClimGrid", "nclimgrid"),
        ("NOAA gridded", "noaa_grid_normals"),
        ("TerraClimate", "terraclimate"),
        ("WorldClim", "worldclim"),
    ],
)
def test_every_file_name_of_a_climate_product_is_recognised(start, product):
    names = re.findall(r"`([\w.-]+\.(?:nc|tif))`", row(start)[1])
    assert names
    for name in names:
        found = product_of_file(name)
        assert found is not None, name
        assert found.key.startswith(product), name


def test_every_short_name_of_a_climate_variable_is_known():
    listed = TEXT[TEXT.index("Our names are") :].partition(".\n")[0]
    for name in re.findall(r"`(\w+)`", listed):
        assert key_of_short(name)
