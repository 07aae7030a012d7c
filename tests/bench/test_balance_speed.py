"""How fast the balance runs beside a named library, in one process; nothing is asserted on a clock.

Run with ``-s`` to see the figures: unit-days a second of our four-layer balance with covers (one thread) and of
pyfao56 (single bucket, reference ET given), and their ratio. Different physics: read the order of magnitude.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
import xarray as xr

from geo.balance.parameters import BalanceSettings
from geo.balance.simulate import pack_days, simulate
from geo.season import Calendar, index_seasons
from tests import water
from tests.evaluation.reference import _their_run

UNITS = 16


@pytest.mark.slow
def test_unit_days_a_second_beside_pyfao56(
    champion: xr.Dataset, settings: BalanceSettings, record_property: Callable[[str, object], None]
) -> None:
    pyfao56 = pytest.importorskip("pyfao56")
    soils = water.soils_of(*[water.profile(inches_per_foot=1.0 + 0.08 * k) for k in range(UNITS)])
    seasons, days, cell = index_seasons(champion, Calendar()), pack_days(champion), np.zeros(UNITS, int)
    simulate(champion, seasons, soils[:1], cell[:1], settings, days=days, workers=1)  # compiles
    clock = time.perf_counter()
    run = simulate(champion, seasons, soils, cell, settings, days=days, workers=1)
    ours = run.attrs["unit_days"] / (time.perf_counter() - clock)

    part = champion.isel(cell=0, time=slice(0, 365))
    rain, et0 = part["precip_mm"].values, part["et0_mm"].values
    clock = time.perf_counter()
    theirs_out = _their_run(pyfao56, rain, et0, 0.31, 0.11, 9.5, 0.8, 1200.0, 0.55)
    theirs = len(rain) / (time.perf_counter() - clock)

    assert run.attrs["closure_mm"] < 1e-6
    assert len(theirs_out) == len(rain)
    for name, value in (("ours_unit_days_a_second", ours), ("pyfao56_unit_days_a_second", theirs)):
        record_property(name, round(value))
    record_property("ratio", round(ours / theirs))
    print(f"\nbalance {ours:,.0f} unit-days/s on one thread, pyfao56 {theirs:,.0f}; ratio {ours / theirs:,.0f}")
