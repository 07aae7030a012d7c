"""The data dictionary: complete, convertible, readable."""

from __future__ import annotations

import csv

import numpy as np
import pandas as pd
import pint
import pytest
import textstat

from geo.options import OPTIONS
from geo.rating.rule import ZONE_NAMES
from pipelines.show.layers.columns import describe, dictionary, in_units, named
from pipelines.show.layers.netcdf import build_dataset, dataset_names
from pipelines.show.layers.raster import amount_rasters
from pipelines.show.layers.tables import field_points, outcome_table
from pipelines.show.layers.vector_layers import build_layers
from pipelines.study.house import shared_dir
from tests.builders import tiny_result


@pytest.fixture(scope="module")
def result():
    return tiny_result()


@pytest.mark.parametrize("system", ["metric", "us"])
def test_every_published_column_is_in_the_dictionary(result, system):
    layers = build_layers(result, system=system)
    names = {c for layer in layers.values() for c in layer.columns}
    names |= {c for raster in amount_rasters(result, system) for c in raster.columns}
    names |= {describe(str(c), system) for c in field_points(result.fields).columns}
    for name in dataset_names(result):
        held = [str(v) for v in build_dataset(result, name, system).data_vars]
        names |= {named(v, system) for v in held if not v.startswith(("test_", "member_")) and v != "area"}
    assert not sorted(c.name for c in names if not c.known)
    for layer in layers.values():
        held = [c for c in layer.frame.columns if c != "geometry"]
        assert held == [c.name for c in layer.columns]


def test_every_outcome_variable_is_in_the_dictionary(result):
    assert not [v for v in result.outcomes.variables if not describe(str(v)).known and str(v) != "layer"]


def test_rows_are_whole():
    with (shared_dir() / "columns.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    names = [r["name"] for r in rows]
    assert len(set(names)) == len(names)
    for row in rows:
        assert None not in row, row["name"]
        for part in ("name", "label", "us_name", "origin", "description", "plain"):
            assert row[part].strip(), (row["name"], part)
        assert "{option}" not in row["name"] or "{option}" in row["us_name"]


@pytest.mark.parametrize("system", ["metric", "us"])
def test_names_do_not_collide(system):
    columns = dictionary(system)
    assert len({c.name for c in columns.values()}) == len(columns)
    assert all(named(c.name, system) == c for c in columns.values())


# NIST Special Publication 811 (2008), appendix B.8: inch, acre, pound; degree Fahrenheit = 5/9 kelvin.
@pytest.mark.parametrize(
    ("name", "us_name", "unit", "factor"),
    [
        pytest.param("planting_gap_mm_stubble", "planting_gap_in_stubble", "in", 1 / 25.4, id="SP811 inch"),
        pytest.param("area_ha", "area_acres", "acre", 10_000 / 4046.8564, id="85 FR 62698: 43,560 international ft2"),
        pytest.param(
            "biomass_kg_ha_stubble", "biomass_lb_acre_stubble", "lb acre-1", 4046.8564 / 1e4 / 0.45359237,
            id="SP811 pound, 85 FR 62698 acre",
        ),
        pytest.param("heat_after_harvest_gdd", "heat_after_harvest_gdd_f", "degF day", 1.8, id="SP811 degree"),
        pytest.param("zone_share", "zone_share", "1", 1.0, id="a share stays"),
    ],
)  # fmt: skip
def test_us_units(name, us_name, unit, factor):
    column = describe(name, "us")
    assert (column.name, column.unit) == (us_name, unit)
    assert column.factor == pytest.approx(factor, rel=2e-6)


def test_cf_units_are_known_to_an_independent_registry():
    from cf_xarray.units import units as registry

    bad = []
    for column in [*dictionary("metric").values(), *dictionary("us").values()]:
        if column.unit in ("", "day of year"):
            continue
        try:
            registry.parse_units(column.unit)
        except (pint.UndefinedUnitError, pint.errors.DefinitionSyntaxError):
            bad.append((column.name, column.unit))
    assert not bad


def test_in_units_converts_values_and_names():
    frame = pd.DataFrame({"field_id": ["a"], "area_ha": [2.0], "planting_gap_mm_stubble": [25.4], "mine_mm": [1.0]})
    us = in_units(frame, "us")
    assert list(us.columns) == ["field_id", "area_acres", "planting_gap_in_stubble", "mine_mm"]
    assert us["planting_gap_in_stubble"].item() == pytest.approx(1.0)
    assert us["area_acres"].item() == pytest.approx(4.94211, abs=1e-4)
    assert us["mine_mm"].item() == 1.0
    assert in_units(frame, "metric") is frame


def test_a_column_of_the_user_is_kept_and_marked():
    column = describe("my_own_column")
    assert not column.known
    assert column.unit_label == ""


@pytest.mark.parametrize(("percent", "words"), [(10, "1 year in 10 is"), (90, "9 years in 10 are")])
def test_low_and_high_years_are_described(percent, words):
    column = describe(f"planting_gap_mm_winter_killed_p{percent}", "us")
    assert column.name == f"planting_gap_in_winter_killed_p{percent}"
    assert words in column.description
    assert "mean" not in column.description


def test_every_option_and_zone_is_written_out():
    columns = dictionary("metric")
    assert all(f"planting_water_mm_{o}" in columns for o in OPTIONS)
    assert all(f"share_{z}" in columns for z in ZONE_NAMES.values())
    assert not [c for c in columns.values() if "{" in c.name + c.label + c.description + c.plain]


def test_the_outcome_table_holds_means_and_extremes(result):
    table = outcome_table(result.outcomes)
    expected = result.outcomes["planting_gap_mm"].sel(option="winter_killed")
    for name, stat in (("", "mean"), ("_p10", "p10"), ("_p90", "p90")):
        np.testing.assert_array_equal(table[f"planting_gap_mm_winter_killed{name}"], expected.sel(stat=stat))
    freeze = result.outcomes["first_freeze_day"]
    for name, q in (("", 0.5), ("_p10", 0.1), ("_p90", 0.9)):
        np.testing.assert_array_equal(table[f"first_freeze_day{name}"], freeze.sel(quantile=q))


def test_no_words_of_the_dictionary_speak_of_medians():
    """Published numbers are means over the years."""
    words = {name: f"{c.description} {c.plain}" for name, c in dictionary().items()}
    assert not [name for name, text in words.items() if "median" in text or "middle" in text]


@pytest.mark.slow
def test_plain_words_are_plain():
    """Flesch-Kincaid grade of the words for growers; 8 is the limit for field pages (Johnson & Verma 1990)."""
    with (shared_dir() / "columns.csv").open(encoding="utf-8", newline="") as handle:
        text = " ".join(r["plain"] for r in csv.DictReader(handle))
    assert textstat.flesch_kincaid_grade(text) <= 8
