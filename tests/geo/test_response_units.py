"""Response units: what is simulated once, what a pixel points to."""

from __future__ import annotations

import time
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.errors import StudyError
from geo.ground import response_units
from geo.ground.response_units import build_units

COLUMNS = [
    "map_unit_id",
    "share",
    "awc_1_mm",
    "awc_2_mm",
    "awc_3_mm",
    "awc_4_mm",
    "hydrologic_group",
    "rated",
    "reason",
]


def soil_of(rows, map_units=None):
    profiles = pd.DataFrame(
        [r[1:] for r in rows], columns=COLUMNS, index=pd.Index([r[0] for r in rows], name="profile_id")
    )
    profiles = profiles.assign(
        fc_surface=0.3, wp_surface=0.12, sat_surface=0.45, root_limit_mm=1219.2, surface_texture="loam"
    )
    if map_units is None:
        ids = profiles["map_unit_id"].unique()
        map_units = pd.DataFrame({"reason": ""}, index=pd.Index(ids, name="map_unit_id"))
    return SimpleNamespace(profiles=profiles, map_units=map_units)


DEEP = (50.0, 52.0, 51.0, 49.0, "B", True, "")
SAND = (25.0, 22.0, 20.0, 20.0, "A", True, "")
ROCK = (np.nan, np.nan, np.nan, np.nan, "D", False, "rock outcrop")

SOIL = soil_of(
    [
        ("a1", "a", 0.6, *DEEP),
        ("a2", "a", 0.3, *SAND),
        ("a3", "a", 0.1, *ROCK),
        ("b1", "b", 0.5, 50.02, 52.01, 51.0, 49.0, "B", True, ""),  # a1 to within the step
        ("b2", "b", 0.25, 50.01, 52.0, 51.0, 49.0, "B", True, ""),  # a1 again
        ("c1", "c", 1.0, *ROCK),
    ]
)


def test_twins_are_simulated_once_and_weights_follow_component_shares():
    codes = np.array([[0, 0, 1], [2, -1, 3]], dtype=np.int32)
    cells = np.array([[0, 1, 0], [0, 0, 0]], dtype=np.int32)
    made = build_units(codes, ["a", "b", "c", "ghost"], cells, SOIL, pixel_area_ha=0.09)

    assert list(zip(made.sites["map_unit_id"], made.sites["cell"], strict=True)) == [
        ("a", 0),
        ("a", 1),
        ("b", 0),
        ("c", 0),
        ("ghost", 0),
    ]
    np.testing.assert_array_equal(made.site_raster, [[0, 1, 2], [3, -1, 4]])
    assert sorted(zip(made.units["profile_id"], made.units["cell"], strict=True)) == [
        ("a1", 0),
        ("a1", 1),
        ("a2", 0),
        ("a2", 1),
    ]
    weights = made.weights().toarray()
    unit = {key: i for i, key in enumerate(zip(made.units["profile_id"], made.units["cell"], strict=True))}
    assert weights[0, unit["a1", 0]] == pytest.approx(0.6 / 0.9)
    assert weights[0, unit["a2", 0]] == pytest.approx(0.3 / 0.9)
    assert weights[2, unit["a1", 0]] == pytest.approx(1.0)
    assert weights[3].sum() == weights[4].sum() == 0
    assert made.sites["rated_share"].tolist() == pytest.approx([0.9, 0.9, 0.75, 0.0, 0.0])
    assert made.sites["reason"].tolist() == [
        "",
        "",
        "",
        "rock outcrop",
        "on the soil map, but not in the soil tables",
    ]
    assert made.sites["area_ha"].tolist() == pytest.approx([0.09] * 5)


def test_a_component_that_is_not_rated_never_stands_for_its_twin():
    soil = soil_of([("x", "a", 0.9, 50.0, 52.0, 51.0, 49.0, "B", False, "irrigated pasture"), ("y", "b", 0.9, *DEEP)])
    made = build_units(np.array([[1]], np.int32), ["a", "b"], np.array([[0]], np.int32), soil, pixel_area_ha=1)
    assert made.units["profile_id"].tolist() == ["y"]


def test_a_rated_profile_with_a_hole_is_left_out_with_a_reason():
    soil = soil_of([("x", "a", 1.0, 50.0, np.nan, 51.0, 49.0, "B", True, "")])
    made = build_units(np.array([[0]], np.int32), ["a"], np.array([[0]], np.int32), soil, pixel_area_ha=1)
    assert made.units.empty
    assert made.site_units.empty
    assert made.sites["reason"].tolist() == ["soil values are incomplete"]
    assert made.weights().shape == (1, 0)


