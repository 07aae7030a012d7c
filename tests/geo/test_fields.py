"""Coverage of fields by sites, and what is said of each field."""

from __future__ import annotations

import time

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_matrix

from geo.errors import StudyError
from geo.ground.boundaries import clean_fields
from geo.ground.grid import study_grid
from geo.options import OPTIONS
from geo.rating.fields import BY_OPTION, BY_SPRING, field_coverage, field_means, pixel_coverage, summarise_fields
from geo.rating.rule import ZONE_CODES, ZONE_NAMES
from geo.rating.spring_rule import CURVES, LINES
from tests.open_data import open_data

X, Y = -600_000.0, 1_900_010.0 - 1_900_010.0 % 30
GRID = study_grid((X, Y, X + 120, Y + 120))  # four by four cells of 30 m


def frame(*shapes, **columns):
    base = {"field_id": [f"f{i}" for i in range(len(shapes))], "irrigated": False}
    return gpd.GeoDataFrame(base | columns, geometry=list(shapes), crs="EPSG:5070")


def part(left, bottom, right, top):
    return shapely.box(X + left, Y + bottom, X + right, Y + top)


# Rows run from the north. Site 0 is the west half, site 1 the north-east, 2 the south-east; one pixel has no soil.
SITES = np.array([[0, 0, 1, 1], [0, 0, 1, 1], [0, 0, 2, 2], [0, 0, 2, -1]], np.int32)

BY_HAND = [
    pytest.param(part(0, 0, 60, 120), [1, 0, 0], id="exactly_the_west_half"),
    pytest.param(part(45, 60, 75, 90), [0.5, 0.5, 0], id="half_a_cell_on_each_side"),
    pytest.param(part(50, 50, 80, 80), [1 / 3, 2 / 3 * 2 / 3, 2 / 3 * 1 / 3], id="three_sites_in_one_square"),
    pytest.param(part(90, 0, 120, 60), [0, 0, 0.5], id="half_without_soil"),
    pytest.param(part(-60, 0, 60, 120), [0.5, 0, 0], id="half_off_the_grid"),
    pytest.param(part(500, 500, 600, 600), [0, 0, 0], id="off_the_grid"),
    pytest.param(part(66, 96, 69, 99), [0, 1, 0], id="smaller_than_a_cell"),
    pytest.param(shapely.MultiPolygon([part(0, 0, 30, 30), part(60, 90, 90, 120)]), [0.5, 0.5, 0], id="two_parts"),
    pytest.param(part(30, 30, 90, 90).difference(part(30, 30, 60, 90)), [0, 0.5, 0.5], id="hole_or_cut"),
    # Of 7,200 m2, 1,800 lie west, 1,800 north-east, 3,600 south-east of which 900 without soil.
    pytest.param(shapely.Polygon([(X, Y), (X + 120, Y), (X + 120, Y + 120)]), [0.25, 0.25, 0.375], id="triangle"),
]


@pytest.mark.parametrize(("shape", "expected"), BY_HAND)
def test_shares_are_the_ones_computed_by_hand(shape, expected):
    coverage = field_coverage(frame(shape), SITES, GRID, 3)
    np.testing.assert_allclose(coverage.toarray()[0], expected, atol=1e-6)


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_area_is_conserved_whatever_the_shape(seed):
    rng = np.random.default_rng(seed)
    grid = study_grid((X, Y, X + 30 * 40, Y + 30 * 30))
    sites = rng.integers(-1, 9, grid.shape).astype(np.int32)
    shapes = []
    for _ in range(6):
        centre = rng.uniform((X - 100, Y - 100), (X + 1300, Y + 1000))
        angles = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(5, 20)))
        radius = rng.uniform(5, 400, angles.size)
        star = shapely.Polygon(centre + np.column_stack([np.cos(angles), np.sin(angles)]) * radius[:, None])
        shapes.append(star if star.is_valid else star.convex_hull)
    fields = frame(*shapes)
    on_grid = np.array([s.intersection(grid.extent.geom).area / s.area for s in shapes])
    pixels = pixel_coverage(fields, grid)
    np.testing.assert_allclose(np.asarray(pixels.sum(axis=1)).ravel(), on_grid, atol=2e-6)
    coverage = field_coverage(fields, sites, grid, 9)
    no_soil = pixels @ (sites.ravel() < 0).astype(float)
    sums = np.asarray(coverage.sum(axis=1)).ravel()
    np.testing.assert_allclose(sums, on_grid - no_soil, atol=2e-6)
    assert (sums <= 1 + 1e-12).all()
    # One site against plane geometry.
    cells = [
        shapely.box(x - 15, y - 15, x + 15, y + 15)
        for (r, c) in np.argwhere(sites == 4)
        for x, y in [(grid.coordinates["x"].values[c], grid.coordinates["y"].values[r])]
    ]
    expected = [s.intersection(shapely.union_all(cells)).area / s.area for s in shapes]
    np.testing.assert_allclose(coverage.toarray()[:, 4], expected, atol=2e-6)


