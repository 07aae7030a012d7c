"""Soil water from texture against the published table and a published worked value."""

from __future__ import annotations

import numpy as np
import pytest

from geo.soils.pedotransfer import saxton_rawls, texture_class

# Saxton & Rawls 2006, table 3 (2.5 % organic matter): sand %, clay %, wilting point %, field capacity %,
# saturation %, conductivity mm/h. The last two rows' water contents are from memory.
TABLE_3 = [
    ("sand", 88, 5, 5, 10, 46, 108.1),
    ("loamy sand", 80, 5, 5, 12, 46, 96.7),
    ("sandy loam", 65, 10, 8, 18, 45, 50.3),
    ("loam", 40, 20, 14, 28, 46, 15.5),
    ("silt loam", 20, 15, 11, 31, 48, 16.1),
    ("silt", 10, 5, 6, 30, 48, 22.0),
    ("sandy clay loam", 60, 25, 17, 27, 43, 11.3),
    ("clay loam", 30, 35, 22, 36, 48, 4.3),
    ("silty clay loam", 10, 35, 22, 38, 51, 5.7),
    ("silty clay", 10, 45, 27, 41, 52, 3.7),
    ("sandy clay", 50, 40, 25, 36, 44, 1.4),
    ("clay", 25, 50, 30, 42, 50, 1.1),
]
IDS = [f"Saxton & Rawls 2006 table 3: {row[0]}" for row in TABLE_3]


@pytest.mark.parametrize(("name", "sand", "clay", "wp", "fc", "sat", "ksat"), TABLE_3, ids=IDS)
def test_water_contents_of_the_texture_classes(name, sand, clay, wp, fc, sat, ksat):
    water = saxton_rawls(sand / 100, clay / 100, 2.5)
    # The table was rounded from unrounded inputs, hence a whole point.
    assert abs(100 * water.wilting_point - wp) <= 1.0
    assert abs(100 * water.field_capacity - fc) <= 1.0
    assert abs(100 * water.saturation - sat) <= 1.0
    assert float(water.ksat_mm_h) == pytest.approx(ksat, abs=0.051)
    assert bool(water.calibrated)


@pytest.mark.parametrize(("name", "sand", "clay"), [row[:3] for row in TABLE_3], ids=IDS)
def test_the_table_rows_fall_in_their_own_texture_class(name, sand, clay):
    assert texture_class(sand / 100, clay / 100).item() == name


def test_worked_value_of_equal_sand_and_clay():
    # CUG-hydro HydroTools documentation: S = C = 0.20, organic matter 2.5 %
    water = saxton_rawls(0.20, 0.20, 2.5)
    assert float(water.wilting_point) == pytest.approx(0.1365448, abs=1e-7)
    assert float(water.field_capacity) == pytest.approx(0.3208775, abs=1e-6)
    assert float(water.saturation) == pytest.approx(0.482125, abs=1e-6)


def test_percent_given_as_fraction_is_refused():
    with pytest.raises(ValueError, match="fractions"):
        saxton_rawls(40.0, 20.0, 2.5)


def test_outside_the_data_behind_the_equations_is_flagged():
    water = saxton_rawls([0.2, 0.1, 0.2], [0.5, 0.7, 0.2], [2.5, 2.5, 12.0])
    assert water.calibrated.tolist() == [True, False, False]
    assert np.isnan(saxton_rawls(np.nan, 0.2, 2.5).field_capacity)