def test_what_the_balance_reads_keeps_profiles_apart_and_an_empty_text_is_no_hole():
    rows = [(f"p{i}", "a", 0.2, *DEEP) for i in range(5)]
    soil = soil_of(rows)
    soil.profiles["surface_texture"] = ["loam", "sand", None, "loam", "loam"]
    soil.profiles["hydrologic_group"] = ["B", "B", "B", "D", "B"]
    made = build_units(np.array([[0]], np.int32), ["a"], np.array([[0]], np.int32), soil, pixel_area_ha=1)
    assert made.units["profile_id"].tolist() == ["p0", "p1", "p2", "p3"]
    assert sorted(made.site_units["weight"].round(6)) == [0.2, 0.2, 0.2, 0.4]


def test_the_reason_of_the_map_unit_comes_first():
    units = pd.DataFrame({"reason": ["open water"]}, index=["c"])
    soil = soil_of([("c1", "c", 1.0, *ROCK)], units)
    made = build_units(np.array([[0]], np.int32), ["c"], np.array([[0]], np.int32), soil, pixel_area_ha=1)
    assert made.sites["reason"].tolist() == ["open water"]


def test_an_empty_map_gives_no_sites():
    none = np.full((3, 3), -1, np.int32)
    made = build_units(none, [], none, SOIL, pixel_area_ha=1)
    assert made.sites.empty
    assert made.units.empty
    assert (made.site_raster == -1).all()


@pytest.mark.slow
@pytest.mark.parametrize("limit", [5_000_000, 0], ids=["dense_table", "hashed"])
@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_sites_partition_the_pixels(limit, seed):
    rng = np.random.default_rng(seed)
    codes = rng.integers(-1, 3, (17, 23)).astype(np.int32)
    cells = rng.integers(-1, 5, (17, 23)).astype(np.int32)
    before = response_units._DENSE_LIMIT
    response_units._DENSE_LIMIT = limit
    try:
        made = build_units(codes, ["a", "b", "c"], cells, SOIL, pixel_area_ha=0.09)
    finally:
        response_units._DENSE_LIMIT = before
    some = (codes >= 0) & (cells >= 0)
    np.testing.assert_array_equal(made.site_raster >= 0, some)
    ids = np.array(["a", "b", "c"], dtype=object)
    assert (made.sites["map_unit_id"].to_numpy()[made.site_raster[some]] == ids[codes[some]]).all()
    assert (made.sites["cell"].to_numpy()[made.site_raster[some]] == cells[some]).all()
    assert made.sites["area_ha"].sum() == pytest.approx(0.09 * some.sum())
    assert not made.sites.duplicated(["map_unit_id", "cell"]).any()
    totals = np.asarray(made.weights().sum(axis=1)).ravel()
    np.testing.assert_allclose(totals, made.sites["rated_share"] > 0, atol=1e-12)


def test_wrong_lengths_and_types_are_refused():
    raster = np.array([[0, 3]], np.int32)
    with pytest.raises(StudyError, match="differ"):
        build_units(raster, ["a"], np.zeros((2, 2), np.int32), SOIL, pixel_area_ha=1)
    with pytest.raises(StudyError, match="lack"):
        build_units(
            raster * 0,
            ["a"],
            raster * 0,
            SimpleNamespace(profiles=SOIL.profiles.drop(columns="awc_3_mm"), map_units=SOIL.map_units),
            pixel_area_ha=1,
        )


def test_a_county_is_labelled(record_property):
    rng = np.random.default_rng(1)
    ids = [f"m{i}" for i in range(161)]
    rows = [(f"p{i}", f"m{i % 161}", 0.5, *rng.uniform(10, 60, 4).round(1), "B", True, "") for i in range(322)]
    blocks = rng.integers(0, 161, (166, 166)).astype(np.int32)
    codes = np.repeat(np.repeat(blocks, 10, 0), 10, 1)[:1650, :1650]
    cells = np.repeat(np.repeat(np.arange(156, dtype=np.int32).reshape(12, 13), 138, 0), 127, 1)[:1650, :1650]
    soil = soil_of(rows)
    began = time.perf_counter()
    made = build_units(codes, ids, cells, soil, pixel_area_ha=0.09)
    record_property("seconds for a county of 161 map units and 156 cells", round(time.perf_counter() - began, 2))
    assert len(made.sites) > 10_000


def test_slope_keeps_twins_apart_and_an_unknown_slope_counts_as_five_percent():
    soil = soil_of([(f"m{k}", "m", 0.2, *DEEP) for k in range(5)])
    soil.profiles["slope_percent"] = [1.0, 1.2, 5.0, np.nan, 9.0]
    one = np.zeros((1, 1), np.int32)
    found = build_units(one, ["m"], one, soil, pixel_area_ha=0.09)
    assert sorted(found.site_units["weight"].round(6)) == [0.2, 0.4, 0.4]
    assert len(found.units) == 3
