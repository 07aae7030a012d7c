"""Readings by depth become plant-available water by foot: a worked example, the rules, and what always holds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.soils.measured_water import (
    LEAST_MEASURED_SHARE,
    foot_thickness_mm,
    foot_water,
    mean_water,
    misfit,
    volumetric,
)

FOOT = 304.8
NONE = np.full(4, np.nan)


def by_foot(content, wilting, top=None, bottom=None, own=None, limit=4 * FOOT):
    """Cores of one-foot intervals unless other depths are given; wilting point as a content, the same in all feet."""
    content = np.atleast_1d(np.asarray(content, float))
    top = FOOT * np.arange(len(content)) if top is None else np.asarray(top, float)
    bottom = top + FOOT if bottom is None else np.asarray(bottom, float)
    own = np.full(len(content), np.nan) if own is None else np.asarray(own, float)
    return foot_water(top, bottom, content, own, wilting * foot_thickness_mm(limit), limit)


# --- worked examples -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field_capacity", "wilting_point", "mm_per_metre"),
    [
        pytest.param(0.15, 0.06, 90, id="loamy sand: FAO-56 example 36"),
        pytest.param(0.32, 0.15, 170, id="silt: FAO-56 example 36"),
        pytest.param(0.35, 0.23, 120, id="silty clay: FAO-56 example 36"),
    ],
)
def test_a_soil_at_field_capacity_holds_the_published_total_available_water(
    field_capacity, wilting_point, mm_per_metre
):
    """A core down to four feet of a soil at field capacity: TAW of a metre, a foot at a time."""
    water = by_foot([field_capacity] * 4, wilting_point)
    assert water.available_mm == pytest.approx([mm_per_metre * 0.3048] * 4)
    assert water.available_mm.sum() / 1.2192 == pytest.approx(mm_per_metre)


def test_a_quarter_by_volume_is_three_inches_in_a_foot():
    """25 % by volume = 3 in/ft; at 1.32 g/cm3 it is 19 % by weight (soil water laboratory, Cal Poly BRAE 236)."""
    assert volumetric(0.19, 1.32) == pytest.approx(0.25, abs=0.001)
    inches = by_foot([0.25], 0.0).available_mm[0] / 25.4
    assert inches == pytest.approx(3.0)


def test_a_core_by_hand():
    """A core in three parts, by hand: 0-6 in at 0.20, 6-18 in at 0.28, 18-48 in at 0.24; it wilts at 0.12.

    First foot: 6 in x 0.08 + 6 in x 0.16 = 1.44 in. Second: 6 in x 0.16 + 6 in x 0.12 = 1.68 in. Below: 12 x 0.12.
    """
    inch = 25.4
    water = by_foot([0.20, 0.28, 0.24], 0.12, np.array([0, 6, 18]) * inch, np.array([6, 18, 48]) * inch)
    assert water.available_mm / inch == pytest.approx([1.44, 1.68, 1.44, 1.44])
    assert water.measured_share == pytest.approx([1, 1, 1, 1])
    assert water.used.all()


# --- rules -----------------------------------------------------------------------------------------------------

PARTS = [
    # top, bottom, measured share by foot, is there a value
    pytest.param([0], [150], [150 / FOOT, 0, 0, 0], [False, False, False, False], id="less than half of a foot"),
    pytest.param([0], [200], [200 / FOOT, 0, 0, 0], [True, False, False, False], id="two thirds of a foot"),
    pytest.param(
        [0, 100], [200, 300], [300 / FOOT, 0, 0, 0], [True, False, False, False], id="readings that overlap"
    ),
    pytest.param([0, 1000], [400, 1300], [1, 95.2 / FOOT, 0, 219.2 / FOOT], [True, False, False, True], id="a gap"),
    pytest.param([1300], [1500], [0, 0, 0, 0], [False] * 4, id="below four feet"),
]


@pytest.mark.parametrize(("top", "bottom", "share", "known"), PARTS)
def test_feet_that_were_measured_in_part(top, bottom, share, known):
    water = by_foot([0.25] * len(top), 0.10, top, bottom)
    assert water.measured_share == pytest.approx(share)
    assert np.isfinite(water.available_mm).tolist() == known
    # the mean of the measured part stands for the whole foot
    assert water.available_mm[known] == pytest.approx(0.15 * FOOT)


def test_where_readings_overlap_their_mean_counts():
    twice = by_foot([0.20, 0.30], 0.10, [0, 0], [FOOT, FOOT])
    assert twice.available_mm[0] == pytest.approx(0.15 * FOOT)


def test_nothing_counts_below_rock_and_readings_there_are_not_used():
    water = by_foot([0.25] * 4, 0.10, limit=500.0)
    assert water.available_mm == pytest.approx([0.15 * FOOT, 0.15 * (500 - FOOT), 0, 0])
    assert np.isnan(water.measured_share[2:]).all()
    assert water.used.tolist() == [True, True, False, False]


def test_drier_than_the_wilting_point_is_none_not_less():
    assert by_foot([0.08], 0.10).available_mm[0] == 0.0


def test_a_wilting_point_that_comes_with_the_reading_goes_before_that_of_the_soil():
    water = by_foot([0.25, 0.25], 0.10, own=[0.15, np.nan])
    assert water.available_mm[:2] == pytest.approx([0.10 * FOOT, 0.15 * FOOT])


def test_a_spot_on_a_map_unit_is_the_mean_of_the_soils_that_may_lie_there():
    parts = [by_foot([0.25] * 4, 0.10), by_foot([0.25] * 4, 0.20)]
    assert mean_water(parts, [0.75, 0.25]).available_mm == pytest.approx([0.125 * FOOT] * 4)
    stony = [by_foot([0.25] * 4, 0.10), by_foot([0.25] * 4, 0.10, limit=FOOT)]
    mixed = mean_water(stony, [1, 1])
    assert mixed.available_mm == pytest.approx([0.15 * FOOT, *[0.075 * FOOT] * 3])
    assert mixed.measured_share == pytest.approx([1, 1, 1, 1])


# --- what always holds -----------------------------------------------------------------------------------------


@given(
    cuts=st.lists(st.floats(1, 1400), min_size=1, max_size=8, unique=True),
    content=st.floats(0.0, 0.5),
    wilting=st.floats(0.0, 0.3),
    limit=st.floats(50, 1219.2),
)
def test_cutting_a_uniform_core_finer_never_changes_its_water(cuts, content, wilting, limit):
    edges = np.unique([0.0, *cuts, 1400.0])
    fine = by_foot([content] * (len(edges) - 1), wilting, edges[:-1], edges[1:], limit=limit)
    whole = by_foot([content], wilting, [0.0], [1400.0], limit=limit)
    assert fine.available_mm == pytest.approx(whole.available_mm, abs=1e-9)
    assert whole.available_mm == pytest.approx(
        np.clip(content - wilting, 0, None) * foot_thickness_mm(limit), abs=1e-9
    )


READING = st.tuples(st.floats(0, 1200), st.floats(20, 600), st.floats(0.0, 0.6))


@given(readings=st.lists(READING, min_size=1, max_size=10), wilting=st.floats(0.0, 0.3), seed=st.integers(0, 99))
def test_order_does_not_matter_and_water_stays_within_what_was_read(readings, wilting, seed):
    top, thick, content = np.array(readings).T
    first = by_foot(content, wilting, top, top + thick)
    order = np.random.default_rng(seed).permutation(len(top))
    again = by_foot(content[order], wilting, top[order], (top + thick)[order])
    assert again.available_mm == pytest.approx(first.available_mm, abs=1e-9, nan_ok=True)
    assert again.used.tolist() == first.used[order].tolist()
    known = np.isfinite(first.available_mm)
    assert (first.available_mm[known] >= 0).all()
    assert (first.available_mm[known] <= max(content.max() - wilting, 0) * FOOT + 1e-9).all()
    assert (first.measured_share <= 1 + 1e-12).all()
    assert (known == (first.measured_share >= LEAST_MEASURED_SHARE)).all()


# --- how well the model does -----------------------------------------------------------------------------------


def test_agreement_by_hand():
    """Differences -2, 0, +1, -3 mm: bias -1, root mean square sqrt(14/4), below in two."""
    found = misfit([8, 10, 11, 7, 5], [10, 10, 10, 10, np.nan])
    assert (found.n, found.bias_mm, found.below) == (4, -1.0, 2)
    assert found.rmse_mm == pytest.approx(np.sqrt(3.5))
    assert misfit([], []).n == 0


@given(st.lists(st.tuples(st.floats(0, 300), st.floats(0, 300)), min_size=1, max_size=30))
def test_no_bias_exceeds_the_root_mean_square(pairs):
    found = misfit(*np.array(pairs).T)
    assert abs(found.bias_mm) <= found.rmse_mm + 1e-9
    assert 0 <= found.below <= found.n == len(pairs)
