"""Means and quantiles of mixtures of components."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from geo.rating.weighted import mixture_mean, mixture_quantile, padded_members
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

Q = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
finite = st.floats(-1e4, 1e4, allow_nan=False).map(lambda v: round(v, 3))


def oracle(values: list[float], weights: list[float], q: float) -> float:
    """Weighted type 7: sorted values sit at (weight before) / (total - last weight); straight lines between."""
    pairs = sorted((v, w) for v, w in zip(values, weights, strict=True) if w > 0 and not np.isnan(v))
    if not pairs:
        return float("nan")
    if len(pairs) == 1:
        return pairs[0][0]
    span = sum(w for _, w in pairs) - pairs[-1][1]
    before, places = 0.0, []
    for _, w in pairs:
        places.append(before / span)
        before += w
    return float(np.interp(q, places, [v for v, _ in pairs]))


def members(site_unit_weight: list[tuple[int, int, float]], n_sites: int):
    return padded_members(pd.DataFrame(site_unit_weight, columns=["site", "unit", "weight"]), n_sites)


@given(arrays(float, st.tuples(st.integers(1, 5), st.integers(1, 30)), elements=finite))
def test_one_member_is_the_usual_quantile(values):
    """Hyndman and Fan 1996, type 7, as numpy computes it."""
    n = len(values)
    unit, weight = members([(i, i, 1.0) for i in range(n)], n)
    np.testing.assert_allclose(
        mixture_quantile(values, unit, weight, Q), np.quantile(values, Q, axis=1).T, rtol=1e-9, atol=1e-6
    )


@given(
    st.integers(1, 4).flatmap(
        lambda m: st.tuples(
            arrays(float, (m, 7), elements=finite, unique=True),
            st.lists(st.floats(0.05, 1.0), min_size=m, max_size=m),
        )
    )
)
def test_several_members_carry_their_weights(case):
    values, weights = case
    unit, weight = members([(0, k, w) for k, w in enumerate(weights)], 1)
    got = mixture_quantile(values, unit, weight, Q)[0]
    flat = values.ravel().tolist()
    each = np.repeat(weights, values.shape[1]).tolist()
    np.testing.assert_allclose(got, [oracle(flat, each, q) for q in Q], rtol=1e-7, atol=1e-5)


@given(arrays(float, (3, 9), elements=finite, unique=True))
def test_equal_weights_are_the_pooled_sample(values):
    unit, weight = members([(0, k, 1 / 3) for k in range(3)], 1)
    got = mixture_quantile(values, unit, weight, Q)[0]
    np.testing.assert_allclose(got, np.quantile(values.ravel(), Q), rtol=1e-7, atol=1e-5)


@given(arrays(float, (3, 9), elements=finite), st.lists(st.floats(0.05, 1.0), min_size=3, max_size=3))
def test_quantiles_rise_and_stay_inside_the_values(values, weights):
    unit, weight = members([(0, k, w) for k, w in enumerate(weights)], 1)
    got = mixture_quantile(values, unit, weight, Q)[0]
    assert (np.diff(got) >= -1e-9).all()
    assert got[0] == pytest.approx(values.min())
    assert got[-1] == pytest.approx(values.max())


def test_a_mixture_is_not_an_average_soil():
    """Half sand, half silt loam: the 10 % quantile belongs to the sand, the 90 % quantile to the silt loam."""
    values = np.stack([np.full(30, 20.0), np.full(30, 150.0)])
    unit, weight = members([(0, 0, 0.5), (0, 1, 0.5)], 1)
    low, high = mixture_quantile(values, unit, weight, (0.1, 0.9))[0]
    assert (low, high) == (20.0, 150.0)
    assert mixture_mean(values.mean(axis=1), unit, weight)[0] == 85.0


def test_a_minor_component_does_not_move_the_median():
    values = np.stack([np.linspace(100, 110, 21), np.full(21, 5.0)])
    unit, weight = members([(0, 0, 0.9), (0, 1, 0.1)], 1)
    assert 103.0 < mixture_quantile(values, unit, weight, (0.5,))[0, 0] < 105.0


def test_missing_values_and_empty_sites():
    values = np.array([[1.0, np.nan, 3.0], [np.nan, np.nan, np.nan]])
    unit, weight = members([(0, 0, 1.0), (2, 1, 1.0)], 3)
    got = mixture_quantile(values, unit, weight, (0.5,))[:, 0]
    assert got[0] == 2.0
    assert np.isnan(got[1])
    assert np.isnan(got[2])
    assert np.isnan(mixture_mean(np.array([1.0, 2.0]), unit, weight)[1])


def test_padding_never_leaks_a_missing_value():
    """Sites with fewer members are padded with unit 0; a NaN there must not reach them."""
    values = np.array([np.nan, 4.0, 6.0])
    unit, weight = members([(0, 1, 1.0), (1, 1, 0.5), (1, 2, 0.5)], 2)
    np.testing.assert_allclose(mixture_mean(values, unit, weight), [4.0, 5.0])


@given(st.permutations(range(6)))
def test_order_of_rows_does_not_matter(order):
    rows = [(0, 0, 0.2), (0, 1, 0.3), (0, 2, 0.5), (1, 3, 1.0), (2, 4, 0.6), (2, 5, 0.4)]
    values = np.arange(60.0).reshape(6, 10) ** 1.5
    reference = mixture_quantile(values, *members(rows, 3), Q)
    shuffled = mixture_quantile(values, *members([rows[i] for i in order], 3), Q)
    np.testing.assert_allclose(shuffled, reference, rtol=1e-12)


def test_extra_axes_are_kept():
    rng = np.random.default_rng(3)
    values = rng.normal(size=(4, 12, 3, 2))
    unit, weight = members([(0, 0, 0.5), (0, 1, 0.5), (1, 2, 1.0), (2, 3, 1.0)], 3)
    got = mixture_quantile(values, unit, weight, (0.25, 0.75), chunk_values=1)
    assert got.shape == (3, 2, 3, 2)
    np.testing.assert_allclose(got[1], np.quantile(values[2], (0.25, 0.75), axis=0))
    np.testing.assert_allclose(mixture_mean(values, unit, weight)[0], values[:2].mean(axis=0))
