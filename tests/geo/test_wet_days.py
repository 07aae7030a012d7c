"""The wet-day chain does what it is asked."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.weather.wet_days import draw_wet_days, estimate_wet_day_fraction, gamma_amounts, geng_gamma, slow_series

DAYS = 365 * 300


@pytest.mark.parametrize("share", [0.05, 0.2, 0.5, 0.8])
@pytest.mark.parametrize("persistence", [0.0, 0.25, 0.5])
def test_long_run_share_and_persistence(share: float, persistence: float) -> None:
    uniform = np.random.default_rng(3).random(DAYS)
    wet = draw_wet_days(uniform, np.full((1, 365), share), np.ones(DAYS), np.full((1, 365), persistence))[0].astype(
        float
    )
    assert wet.mean() == pytest.approx(share, abs=0.01)
    assert np.corrcoef(wet[1:], wet[:-1])[0, 1] == pytest.approx(persistence, abs=0.02)


def test_wetter_cell_is_wet_whenever_the_drier_is() -> None:
    uniform = np.random.default_rng(4).random(3650)
    share = np.repeat([[0.15], [0.3]], 365, axis=1)
    dry, wet = draw_wet_days(uniform, share, np.ones(3650), np.full((2, 365), 0.25))
    assert (wet | ~dry).all()
    assert wet.sum() > dry.sum()


@given(st.floats(0.05, 60.0))
def test_gamma_keeps_its_mean(mean: float) -> None:
    shape, scale = geng_gamma(np.array([mean]))
    assert shape[0] * scale[0] == pytest.approx(mean)
    assert 0 < shape[0] <= 0.998
    middles = (np.arange(20000) + 0.5) / 20000
    assert gamma_amounts(middles, np.full(20000, mean)).mean() == pytest.approx(mean, rel=0.02)


def test_slow_series_is_standard_and_persistent() -> None:
    z = slow_series(4000, 0.4, np.random.default_rng(5))
    assert z.mean() == pytest.approx(0.0, abs=0.05)
    assert z.std() == pytest.approx(1.0, abs=0.05)
    assert np.corrcoef(z[1:], z[:-1])[0, 1] == pytest.approx(0.4, abs=0.03)


@given(st.floats(0, 30), st.floats(-30, 35))
def test_estimated_share_is_a_share(precip: float, temperature: float) -> None:
    share = float(estimate_wet_day_fraction(np.array(precip), np.array(temperature)))
    assert 0 <= share <= 0.8
    assert share <= float(estimate_wet_day_fraction(np.array(precip + 1), np.array(temperature)))
