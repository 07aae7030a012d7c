"""From survey tables to profiles: layers, cuts, shares and reasons."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from geo.errors import StudyError
from geo.soils.table import (
    AWC_COLUMNS,
    PROFILE_COLUMNS,
    WILTING_COLUMNS,
    SoilTable,
    build_soil_table,
    not_soil,
)
from tests.geo.soil_frames import build, check_profiles, component, horizon, restriction_kinds, surface_table

AWC = list(AWC_COLUMNS)


def only(soils: SoilTable) -> pd.Series:
    assert len(soils.profiles) == 1
    return soils.profiles.iloc[0]


def whats(problems) -> str:
    return " | ".join(f"{p.action}: {p.what}" for p in problems)


def test_horizons_are_cut_into_feet_by_overlap():
    # By hand: 0-20 cm at 0.22, 20-100 at 0.18, 100-150 at 0.14.
    soils, problems = build(
        [component("1", "a", 100)],
        [horizon("a", 100, 150, 0.14), horizon("a", 0, 20, 0.22), horizon("a", 20, 100, 0.18)],
    )
    row = only(soils)
    assert row["awc_1_mm"] == pytest.approx(200 * 0.22 + 104.8 * 0.18)
    assert row["awc_2_mm"] == pytest.approx(304.8 * 0.18)
    assert row["awc_3_mm"] == pytest.approx(304.8 * 0.18)
    assert row["awc_4_mm"] == pytest.approx((1000 - 914.4) * 0.18 + (1219.2 - 1000) * 0.14)
    assert row["root_limit_mm"] == pytest.approx(1219.2)
    assert problems == []
    assert list(PROFILE_COLUMNS) == [c for c in soils.profiles.columns if c in PROFILE_COLUMNS]
    check_profiles(soils.profiles)


def test_rock_fragments_are_not_taken_off_twice():
    # The survey's column is "inclusive of fragments" (column description of awc in the tabular metadata).
    stony = {"fraggt10_r": 20.0, "frag3to10_r": 20.0, "sieveno10_r": 40.0}
    plain, _ = build([component("1", "a", 100)], [horizon("a", 0, 150, 0.10)])
    rocky, _ = build([component("1", "a", 100)], [horizon("a", 0, 150, 0.10, **stony)])
    assert only(plain)[AWC].tolist() == only(rocky)[AWC].tolist()


@pytest.mark.parametrize(
    ("kind", "cut"),
    [
        ("Lithic bedrock", True),
        (" fragipan ", True),
        ("DURIPAN", True),
        ("Paralithic bedrock", True),
        ("Petrocalcic", True),
        ("Abrupt textural change", False),
        ("Strongly contrasting textural stratification", False),
        ("Natric", False),
        ("Undefined", False),
    ],
    ids=lambda v: f"survey kind list: {v}" if isinstance(v, str) else str(v),
)
def test_only_root_limiting_restrictions_cut(kind, cut):
    soils, _ = build(
        [component("1", "a", 100)],
        [horizon("a", 0, 150, 0.2)],
        [
            {"cokey": "a", "reskind": kind, "resdept_r": 80},
            {"cokey": "a", "reskind": "Abrupt textural change", "resdept_r": 10},
        ],
    )
    row = only(soils)
    assert row["root_limit_mm"] == (800 if cut else pytest.approx(1219.2))
    assert row["awc_3_mm"] == pytest.approx((800 - 609.6) * 0.2 if cut else 304.8 * 0.2)
    assert row["awc_4_mm"] == pytest.approx(0 if cut else 304.8 * 0.2)


def test_the_shallowest_restriction_wins_and_rock_horizons_cut_too():
    soils, problems = build(
        [component("1", "a", 100), component("2", "b", 100)],
        [
            horizon("a", 0, 150),
            horizon("b", 0, 61),
            horizon("b", 61, 150, None, hzname="2R", sandtotal_r=None, claytotal_r=None, wthirdbar_r=None),
        ],
        [
            {"cokey": "a", "reskind": "Duripan", "resdept_r": 90},
            {"cokey": "a", "reskind": "Lithic bedrock", "resdept_r": 50},
        ],
    )
    assert soils.profiles["root_limit_mm"].tolist() == [500.0, 610.0]
    assert soils.profiles["awc_4_mm"].tolist() == [0.0, 0.0]
    assert soils.profiles["rated"].all()
    assert problems == []


NOT_RATED = [
    ([], {"compname": "Water", "compkind": "Miscellaneous area"}, "water"),
    ([], {"compname": "Pits, gravel", "compkind": "Miscellaneous area"}, "pit or quarry"),
    ([], {"compname": "Urban land", "compkind": "miscellaneous area "}, "built-up land"),
    ([], {"compname": "Rock outcrop", "compkind": ""}, "rock or bare land"),
    ([], {"compname": "NOTCOM", "compkind": None}, "not surveyed"),
    ([], {"compname": "Oil-waste land", "compkind": "Miscellaneous area"}, "not soil (Oil-waste land)"),
    ([], {}, "no horizon data"),
    ([horizon("a", 0, 150)], {"taxorder": "Histosols"}, "organic soil"),
    ([horizon("a", 0, 45, hzname="Oa"), horizon("a", 45, 150)], {}, "organic soil"),
    ([horizon("a", 0, 30), horizon("a", 40, 150)], {}, "no horizon from 30 to 40 cm"),
    ([horizon("a", 10, 150)], {}, "no horizon from 0 to 10 cm"),
    ([horizon("a", 0, 40), horizon("a", 30, 150)], {}, "horizons overlap at 30 cm"),
    (
        [horizon("a", 0, 30), horizon("a", 30, 150, None, wthirdbar_r=None, claytotal_r=None)],
        {},
        "no available water capacity for horizon B",
    ),
    ([horizon("a", 0, 150, 0.0)], {}, "no soil that holds water above rock or a restriction"),
]


@pytest.mark.parametrize(("horizons", "changed", "reason"), NOT_RATED, ids=[c[2] for c in NOT_RATED])
def test_what_is_not_rated_says_why_and_is_listed(horizons, changed, reason):
    soils, problems = build([component("1", "a", 100) | changed], horizons)
    row = only(soils)
    assert not row["rated"]
    assert row["reason"] == reason
    assert (row["share"], row["weight"]) == (1.0, 0.0)
    assert np.isnan(row["fc_surface"])
    unit = soils.map_units.loc["1"]
    assert (unit["rated_share"], unit["reason"]) == (0.0, reason)
    listed = [p for p in problems if p.what == f"not rated: {reason} (100% of the map unit)"]
    assert [p.action for p in listed] == ["left out"]


def test_shares_are_renormalised_over_rated_components():
    soils, _ = build(
        [
            component("7", "a", 60),
            component("7", "b", 20, "Breaks"),
            component("7", "w", 15, "Water", compkind="Miscellaneous area"),
        ],
        [horizon("a", 0, 150), horizon("b", 0, 150, 0.1)],
    )
    rated = soils.profiles[soils.profiles["rated"]]
    assert rated["weight"].tolist() == pytest.approx([0.75, 0.25])
    assert rated.index.tolist() == ["7-1", "7-2"]
    assert soils.map_units.at["7", "rated_share"] == pytest.approx(0.80)
    assert soils.map_units.at["7", "reason"] == ""
    assert soils.profiles["share"].tolist() == [0.60, 0.20, 0.15]


def test_percentages_above_a_hundred_are_scaled_and_listed():
    soils, problems = build(
        [component("7", "a", 90), component("7", "b", 30, "Breaks")],
        [horizon("a", 0, 150), horizon("b", 0, 150)],
    )
    assert soils.map_units.at["7", "rated_share"] == pytest.approx(1.0)
    assert soils.profiles["share"].tolist() == pytest.approx([0.75, 0.25])
    assert "sum to 120%" in whats(problems)


def test_small_seams_are_closed_and_said():
    soils, problems = build([component("1", "a", 100)], [horizon("a", 0, 30), horizon("a", 31, 150)])
    assert only(soils)[AWC].sum() == pytest.approx(1219.2 * 0.2)
    assert "the seam is closed" in whats(problems)


def test_repeated_horizons_count_once():
    soils, problems = build([component("1", "a", 100)], [horizon("a", 0, 150)] * 2)
    assert only(soils)[AWC].sum() == pytest.approx(1219.2 * 0.2)
    assert whats(problems).count("listed twice") == 1


def test_impossible_depths_are_left_out_and_listed():
    # Very old exports give the depth of litter upward from the mineral surface: top 5, bottom 0.
    litter = horizon("a", 5, 0, 0.4, hzname="Oi")
    soils, problems = build([component("1", "a", 100)], [litter, horizon("a", 0, 150)])
    assert only(soils)["rated"]
    assert "horizon Oi has depths 5 to 0 cm" in whats(problems)


def test_a_thin_organic_layer_is_not_counted():
    soils, problems = build([component("1", "a", 100)], [horizon("a", 0, 5, 0.4, hzname="Oi"), horizon("a", 5, 150)])
    assert only(soils)["awc_1_mm"] == pytest.approx((304.8 - 50) * 0.2)
    assert "horizon Oi: organic layer" in whats(problems)


def test_missing_capacity_comes_from_water_contents_then_texture_and_is_listed():
    soils, problems = build(
        [component("1", "a", 100)],
        [
            horizon("a", 0, 30),
            horizon("a", 30, 60, None),
            horizon("a", 60, 150, None, wthirdbar_r=None, om_r=2.5, sandtotal_r=20.0, hzname="C"),
        ],
    )
    row = only(soils)
    assert row["awc_2_mm"] == pytest.approx((600 - 304.8) * 0.14 + 9.6 * (0.3208775 - 0.1365448), abs=1e-3)
    assert "horizon B: available water capacity taken from the water contents" in whats(problems)
    assert "horizon C: available water capacity estimated from texture" in whats(problems)


def test_estimated_capacity_allows_for_rock_fragments():
    # Half the weight rock at a fine-earth density of 1.325 g/cm3 is a third of the volume.
    bare = {"wthirdbar_r": None, "dbthirdbar_r": 1.325}
    plain, _ = build([component("1", "a", 100)], [horizon("a", 0, 150, None, **bare)])
    stony, _ = build([component("1", "a", 100)], [horizon("a", 0, 150, None, **bare, sieveno10_r=50.0)])
    assert only(stony)[AWC].sum() / only(plain)[AWC].sum() == pytest.approx(2 / 3, rel=1e-6)


def test_a_profile_that_ends_early_counts_nothing_below_and_says_so():
    soils, problems = build([component("1", "a", 100)], [horizon("a", 0, 100)])
    assert only(soils)["awc_4_mm"] == pytest.approx((1000 - 914.4) * 0.2)
    assert only(soils)["root_limit_mm"] == 1000
    assert "horizons end at 100 cm without a restriction" in whats(problems)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("surface", "fc", "wp", "sat"),
    [
        ({}, 0.28, 0.14, 0.46),
        ({"wthirdbar_r": None, "sandtotal_r": 20.0, "om_r": 2.5}, 0.3208775, 0.1365448, 0.46),
        (
            {"wthirdbar_r": None, "sandtotal_r": 20.0, "om_r": 2.5, "wsatiated_r": None},
            0.3208775,
            0.1365448,
            0.482125,
        ),
        ({"wthirdbar_r": None, "claytotal_r": None, "wsatiated_r": None}, 0.25, 0.12, 0.46),
    ],
    ids=[
        "survey water contents",
        "Saxton & Rawls 2006, survey saturation",
        "Saxton & Rawls 2006",
        "FAO-56 table 19, loam",
    ],
)
def test_surface_water_contents(surface, fc, wp, sat):
    soils, _ = build([component("1", "a", 100)], [horizon("a", 0, 150, **surface)])
    row = only(soils)
    assert (row["fc_surface"], row["wp_surface"], row["sat_surface"]) == pytest.approx((fc, wp, sat), abs=1e-6)


@pytest.mark.parametrize(
    ("changed", "layer", "wet", "group"),
    [
        ({"hydgrp": "C/D"}, {}, None, "D"),
        ({"hydgrp": ""}, {}, None, "B"),
        ({"hydgrp": None}, {"ksat_r": 2.0}, None, "C"),
        ({"hydgrp": ""}, {}, {"a": 30.0}, "D"),
        ({"hydgrp": "", "drainagecl": "Poorly drained"}, {}, None, "D"),
        ({"hydgrp": ""}, {"ksat_r": None, "sandtotal_r": 90.0, "claytotal_r": 3.0}, None, "A"),
    ],
    ids=[
        "survey dual group",
        "NEH 630 table 7-1, 9 um/s",
        "NEH 630 table 7-1, 2 um/s",
        "NEH 630 table 7-1, wet at 30 cm",
        "NEH 630 table 7-1, poorly drained",
        "TR-55 appendix A, sand",
    ],
)
def test_hydrologic_group(changed, layer, wet, group):
    soils, problems = build([component("1", "a", 100) | changed], [horizon("a", 0, 150, **layer)], water_table_cm=wet)
    assert only(soils)["hydrologic_group"] == group
    assert ("no hydrologic group" in whats(problems)) == (not changed["hydgrp"])


def test_values_outside_the_survey_limits_are_listed_with_their_row():
    soils, problems = build([component("1", "a", 100)], [horizon("a", 0, 30, 14.0), horizon("a", 30, 150, "low")])
    text = " | ".join(f"{p.where} {p.what}" for p in problems)
    assert "chorizon row 0, awc_r value 14 is outside the limits" in text
    assert "chorizon row 1, awc_r value low is not a number" in text
    assert only(soils)["rated"]  # from the water contents, which are listed as well


def test_a_missing_column_stops_with_the_table_and_the_column():
    with pytest.raises(StudyError, match="chorizon has no column hzdepb_r"):
        build_soil_table(
            pd.DataFrame({"mukey": ["1"]}),
            pd.DataFrame([component("1", "a", 100)]),
            pd.DataFrame([horizon("a", 0, 1)]).drop(columns="hzdepb_r"),
            restriction_kinds=restriction_kinds(),
            surface=surface_table(),
        )


def test_map_units_that_only_the_map_knows_are_added_and_listed():
    polygons = gpd.GeoDataFrame({"map_unit_id": ["1", "9"]}, geometry=[box(0, 0, 1, 1), box(1, 0, 2, 1)], crs=4326)
    soils, problems = build([component("1", "a", 100)], [horizon("a", 0, 150)], polygons=polygons)
    assert soils.map_units.at["9", "reason"] == "not in the soil tables"
    assert "on the map but not in the tables" in whats(problems)


def test_ids_do_not_depend_on_the_survey_keys_or_on_row_order():
    parts = [component("1", "a", 50, "Alda"), component("1", "b", 50, "Breaks")]
    layers = [horizon("a", 0, 150), horizon("b", 0, 150, 0.1)]
    first, _ = build(parts, layers)
    renamed = {"a": "77", "b": "12"}
    second, _ = build(
        [p | {"cokey": renamed[str(p["cokey"])]} for p in parts[::-1]],
        [h | {"cokey": renamed[str(h["cokey"])]} for h in layers[::-1]],
    )
    pd.testing.assert_frame_equal(first.profiles, second.profiles)


def test_the_table_refuses_two_kinds_of_geometry():
    soils, _ = build([component("1", "a", 100)], [horizon("a", 0, 150)])
    polygons = gpd.GeoDataFrame({"map_unit_id": ["1"]}, geometry=[box(0, 0, 1, 1)], crs=4326)
    raster = xr.DataArray(np.zeros((1, 1), "int32"), dims=("y", "x"))
    with pytest.raises(ValueError, match="not both"):
        SoilTable(soils.profiles, soils.map_units, polygons, raster, {0: "1"})
    with pytest.raises(ValueError, match="profiles lacks share"):
        SoilTable(soils.profiles.drop(columns="share"), soils.map_units)


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("Water", "water"),
        ("Waterloo", ""),
        ("Pits, borrow", "pit or quarry"),
        ("Pitzer", ""),
        ("Rock outcrop", "rock or bare land"),
        ("Urban land", "built-up land"),
        ("Damon", ""),
    ],
)
def test_soil_series_are_not_taken_for_water_or_pits(name, word):
    assert not_soil(name) == word


cuts = st.lists(st.integers(1, 199), min_size=0, max_size=6, unique=True).map(sorted)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(cuts=cuts, awc=st.floats(0.01, 0.5), rock=st.integers(5, 200), seed=st.randoms(use_true_random=False))
def test_cutting_horizons_finer_never_changes_the_water(cuts, awc, rock, seed):
    edges = [0, *cuts, 200]
    layers = [horizon("a", top, bottom, awc) for top, bottom in zip(edges[:-1], edges[1:], strict=True)]
    seed.shuffle(layers)
    soils, _ = build(
        [component("1", "a", 100)], layers, [{"cokey": "a", "reskind": "Lithic bedrock", "resdept_r": rock}]
    )
    assert only(soils)[AWC].sum() == pytest.approx(awc * min(rock * 10, 1219.2), rel=1e-9)


WILTING = [
    pytest.param({}, {}, 1219.2, (0.14, 0.14), id="content at 15 bar of the survey"),
    # Saxton & Rawls (2006), table 3: loam at 2.5 % organic matter wilts at 14 % by volume
    pytest.param(
        {"wfifteenbar_r": None, "om_r": 2.5}, {}, 1219.2, (0.14, 0.14), id="Saxton & Rawls 2006 table 3, loam"
    ),
    pytest.param({}, {"wfifteenbar_r": 21.0}, 1219.2, (0.14, 0.21), id="a horizon below with another content"),
    pytest.param({}, {"wfifteenbar_r": None, "sandtotal_r": None}, 1219.2, (0.14, np.nan), id="nothing known below"),
    pytest.param({}, {}, 500.0, (0.14, 0.14), id="cut at a restriction"),
]


@pytest.mark.parametrize(("upper", "lower", "limit_mm", "content"), WILTING)
def test_water_at_wilting_point_by_foot(upper, lower, limit_mm, content):
    """The first foot is the upper horizon; feet hold content times thickness, nothing below the restriction."""
    layers = [horizon("c", 0, 30.48, **upper), horizon("c", 30.48, 150, **lower)]
    bar = [] if limit_mm > 1219 else [{"cokey": "c", "reskind": "Lithic bedrock", "resdept_r": limit_mm / 10}]
    frame = build([component("1", "c", 100)], layers, bar)[0].profiles
    thick = np.clip(limit_mm - 304.8 * np.arange(4), 0, 304.8)
    expected = np.where(thick > 0, thick * np.array([content[0], *[content[1]] * 3]), 0.0)
    assert frame[list(WILTING_COLUMNS)].to_numpy()[0] == pytest.approx(expected, abs=1.6, nan_ok=True)
