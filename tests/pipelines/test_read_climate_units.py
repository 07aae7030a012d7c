"""Units by metadata: conversions, spellings, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from geo.errors import StudyError
from pipelines.read.climate.products import products, variables
from pipelines.read.climate.units import check_values, to_contract


@pytest.mark.parametrize(
    ("unit", "key", "step", "value", "expected"),
    [
        ("K", "tmin_c", "daily", 273.15, 0.0),
        ("degrees C", "tmin_c", "daily", 5.0, 5.0),
        ("deg c", "tmax_c", "daily", 5.0, 5.0),
        ("C", "tmax_c", "daily", 5.0, 5.0),
        ("degree_Celsius", "tmax_c", "daily", 5.0, 5.0),
        ("degF", "tmin_c", "monthly", 212.0, 100.0),
        ("0.1 degC", "tmin_c", "daily", -106.0, -10.6),
        ("0.1 degF", "tmin_c", "monthly", 320.0, 0.0),
        ("degF", "tmin_sd_c", "monthly", 9.0, 5.0),
        ("K", "tmin_sd_c", "monthly", 4.0, 4.0),
        ("mm/day", "precip_mm", "daily", 3.0, 3.0),
        ("millimeter", "precip_mm", "daily", 3.0, 3.0),
        ("inches", "precip_mm", "daily", 1.0, 25.4),
        ("0.01 inch", "precip_mm", "monthly", 100.0, 25.4),
        ("kg m-2", "precip_mm", "daily", 3.0, 3.0),
        ("kg m-2 s-1", "precip_mm", "daily", 1 / 86400, 1.0),
        ("m", "precip_mm", "daily", 0.002, 2.0),
        ("Pa", "vapour_pressure_kpa", "daily", 1200.0, 1.2),
        ("hPa", "vapour_pressure_kpa", "monthly", 12.0, 1.2),
        ("W m-2", "solar_mj_m2_day", "monthly", 100.0, 8.64),
        ("kJ m-2 day-1", "solar_mj_m2_day", "monthly", 8640.0, 8.64),
        ("%", "wet_day_fraction", "monthly", 25.0, 0.25),
        ("mile/hour", "wind_m_s", "daily", 10.0, 4.4704),
        ("ft", "elevation_m", "fixed", 1000.0, 304.8),
    ],
    ids=lambda v: str(v) if isinstance(v, str) else None,
)
def test_conversions(unit, key, step, value, expected) -> None:
    """SI definitions: inch 25.4 mm, 0 degC 273.15 K, foot 0.3048 m; 1 kg m-2 of water is 1 mm (CF 1.11)."""
    assert float(to_contract(np.array(value), unit, key, step, "x")) == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_a_daily_rate_of_months_is_summed_over_their_days() -> None:
    """Turn 2 mm a day into 62 mm in January and 56.5 mm in February (28.25 days on average)."""
    got = to_contract(np.full((12, 1), 2.0), "mm day-1", "precip_mm", "monthly", "x")
    assert got[:4, 0].tolist() == [62.0, 56.5, 62.0, 60.0]
    month = to_contract(np.full((12, 1), 2.0), "mm/month", "precip_mm", "monthly", "x")
    assert month[:, 0].tolist() == [2.0] * 12
    days = to_contract(np.full((12, 1), 6.2), "days", "wet_day_fraction", "monthly", "x")
    assert days[0, 0] == pytest.approx(0.2)


@pytest.mark.parametrize(
    "text",
    ["", "bananas", "speed", "mm mm mm)", "mm/", "'", "1..2 mm", "0 mm", "1e400 mm"],
    ids=["empty", "no unit", "word", "broken", "half", "quote", "broken factor", "zero", "endless"],
)
def test_not_a_unit(text: str) -> None:
    with pytest.raises(StudyError):
        to_contract(np.array([1.0]), text, "precip_mm", "daily", "file: variable")


@pytest.mark.parametrize(
    ("unit", "key"),
    [
        ("mm", "tmin_c"),
        ("degC", "precip_mm"),
        ("° c", "precip_mm"),  # not an angle times the speed of light
        ("m/s", "elevation_m"),
        ("kg", "precip_mm"),
        ("vol%", "wet_day_fraction"),
        ("wt%", "wet_day_fraction"),
    ],
)
def test_wrong_kind(unit: str, key: str) -> None:
    with pytest.raises(StudyError, match="cannot be a unit"):
        to_contract(np.array([1.0]), unit, key, "daily", "x")


def test_a_few_strays_are_not_a_contradiction_but_many_are() -> None:
    values = np.full(10_000, 10.0)
    values[:5] = 99.0
    assert check_values(values, "tmax_c", "daily", "degC", "x") is None
    values[:500] = 99.0
    error = check_values(values, "tmax_c", "daily", "degC", "x")
    assert error is not None
    assert "10 to 99" in error.what
    assert check_values(np.array([np.nan, np.nan]), "tmax_c", "daily", "degC", "x") is None


def test_every_variable_and_product_row_is_complete() -> None:
    for key, variable in variables().items():
        assert variable.ranges
        for unit in (*variable.alternatives, variable.units):
            to_contract(np.array([1.0]), unit, key, next(iter(variable.ranges)), key, np.array([30.0]))
    for product in products().values():
        assert product.licence
        assert product.day
        assert product.source
        for name, key in product.names.items():
            assert key in variables(), name
        for key, unit in product.units.items():
            to_contract(np.array([1.0]), unit, key, "monthly", key, np.array([30.0]))
