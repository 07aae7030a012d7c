"""Values in the user's units, against published conversion factors."""

from __future__ import annotations

import math

import pytest

from geo.errors import StudyError
from pipelines.study.units import Units, convert


@pytest.mark.parametrize(
    ("value", "source", "target", "wanted"),
    [
        pytest.param(25.4, "millimeter", "inch", 1.0, id="NIST SP 811 app. B: 1 in = 25.4 mm exactly"),
        pytest.param(0.404687, "hectare", "acre", 1.0, id="NIST SP 811 app. B: 1 acre = 0.404687 ha"),
        pytest.param(258.9988, "hectare", "acre", 640.0, id="NIST SP 811 app. B: 1 mi2 = 2.589988 km2; a section"),
        pytest.param(0.45359237 / 0.404687, "kilogram / hectare", "pound / acre", 1.0, id="NIST SP 811: lb and acre"),
        pytest.param(-40, "degC", "degF", -40.0, id="NIST SP 811: F = 1.8 C + 32"),
        pytest.param(100, "degC", "degF", 212.0, id="NIST SP 811: boiling water"),
    ],
)
def test_conversion(value, source, target, wanted):
    assert convert(value, source, target) == pytest.approx(wanted, rel=1e-5)


def test_the_acre_is_the_international_one():
    """85 FR 62698: the survey foot ended with 2022; an acre is 43,560 ft2 of 0.3048 m, as in the map's script."""
    assert convert(0.3048**2 * 43_560 / 10_000, "hectare", "acre") == pytest.approx(1.0, rel=1e-12)


US, METRIC = Units("us"), Units("metric")


@pytest.mark.parametrize(
    ("shown", "text", "number"),
    [
        (US.depth(38.1), "1.5 in", 1.5),
        (METRIC.depth(38.1), "38 mm", 38),
        (US.depth(-0.4), "0.0 in", 0),
        (US.depth(-25.4), "−1.0 in", -1),
        (US.area(64.75), "160 acres", 160),
        (US.area(3.2), "7.9 acres", 7.9),
        (US.area(4.05), "10 acres", 10),
        (METRIC.area(64.75), "64.8 ha", 64.8),
        (US.mass(2200), "1,950 lb/acre", 1950),
        (METRIC.mass(2210), "2,200 kg/ha", 2200),
        (METRIC.mass(324), "320 kg/ha", 320),
        (US.percent(0.305), "31%", 31),
        (US.date(135), "May 15", 135),
        (METRIC.date(135), "15 May", 135),
        (US.date(366), "Jan 1", 366),
        (US.share_as_years(0.2, 30), "6 in 30 years", 6),
        (US.share_as_years(1.2, 30), "30 in 30 years", 30),
    ],
)
def test_shown(shown, text, number):
    assert shown.text == str(shown) == text
    assert shown.number == pytest.approx(number)


@pytest.mark.parametrize("method", ["depth", "area", "mass", "percent", "date"])
@pytest.mark.parametrize("units", [US, METRIC], ids=["us", "metric"])
def test_missing_says_so(units, method):
    shown = getattr(units, method)(math.nan)
    assert shown.text == "no data"
    assert shown.number is None


def test_unknown_system():
    with pytest.raises(StudyError, match="'us' or 'metric'"):
        Units("imperial")
