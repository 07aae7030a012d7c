"""The balance is run in parts of units; what comes out does not depend on them, and holds its result once."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from geo.ground import ResponseUnits
from pipelines.run import seasons
from pipelines.run.ground import Ground
from tests.tiny_run import tiny_context, tiny_seasons


@pytest.fixture(scope="module")
def ground() -> Ground:
    return tiny_seasons()[0]


def test_parts_give_what_one_part_gives(ground, monkeypatch):
    context = tiny_context()
    settings, soils = context.tables.settings(), ground.soil_records
    whole = seasons._balance(context, ground, settings, soils, lambda _: None)
    counts: list[int] = []
    monkeypatch.setattr(seasons, "UNITS_AT_ONCE", 4)
    parts = seasons._balance(context, ground, settings, soils, counts.append)
    xr.testing.assert_identical(parts, whole)
    assert parts.attrs["unit_days"] == whole.attrs["unit_days"] > 0
    assert len(counts) == counts[0] == -(-len(soils) // 4)


def test_the_parts_are_not_held_beside_the_whole(ground, monkeypatch):
    """Joined at the end, 8,500 units took 0.6 GB at the peak; their values are half of that."""

    def part(weather, index, soils, cell, *rest):
        values = np.ones((len(soils), 4, 30, 40), np.float32)
        data = {"stored_mm": (("unit", "option", "season", "step"), values)}
        return xr.Dataset(data, {"unit": np.arange(len(soils))}, {"closure_mm": 0.0, "unit_days": 1})

    monkeypatch.setattr(seasons, "run_balance", part)
    n = 8_500
    units = pd.DataFrame({"cell": np.zeros(n, int)})
    old = ground.units
    many = replace(ground, units=ResponseUnits(units, old.sites, old.site_units, old.site_raster))
    tracemalloc.start()
    try:
        out = seasons._balance(tiny_context(), many, None, np.zeros(n), lambda _: None)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert float(out["stored_mm"].min()) == 1.0
    assert out.attrs["unit_days"] == -(-n // seasons.UNITS_AT_ONCE)
    assert peak < 1.1 * out["stored_mm"].nbytes
