"""Tables for spreadsheets and joins."""

from __future__ import annotations

import csv

import numpy as np
import pandas as pd
import pytest

from geo.rating.rule import ZONE_NAMES
from pipelines.show.layers.columns import describe
from pipelines.show.layers.tables import (
    defuse,
    field_points,
    map_unit_table,
    outcome_table,
    site_table,
    verdict_table,
    write_csv,
    zone_area_table,
)
from tests.builders import HOSTILE_NAMES, tiny_result


@pytest.fixture(scope="module")
def result():
    return tiny_result()


@pytest.mark.parametrize(
    "cell",
    [
        pytest.param("=HYPERLINK(1)", id="OWASP CSV injection: ="),
        pytest.param("+1+cmd|' /C calc'!A0", id="OWASP CSV injection: +"),
        pytest.param("-2+3+cmd|' /C calc'!A0", id="OWASP CSV injection: -"),
        pytest.param("@SUM(1)", id="OWASP CSV injection: @"),
        pytest.param("\t=1", id="OWASP CSV injection: tab"),
        pytest.param("\r=1", id="OWASP CSV injection: carriage return"),
        pytest.param("\n=1", id="OWASP CSV injection: line feed"),
        pytest.param(" =1+1", id="a space before the sign"),
        pytest.param("\uff1d1+1", id="OWASP CSV injection: full-width ="),
        pytest.param("\ufeff=1", id="a byte order mark before the sign"),
    ],
)
def test_formulas_are_defused(cell):
    assert defuse(cell) == f"'{cell}"


@pytest.mark.parametrize(
    "cell", ["north eighty", "-12", "+3.5", "a=b", "12 - north", "", "Grünes Feld", 3, 2.5, True]
)
def test_plain_cells_stay(cell):
    assert defuse(cell) == cell


def test_fields_csv_has_units_and_no_formula(result, tmp_path):
    path = tmp_path / "fields.csv"
    write_csv(field_points(result.fields), path, "us")
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    with path.open(encoding="utf-8-sig", newline="") as handle:
        head, *rows = list(csv.reader(handle))
    assert "area_acres [acre]" in head
    assert "planting_water_in_winter_killed [in]" in head
    assert "shortfall_years_winter_killed [share 0-1]" in head
    assert "longitude [degrees]" in head
    names = [row[head.index("name")] for row in rows]
    assert names == [defuse(n) for n in HOSTILE_NAMES]
    assert not [cell for row in rows for cell in row if cell[:1] in "=+@\t\r" and cell]
    assert len(rows) == len(result.fields)


@pytest.mark.parametrize("system", ["us", "metric"])
def test_csv_reads_back_as_written(result, tmp_path, system):
    path = tmp_path / "fields.csv"
    write_csv(field_points(result.fields), path, system)
    back = pd.read_csv(path)
    for name in ("area_ha", "planting_gap_mm_winter_killed", "biomass_kg_ha_winter_killed", "zone_share"):
        column = describe(name, system)
        head = f"{column.name} [{column.unit_label}]"
        expected = (result.fields[name] * column.factor).round(column.decimals)
        np.testing.assert_allclose(back[head], expected, rtol=0, atol=10.0**-9)


def test_points_lie_in_their_fields(result):
    import geopandas as gpd

    table = field_points(result.fields)
    points = gpd.GeoSeries(gpd.points_from_xy(table["longitude"], table["latitude"]), crs=4326).to_crs(5070)
    assert [f.contains(p) for f, p in zip(result.fields.geometry, points, strict=True)] == [True] * len(table)


def test_one_row_a_site(result):
    table = site_table(result)
    assert table["site"].tolist() == list(range(12))
    wanted = {"map_unit_name", "zone", "limiting_test", "agreement", "planting_gap_mm_winter_killed_p90"}
    assert wanted <= set(table.columns)
    assert not [c for c in outcome_table(result.outcomes) if c.startswith(("paw_layer", "stored_mm", "shortfall_by"))]


def test_one_row_a_field_cover_and_test(result):
    table = verdict_table(result)
    assert len(table) == len(result.fields) * 3 * 4
    row = table.set_index(["field_id", "cover", "test"]).loc[("LK-0003", "overwinter_late", "gap")]
    verdict = result.field_verdicts.sel(field=2, cover="overwinter_late", test="gap")
    for name in ("value", "limit", "passed", "waived", "share"):
        assert row[name] == verdict[name].item()
    assert row["unit"] == "mm"
    waived = table["field_id"].eq("LK-0002") & table["test"].isin(["gap", "shortfall"])
    assert table["waived"].tolist() == waived.tolist(), "the second field alone is irrigated"
    rated = table["field_id"].map(result.fields.set_index("field_id")["zone_code"]) != 7
    assert table["margin"][rated & ~waived].notna().all()


def test_verdicts_follow_the_units(result):
    metric, us = verdict_table(result), verdict_table(result, "us")
    gap = metric["test"] == "gap"
    assert set(us["unit"]) == {"in", "1"}
    for name in ("value", "limit"):
        np.testing.assert_allclose(us[name][gap], metric[name][gap] / 25.4)
        np.testing.assert_array_equal(us[name][~gap], metric[name][~gap])


def test_map_units_add_up(result):
    table = map_unit_table(result)
    areas = table[[f"area_{z}_ha" for z in ZONE_NAMES.values()]].sum(axis=1)
    np.testing.assert_allclose(areas, table["area_ha"])
    assert table["area_ha"].sum() == pytest.approx(result.sites["area_ha"].sum())
    capacity = table.set_index("map_unit_id")["capacity_mm"]
    assert capacity["900001"] == pytest.approx(float(result.outcomes["capacity_mm"][0]))
    assert np.isnan(capacity["900007"])


def test_zone_areas_are_pixels(result):
    table = zone_area_table(result).set_index("zone_code")
    codes = np.append(result.zones["zone_code"].to_numpy(), 0)[result.site_raster]
    for code in ZONE_NAMES:
        assert table["area_ha"][code] == pytest.approx((codes == code).sum() * 0.09)
    assert table["study_share"].sum() == pytest.approx(1)