def test_real_boundaries_lie_wholly_on_their_grid():
    raw = gpd.read_file(open_data("fields/derived/csb100.gpkg"))
    fields, _ = clean_fields(raw.assign(field_id=raw["CSBID"]), "EPSG:5070")
    grid = study_grid(fields.total_bounds)
    sums = np.asarray(pixel_coverage(fields, grid).sum(axis=1)).ravel()
    np.testing.assert_allclose(sums, 1.0, atol=1e-6)


def test_a_column_called_id_and_an_odd_index_do_no_harm():
    fields = frame(part(0, 0, 60, 120), part(60, 60, 120, 120), id=["zz", "aa"]).set_index(pd.Index([7, 3]))
    np.testing.assert_allclose(field_coverage(fields, SITES, GRID, 3).toarray(), [[1, 0, 0], [0, 1, 0]], atol=1e-7)


def test_another_crs_or_another_grid_is_refused():
    with pytest.raises(StudyError, match="study grid in"):
        field_coverage(frame(part(0, 0, 60, 60)).to_crs(4326), SITES, GRID)
    with pytest.raises(StudyError, match="pixels"):
        field_coverage(frame(part(0, 0, 60, 60)), SITES[:3], GRID)


def test_no_fields_give_an_empty_matrix():
    assert field_coverage(frame().set_crs(5070), SITES, GRID, 3).shape == (0, 3)


# ---------------------------------------------------------------- summaries


def outcomes_of(n):
    """Return outcomes whose values tell site, option and quantile apart."""
    quantile = [0.10, 0.25, 0.50, 0.75, 0.90]
    site, option, q = np.ogrid[:n, :4, :5]
    cube = 100.0 * (site + 1) + 10.0 * option + q
    data = {name: (("site", "option", "quantile"), cube + i * 1000) for i, name in enumerate(BY_OPTION)}
    data["shortfall_years"] = (("site", "option"), 0.1 * (site[..., 0] + option[..., 0]))
    data["capacity_mm"] = ("site", np.arange(n) * 100.0 + 50)
    data["precip_mm"] = ("site", np.arange(n) * 10.0 + 400)
    data["latest_termination_day"] = ("site", np.array([100.0, 120.0, np.nan, 110.0, np.nan])[:n])
    data["first_freeze_day"] = (("site", "quantile"), 270.0 + np.arange(n)[:, None] + np.arange(5)[None, :])
    data["agreement"] = ("site", np.full(n, np.nan))
    for k, name in enumerate(BY_SPRING):
        data[name] = ("site", 1000.0 * (k + 1) + np.arange(n))
    for name in CURVES:
        data[name] = (("site", "line"), np.zeros((n, len(LINES))))
    coords = {"site": np.arange(n), "option": list(OPTIONS), "quantile": quantile, "line": list(LINES)}
    return xr.Dataset(data, coords=coords)


def zones_of(*names, factors=None, margins=None):
    codes = [ZONE_CODES[n] for n in names]
    n = len(names)
    return pd.DataFrame(
        {
            "zone_code": np.array(codes, np.uint8),
            "zone": names,
            "limiting_factor": factors or [""] * n,
            "limiting_option": ["winter_killed" if f else "" for f in factors or [""] * n],
            "margin": margins if margins is not None else np.arange(n, dtype=float),
        },
        index=pd.RangeIndex(n, name="site"),
    )


