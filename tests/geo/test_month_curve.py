"""Curves through the year keep their monthly means."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geo.weather.month_curve import daily_curve, month_means, positive_daily_curve

year = arrays(np.float64, 12, elements=st.floats(-40, 40))
rain = arrays(np.float64, 12, elements=st.one_of(st.just(0.0), st.floats(0.01, 40)))


@given(year)
def test_means_are_kept(monthly: np.ndarray) -> None:
    np.testing.assert_allclose(month_means(daily_curve(monthly)), monthly, atol=1e-9)


@given(rain)
def test_positive_curve_keeps_means_and_zero_months(monthly: np.ndarray) -> None:
    curve = positive_daily_curve(monthly)
    assert (curve >= 0).all()
    np.testing.assert_allclose(month_means(curve), monthly, rtol=1e-9, atol=1e-12)


def test_no_step_at_month_ends() -> None:
    monthly = np.array([-11, -9, -5, 0, 6, 11, 15, 14, 8, 1, -6, -10.0])
    curve = daily_curve(monthly)
    assert np.abs(np.diff(np.append(curve, curve[0]))).max() < 0.35  # C a day; the months differ by up to 7 C
