"""The aridity index and the classes that its limits are taken from."""

from __future__ import annotations

import numpy as np
import pytest

from geo.model_rules import DEFAULT_RULES
from geo.weather.air_humidity import aridity_index


@pytest.mark.parametrize(
    ("precip_mm", "et0_mm", "index"),
    [
        pytest.param(650, 1000, 0.65, id="UNEP 1992: precipitation over potential ET, lower limit of humid"),
        pytest.param(200, 1000, 0.20, id="UNEP 1992: upper limit of arid"),
        pytest.param(380, 1350, 0.281, id="UNEP 1992 formula, a High Plains climate"),
    ],
)
def test_index(precip_mm: float, et0_mm: float, index: float) -> None:
    assert float(aridity_index(precip_mm, et0_mm)) == pytest.approx(index, abs=5e-4)


@pytest.mark.parametrize(
    ("rule", "limit"),
    [
        pytest.param("dewpoint_dry_index", 0.20, id="UNEP 1992: arid below 0.20"),
        pytest.param("dewpoint_humid_index", 0.65, id="UNEP 1992: humid from 0.65"),
    ],
)
def test_dry_and_humid_air_begin_at_the_limits_of_the_classes(rule: str, limit: float) -> None:
    assert getattr(DEFAULT_RULES, rule) == limit


def test_unknown_demand_has_no_index() -> None:
    index = aridity_index(np.array([400.0, 400.0]), np.array([0.0, 1000.0]))
    assert np.isnan(index[0])
    assert index[1] == pytest.approx(0.4)