def summary(shares, zones, *, irrigated=None, reasons=None, **options):
    coverage = csr_matrix(np.atleast_2d(np.asarray(shares, dtype=float)))
    n_fields, n_sites = coverage.shape
    fields = frame(*[part(0, 0, 60, 60)] * n_fields)
    fields["irrigated"] = irrigated or [False] * n_fields
    sites = pd.DataFrame({"reason": reasons or [""] * n_sites}, index=pd.RangeIndex(n_sites, name="site"))
    return summarise_fields(fields, coverage, outcomes_of(n_sites), zones, sites, **options)


def test_zone_shares_and_the_unknown_share_add_to_one():
    out = summary([[0.2, 0.5, 0.1, 0.0]], zones_of("stubble_water", "either", "not_rated", "either"))
    row = out.iloc[0]
    assert row["zone"] == "either"
    assert row["zone_code"] == 5
    assert row["zone_share"] == pytest.approx(0.5)
    assert row["share_stubble_water"] == pytest.approx(0.2)
    assert row["share_not_rated"] == pytest.approx(0.1)
    assert row["rated_share"] == pytest.approx(0.7)
    assert sum(row[f"share_{z}"] for z in ZONE_NAMES.values()) == pytest.approx(0.8)


def test_numbers_are_area_weighted_medians_over_rated_ground():
    out = summary([[0.2, 0.6, 0.2]], zones_of("either", "either", "not_rated"))
    row = out.iloc[0]
    # Site 0 weighs 1/4, site 1 weighs 3/4; option o at the median of site s: 100 (s + 1) + 10 o + 2.
    for o, option in enumerate(OPTIONS):
        assert row[f"planting_water_mm_{option}"] == pytest.approx(0.25 * 100 + 0.75 * 200 + 10 * o + 2)
        assert row[f"shortfall_years_{option}"] == pytest.approx(0.75 * 0.1 + 0.1 * o)
    assert row["capacity_mm"] == pytest.approx(0.25 * 50 + 0.75 * 150)
    assert row["first_freeze_day"] == pytest.approx(272 + 0.75)
    assert np.isnan(row["agreement"])


def test_a_tie_goes_to_the_drier_zone():
    out = summary([[0.3, 0.1 + 0.2, 0.4]], zones_of("overwintering", "stubble_season", "not_rated"))
    assert out["zone"].tolist() == ["stubble_season"]
    out = summary([[0.45, 0.55]], zones_of("either", "stubble_water"))
    assert out["zone"].tolist() == ["stubble_water"]


def test_several_sites_of_one_zone_outvote_a_larger_site():
    out = summary([[0.4, 0.3, 0.3]], zones_of("stubble_water", "either", "either"))
    assert out["zone"].tolist() == ["either"]


@pytest.mark.parametrize(("share", "zone"), [(0.49, "not_rated"), (0.5, "either"), (0.0, "not_rated")])
def test_below_half_rated_a_field_is_not_rated(share, zone):
    out = summary([[share, 1 - share]], zones_of("either", "not_rated"), reasons=["", "water"])
    row = out.iloc[0]
    assert row["zone"] == zone
    if zone == "not_rated":
        assert np.isnan(row["planting_water_mm_stubble"])
        assert np.isnan(row["margin"])
        assert row["recommended_option"] == row["limiting_factor"] == ""
        assert row["reason"] == "water"
        assert row["zone_share"] == pytest.approx(1 - share)
    else:
        assert row["reason"] == ""


def test_a_field_off_the_soil_map_says_so():
    out = summary([[0.0, 0.0], [0.1, 0.2]], zones_of("either", "not_rated"), reasons=["", "rock"])
    assert out["zone"].tolist() == ["not_rated", "not_rated"]
    assert out["reason"].tolist() == ["outside the soil map", "outside the soil map"]
    assert out["rated_share"].tolist() == pytest.approx([0.0, 0.1])


@pytest.mark.parametrize(
    ("zone", "option"),
    [
        ("stubble_water", "stubble"), ("stubble_season", "stubble"), ("winter_killed", "winter_killed"),
        ("winter_killed_or_early", "winter_killed"), ("either", "winter_killed"),
        ("overwintering", "overwinter_early"), ("not_rated", ""),
    ],
)  # fmt: skip
def test_recommended_option(zone, option):
    assert summary([[1.0]], zones_of(zone))["recommended_option"].tolist() == [option]


