"""Hydrologic soil groups against the National Engineering Handbook, part 630, chapter 7, table 7-1."""

from __future__ import annotations

import numpy as np
import pytest

from geo.soils.groups import hydrologic_group, undrained_group
from geo.soils.pedotransfer import saxton_rawls

NONE = np.nan
CASES = [
    # ksat um/s, restriction cm, water table cm, group, group written as dual
    (9.0, NONE, NONE, "B", "B", "deep, 9 um/s"),
    (9.0, 80.0, NONE, "C", "C", "the same soil with rock at 80 cm"),
    (9.0, 40.0, NONE, "D", "D", "rock at 40 cm"),
    (0.3, NONE, NONE, "D", "D", "deep, 0.3 um/s"),
    (12.0, NONE, NONE, "A", "A", "deep, 12 um/s"),
    (10.0, NONE, NONE, "B", "B", "deep, exactly 10 um/s is not above 10"),
    (4.0, NONE, NONE, "C", "C", "deep, exactly 4 um/s"),
    (41.0, 80.0, NONE, "A", "A", "rock at 80 cm, above 40 um/s"),
    (1.0, 80.0, NONE, "D", "D", "rock at 80 cm, 1 um/s"),
    (9.0, NONE, 80.0, "C", "C", "water table at 80 cm"),
    (9.0, NONE, 30.0, "D", "B/D", "water table at 30 cm, B when drained"),
    (0.3, NONE, 30.0, "D", "D", "water table at 30 cm, D even when drained"),
    (9.0, 40.0, 30.0, "D", "D", "shallow rock comes before the water table"),
]


@pytest.mark.parametrize(
    ("ksat", "rock", "wet", "group", "dual"),
    [c[:5] for c in CASES],
    ids=[f"NEH 630 ch. 7 table 7-1: {c[5]}" for c in CASES],
)
def test_table_7_1(ksat, rock, wet, group, dual):
    assert hydrologic_group(ksat, ksat, ksat, rock, wet).item() == group
    assert hydrologic_group(ksat, ksat, ksat, rock, wet, dual=True).item() == dual


def test_the_layer_that_decides_depends_on_depth():
    # Tight layer between 60 and 100 cm: it counts in a deep soil, not above rock at 80 cm.
    assert hydrologic_group(20.0, 20.0, 2.0, NONE, NONE).item() == "C"
    assert hydrologic_group(20.0, 20.0, 2.0, 80.0, NONE).item() == "B"
    assert hydrologic_group(NONE, NONE, NONE, NONE, NONE).item() == ""


@pytest.mark.parametrize(
    ("written", "group"),
    [("A", "A"), ("b ", "B"), ("C/D", "D"), ("A/D", "D"), ("", ""), ("None", ""), ("/", "")],
    ids=lambda v: f"NEH 630 ch. 7, dual groups undrained: {v}",
)
def test_dual_groups_count_as_undrained(written, group):
    assert undrained_group(written) == group


def test_sand_drains_and_clay_does_not():
    # Saxton & Rawls 2006 table 3 through table 7-1 (deep soil): sand, 108 mm/h, is A; clay, 1.1 mm/h, is D.
    sand, clay = (saxton_rawls(s, c, 2.5).ksat_mm_h / 3.6 for s, c in ((0.88, 0.05), (0.25, 0.50)))
    assert hydrologic_group(sand, sand, sand, NONE, NONE).item() == "A"
    assert hydrologic_group(clay, clay, clay, NONE, NONE).item() == "D"
