"""Coverage of fields by pixels and sites."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.errors import StudyError
from geo.ground import clean_fields, pixel_coverage, site_shares, study_grid
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
    coverage = site_shares(pixel_coverage(frame(shape), GRID), SITES, 3)
    np.testing.assert_allclose(coverage.toarray()[0], expected, atol=1e-6)


@pytest.mark.slow
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
    coverage = site_shares(pixels, sites, 9)
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
    coverage = site_shares(pixel_coverage(fields, GRID), SITES, 3)
    np.testing.assert_allclose(coverage.toarray(), [[1, 0, 0], [0, 1, 0]], atol=1e-7)


def test_another_crs_or_another_grid_is_refused():
    with pytest.raises(StudyError, match="study grid in"):
        site_shares(pixel_coverage(frame(part(0, 0, 60, 60)).to_crs(4326), GRID), SITES)
    with pytest.raises(StudyError, match="pixels"):
        site_shares(pixel_coverage(frame(part(0, 0, 60, 60)), GRID), SITES[:3])


def test_no_fields_give_an_empty_matrix():
    assert site_shares(pixel_coverage(frame().set_crs(5070), GRID), SITES, 3).shape == (0, 3)