def test_what_limits_is_what_limits_most_ground_of_that_zone():
    zones = zones_of(
        "stubble_water", "stubble_water", "stubble_water", "either",
        factors=["water", "winter", "winter", ""], margins=[-0.5, -1.0, -3.0, 9.0],
    )  # fmt: skip
    row = summary([[0.3, 0.2, 0.2, 0.3]], zones).iloc[0]
    assert row["zone"] == "stubble_water"
    assert (row["limiting_factor"], row["limiting_option"]) == ("winter", "winter_killed")
    assert row["margin"] == pytest.approx(-2.0)


def test_an_irrigated_field_has_the_agreement_of_its_own_rule():
    dry = zones_of("stubble_water", "stubble_water")
    wet = zones_of("either", "either").assign(agreement=[0.5, 1.0])
    out = summary([[0.5, 0.5], [0.5, 0.5]], dry, irrigated=[True, False], irrigated_zones=wet)
    assert out["agreement"][0] == pytest.approx(0.75)
    assert np.isnan(out["agreement"][1]), "that of the dryland rule, unknown here"


def test_an_irrigated_field_is_rated_under_its_own_rule_and_its_neighbour_is_not():
    dry = zones_of("stubble_water", "stubble_water", factors=["water", "water"])
    wet = zones_of("either", "winter_killed", margins=[4.0, 5.0])
    out = summary([[0.7, 0.3], [0.7, 0.3]], dry, irrigated=[True, False], irrigated_zones=wet)
    assert out["zone"].tolist() == ["either", "stubble_water"]
    assert out["share_either"].tolist() == pytest.approx([0.7, 0.0])
    assert out["share_winter_killed"].tolist() == pytest.approx([0.3, 0.0])
    assert out["margin"].iloc[0] == pytest.approx(4.0)
    assert out["limiting_factor"].tolist() == ["", "water"]


def test_a_field_mostly_without_a_safe_termination_date_has_none():
    zones = zones_of("either", "either", "either")
    out = summary([[0.2, 0.2, 0.6], [0.3, 0.3, 0.4]], zones)
    assert np.isnan(out["latest_termination_day"].iloc[0])
    assert out["latest_termination_day"].iloc[1] == pytest.approx(110.0)


def test_slope_and_seeding_rate_come_from_sites_or_by_field():
    zones = zones_of("either", "either")
    values = pd.DataFrame({"slope_percent": [2.0, 6.0], "seeding_rate_factor": [1.0, 0.5]})
    out = summary([[0.25, 0.75]], zones, site_values=values)
    assert out["slope_percent"].tolist() == pytest.approx([5.0])
    assert out["seeding_rate_factor"].tolist() == pytest.approx([0.625])
    out = summary([[0.25, 0.75]], zones, site_values=values, field_values={"slope_percent": [3.3]})
    assert out["slope_percent"].tolist() == [3.3]
    out = summary(
        [[0.25, 0.75], [1.0, 0.0]], zones, site_values=values, field_values={"slope_percent": [np.nan, 3.3]}
    )
    assert out["slope_percent"].tolist() == pytest.approx([5.0, 3.3])
    assert summary([[1.0]], zones_of("either"))["slope_percent"].isna().all()


def test_parts_of_different_runs_are_refused():
    with pytest.raises(StudyError, match="same run"):
        summary([[1.0, 0.0]], zones_of("either"))
    old = outcomes_of(1).drop_vars("capacity_mm")
    sites = pd.DataFrame({"reason": [""]})
    with pytest.raises(StudyError, match="lack capacity_mm"):
        summarise_fields(frame(part(0, 0, 60, 60)), csr_matrix([[1.0]]), old, zones_of("either"), sites)


def spring_sites():
    """Three sites: a dry one, a wet one, and one whose late end keeps the limits by itself."""
    line = np.array(LINES)
    outcomes = outcomes_of(3)
    outcomes["capacity_mm"].values[:] = [200.0, 100.0, 100.0]
    outcomes["early_growth_kg_ha"].values[:] = [1000.0, 2000.0, 2000.0]
    outcomes["line_growth_kg_ha"].values[:] = np.array([3000.0, 4000.0, 4000.0])[:, None] - 2000.0 * line
    outcomes["line_shortfall_years"].values[:] = np.array([0.6, 0.4, 0.1])[:, None] * (1.0 - line)
    outcomes["shortfall_years"].loc[{"option": "overwinter_late"}] = [0.6, 0.4, 0.1]
    outcomes["planting_gap_mm"].loc[{"option": "overwinter_late"}] = 10.0
    return outcomes


