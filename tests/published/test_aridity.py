"""The aridity index against the published class limits."""

from __future__ import annotations

import numpy as np
import pytest

from geo.climate_index import aridity_class, aridity_code, aridity_index


@pytest.mark.parametrize(
    ("precip_mm", "et0_mm", "name"),
    [
        pytest.param(40, 1000, "hyper-arid", id="UNEP 1992: below 0.05"),
        pytest.param(50, 1000, "arid", id="UNEP 1992: 0.05 to 0.20"),
        pytest.param(199, 1000, "arid", id="UNEP 1992: just below 0.20"),
        pytest.param(200, 1000, "semi-arid", id="UNEP 1992: 0.20 to 0.50"),
        pytest.param(499, 1000, "semi-arid", id="UNEP 1992: just below 0.50"),
        pytest.param(500, 1000, "dry sub-humid", id="UNEP 1992: 0.50 to 0.65"),
        pytest.param(650, 1000, "humid", id="UNEP 1992: 0.65 and above"),
        pytest.param(380, 1350, "semi-arid", id="UNEP 1992 limits, a High Plains climate (0.281)"),
        pytest.param(250, 1500, "arid", id="UNEP 1992 limits, a desert margin (0.167)"),
    ],
)
def test_class(precip_mm: float, et0_mm: float, name: str) -> None:
    assert aridity_class(aridity_index(precip_mm, et0_mm)) == name


def test_unknown_demand_is_not_a_class() -> None:
    index = aridity_index(np.array([400.0, 400.0]), np.array([0.0, 1000.0]))
    assert np.isnan(index[0])
    assert index[1] == pytest.approx(0.4)
    assert aridity_code(index).tolist() == [-1, 2]
    assert aridity_class(float("nan")) == ""
