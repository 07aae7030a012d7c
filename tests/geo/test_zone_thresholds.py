"""A share of years that is exactly at its threshold passes, although outcomes are stored as float32."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from geo.options import COVERS
from geo.rating import Judged, Limits, ZoneRules, judge


def outcomes(years: int, **counts: int) -> xr.Dataset:
    """Outcomes of one site whose shares are counts of years, as float32 like those of a run."""
    share = {
        name: (("site", "option"), np.full((1, 3), counts.get(name, best) / years, np.float32))
        for name, best in (
            ("cover_ok_years", years),
            ("winterkill_years", years),
            ("survival_years", years),
            ("shortfall_years", 0),
        )
    }
    gap = (("site", "option"), np.zeros((1, 3), np.float32))
    return xr.Dataset({**share, "planting_gap_mm": gap}, coords={"site": [0], "option": list(COVERS)})


def judged(found: xr.Dataset) -> Judged:
    rules = ZoneRules()
    return judge(found, Limits.of(rules, rules, np.array([False])), np.array([True]))


@pytest.mark.parametrize(
    ("name", "test", "at", "beyond", "years"),
    [
        ("shortfall_years", "shortfall", 6, 7, 30),
        ("shortfall_years", "shortfall", 3, 4, 15),
        ("cover_ok_years", "season", 21, 20, 30),
        ("winterkill_years", "winter", 27, 26, 30),
        ("survival_years", "winter", 21, 20, 30),
    ],
    ids=lambda value: str(value),
)
def test_a_share_at_its_threshold_passes_and_one_year_more_fails(name, test, at, beyond, years):
    option = "overwinter_early" if name == "survival_years" else "winter_killed"
    passed = [
        bool(judged(outcomes(years, **{name: count})).verdicts["passed"].sel(cover=option, test=test)[0])
        for count in (at, beyond)
    ]
    assert passed == [True, False]


def test_the_zone_follows():
    assert judged(outcomes(30, shortfall_years=6)).table["zone"].tolist() == ["either"]
    assert judged(outcomes(30, shortfall_years=7)).table["zone"].tolist() == ["stubble_water"]