# Shortfall years at a line t: dry 0.6 (1 - t), wet 0.4 (1 - t), half of each 0.5 (1 - t). The limit is 0.2 and growth
# falls with t, so the lowest line that keeps the limit is the best one.
@pytest.mark.parametrize(
    ("shares", "zone", "irrigated", "line", "short"),
    [
        pytest.param([1, 0, 0], "winter_killed_or_early", False, 0.7, 0.18, id="dry site: 0.6 (1 - 0.7)"),
        pytest.param(
            [0, 1, 0], "overwintering", False, 0.5, 0.20, id="wet site: 0.4 (1 - 0.5), exactly at the limit"
        ),
        pytest.param(
            [0.5, 0.5, 0], "overwintering", False, 0.6, 0.20, id="half of each: the field's own means decide"
        ),
        pytest.param([0.4, 0.4, 0], "overwintering", False, 0.6, 0.20, id="unknown ground does not count"),
        pytest.param([0, 0, 1], "overwintering", False, np.nan, np.nan, id="growing on every year keeps the limits"),
        pytest.param([1, 0, 0], "stubble_water", False, np.nan, np.nan, id="ending early does not fit there"),
        pytest.param(
            [1, 0, 0], "winter_killed", False, np.nan, np.nan, id="the overwintering mix does not fit there"
        ),
        pytest.param([1, 0, 0], "either", False, np.nan, np.nan, id="both ends fit the zone"),
        pytest.param([1, 0, 0], "overwintering", True, np.nan, np.nan, id="water can be added"),
    ],
)
def test_the_line_of_a_field(shares, zone, irrigated, line, short):
    fields = frame(part(0, 0, 60, 60))
    fields["irrigated"] = [irrigated]
    out = summarise_fields(
        fields, csr_matrix([shares]), spring_sites(), zones_of(zone, zone, zone), pd.DataFrame({"reason": [""] * 3})
    )
    row = out.iloc[0]
    np.testing.assert_allclose(row["spring_line_share"], line, atol=1e-9)
    np.testing.assert_allclose(row["spring_line_shortfall_years"], short, atol=1e-9)
    np.testing.assert_allclose(row["spring_line_mm"], line * row["capacity_mm"], atol=1e-9)
    weight = np.array(shares) / sum(shares)
    assert row["late_growth_kg_ha"] == pytest.approx(2000.0 + weight @ np.arange(3))


def test_means_ignore_unknown_ground():
    coverage = csr_matrix([[0.5, 0.25, 0.25], [0.0, 0.0, 1.0]])
    np.testing.assert_allclose(field_means(coverage, [1.0, 4.0, np.nan]), [2.0, np.nan])
    np.testing.assert_allclose(
        field_means(coverage, [[1.0, 0.0], [4.0, 3.0], [np.nan, 8.0]]), [[2.0, 2.75], [np.nan, 8.0]]
    )


def test_five_thousand_fields_on_a_county_are_summed_up(record_property):
    rng = np.random.default_rng(2)
    grid = study_grid((X, Y, X + 49_500, Y + 49_500))
    blocks = rng.integers(0, 8000, (166, 166)).astype(np.int32)
    sites = np.repeat(np.repeat(blocks, 10, 0), 10, 1)[: grid.shape.y, : grid.shape.x]
    corners = rng.uniform((X, Y), (X + 48_900, Y + 48_900), (5000, 2))
    fields = frame(*shapely.box(corners[:, 0], corners[:, 1], corners[:, 0] + 500, corners[:, 1] + 520))
    began = time.perf_counter()
    coverage = field_coverage(fields, sites, grid, 8000)
    names = [list(ZONE_CODES)[i] for i in rng.integers(0, 7, 8000)]
    outcomes = outcomes_of(5).isel(site=np.zeros(8000, int)).assign_coords(site=np.arange(8000))
    sites_table = pd.DataFrame({"reason": ""}, index=pd.RangeIndex(8000))
    out = summarise_fields(fields, coverage, outcomes, zones_of(*names), sites_table)
    record_property("seconds for 5,000 fields on a county", round(time.perf_counter() - began, 2))
    assert len(out) == 5000
