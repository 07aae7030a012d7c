"""Grids by depth: the cut into feet, and equal cells joined."""

from __future__ import annotations

import numpy as np
import pytest

from geo.soils.layers import (
    GridSoils,
    foot_capacity,
    join_equal_cells,
    layer_weights,
    soils_from_texture,
    soils_from_water,
    surface_mean,
)
from geo.soils.table import AWC_COLUMNS, WILTING_COLUMNS
from tests.geo.soil_frames import check_profiles, surface_table

DEEP = np.full((1, 2), 1219.2)


def test_two_intervals_cut_into_feet():
    # By hand: 0-30 cm at 0.20, 30-150 cm at 0.10.
    awc = np.stack([np.full((1, 2), 0.20), np.full((1, 2), 0.10)])
    mm = foot_capacity(awc, np.array([0.0, 300.0]), np.array([300.0, 1500.0]), np.array([[1219.2, 500.0]]))
    assert mm[:, 0, 0] == pytest.approx([60 + 0.48, 30.48, 30.48, 30.48])
    assert mm[:, 0, 1] == pytest.approx([60 + 0.48, (500 - 304.8) * 0.1, 0, 0])


def test_a_missing_depth_counts_only_above_the_root_limit():
    awc = np.stack([np.full((1, 2), 0.20), np.full((1, 2), np.nan)])
    mm = foot_capacity(awc, np.array([0.0, 600.0]), np.array([600.0, 1500.0]), np.array([[1219.2, 500.0]]))
    assert np.isnan(mm[:, 0, 0]).any()
    assert np.isfinite(mm[:, 0, 1]).all()


@pytest.mark.parametrize(
    ("edges", "last"),
    [([0, 300, 1000], 1219.2), ([0, 300, 900], 1219.2), ([0, 300, 600], 600), ([0, 2000], 2000)],
)
def test_only_a_product_that_ends_in_the_fourth_foot_is_continued(edges, last):
    edges = np.array(edges, float)
    assert layer_weights(edges[:-1], edges[1:])[1][-1] == last


@pytest.mark.parametrize(
    ("top", "bottom"), [([50.0], [300.0]), ([0.0, 400.0], [300.0, 600.0]), ([0.0, 200.0], [300.0, 600.0])]
)
def test_depths_with_gaps_or_overlaps_are_refused(top, bottom):
    with pytest.raises(ValueError, match="without gap or overlap"):
        layer_weights(np.array(top), np.array(bottom))


def test_surface_mean_is_weighted_by_thickness():
    values = np.stack([np.full((1, 1), 0.2), np.full((1, 1), 0.3)])
    assert surface_mean(values, np.array([0.0, 50.0]), np.array([50.0, 300.0])) == pytest.approx(0.25)


def test_texture_gives_the_published_loam():
    # Saxton & Rawls 2006 table 3, loam: wilting point 14 %, field capacity 28 %, 15.5 mm/h = 4.3 um/s (group B).
    one = np.ones((1, 1, 1))
    soils = soils_from_texture(
        0.40 * one, 0.20 * one, 2.5 * one, None, np.array([0.0]), np.array([1500.0]), np.full((1, 1), 1219.2)
    )
    assert 100 * soils.fc[0, 0] == pytest.approx(28, abs=0.5)
    assert 100 * soils.wp[0, 0] == pytest.approx(14, abs=0.5)
    assert soils.capacity_mm[:, 0, 0] == pytest.approx([1.71 * 25.4] * 4, rel=0.005)  # 1.71 in/ft
    assert (soils.texture[0, 0], soils.group[0, 0]) == ("loam", "B")


def test_rock_fragments_take_their_volume_from_texture_water():
    one = np.ones((1, 1, 1))
    args = (np.array([0.0]), np.array([1500.0]), np.full((1, 1), 1219.2))
    plain = soils_from_texture(0.4 * one, 0.2 * one, 2.5 * one, None, *args)
    stony = soils_from_texture(0.4 * one, 0.2 * one, 2.5 * one, 0.25 * one, *args)
    assert stony.capacity_mm == pytest.approx(0.75 * plain.capacity_mm)


def grid(awc: np.ndarray) -> GridSoils:
    return soils_from_water(
        awc[None], None, None, np.array([0.0]), np.array([1500.0]), np.full(awc.shape, 1219.2), surface_table()
    )


def test_equal_cells_become_one_profile_and_all_cells_are_accounted_for():
    awc = np.array([[0.100, 0.1002, 0.20], [np.nan, 0.0, 0.20]])
    profiles, units, cells, codes, step = join_equal_cells(grid(awc))
    assert step == 2.0
    assert cells[0, 0] == cells[0, 1]
    assert cells[0, 2] == cells[1, 2] != cells[0, 0]
    assert cells[1, 0] == -1
    assert codes[cells[1, 1]] == "no-water"
    assert units.at["no-water", "rated_share"] == 0.0
    assert len(profiles) == 2
    assert set(profiles["map_unit_id"]) < set(units.index)
    check_profiles(profiles)


def test_rounding_moves_a_foot_by_at_most_half_a_step():
    rng = np.random.default_rng(5)
    awc = rng.uniform(0.04, 0.24, (40, 50))
    soils = grid(awc)
    profiles, _, cells, codes, step = join_equal_cells(soils)
    table = profiles.set_index("map_unit_id")[list(AWC_COLUMNS)]
    back = table.loc[[codes[c] for c in cells.ravel()]].to_numpy().T.reshape(4, 40, 50)
    assert np.abs(back - soils.capacity_mm).max() <= step / 2 + 1e-9


def test_too_many_soils_are_rounded_coarser_until_they_fit():
    rng = np.random.default_rng(6)
    awc = rng.uniform(0.04, 0.24, (60, 60))
    profiles, _, _, _, step = join_equal_cells(grid(awc), max_profiles=12)
    assert len(profiles) <= 12
    assert step > 2.0


def test_wilting_point_by_foot_is_kept_where_the_grid_knows_it():
    """Field capacity and wilting point say it, a capacity alone does not; joined cells have the mean of theirs."""
    top, bottom = np.array([0.0, 300.0]), np.array([300.0, 1500.0])
    wp = np.stack([np.array([[0.10, 0.102]]), np.full((1, 2), 0.15)])
    known = soils_from_water(
        np.full((2, 1, 2), 0.15), np.full(wp.shape, 0.26), wp, top, bottom, DEEP, surface_table()
    )
    profiles = join_equal_cells(known)[0]
    assert len(profiles) == 1
    assert profiles[list(WILTING_COLUMNS)].to_numpy()[0] == pytest.approx([300 * 0.101 + 4.8 * 0.15, *[45.72] * 3])
    alone = soils_from_water(np.full((2, 1, 2), 0.15), None, None, top, bottom, DEEP, surface_table())
    assert join_equal_cells(alone)[0][list(WILTING_COLUMNS)].isna().all(axis=None)
