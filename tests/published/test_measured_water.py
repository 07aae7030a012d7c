"""A profile that was measured in a field, by layers of its own, against a general library of FAO-56."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from geo.profile import LAYER_EDGES_MM
from geo.soils.horizons import overlap_mm
from geo.soils.measured_water import foot_thickness_mm, foot_water
from tests.open_data import open_data

SITE = "soilwater/lirf2022/E12FF2022"


@pytest.fixture(scope="module")
def profile() -> pd.DataFrame:
    """Seven layers to 215 cm of the Limited Irrigation Research Farm, Greeley, Colorado (USDA-ARS, 2022)."""
    rows = [line.split() for line in open_data(f"{SITE}.sol").read_text(encoding="utf-8").splitlines()]
    data = [[float(v) for v in row] for row in rows if row and row[0].isdigit()]
    frame = pd.DataFrame(data, columns=["bottom_mm", "field_capacity", "wilting_point", "start"])
    frame["bottom_mm"] *= 10
    return frame.assign(top_mm=frame["bottom_mm"].shift(fill_value=0.0))


@pytest.fixture(scope="module")
def library() -> pd.Series:
    """The first day of the library's own run on that site's files."""
    pyfao56 = pytest.importorskip("pyfao56", reason="pyfao56 is not installed")
    parameters, weather, soil = pyfao56.Parameters(), pyfao56.Weather(), pyfao56.SoilProfile()
    for part, name in ((parameters, f"{SITE}.par"), (weather, "soilwater/lirf2022/LIRF.wth"), (soil, f"{SITE}.sol")):
        part.loadfile(str(open_data(name)))
    model = pyfao56.Model("2022-130", "2022-131", parameters, weather, sol=soil)
    model.run()
    return model.odata.iloc[0]


def available(profile: pd.DataFrame, column: str, depth_m: float) -> float:
    """Read the layers as a core, take off their wilting point by foot, and add up to a depth."""
    depth = depth_m * 1000
    thickness = foot_thickness_mm(depth)
    edges = [(LAYER_EDGES_MM[k], LAYER_EDGES_MM[k] + thickness[k]) for k in range(4)]
    by_layer = [overlap_mm(profile["top_mm"], profile["bottom_mm"], edge)[:, 0] for edge in edges]
    wilting = [float(part @ profile["wilting_point"]) for part in by_layer]
    none = np.full(len(profile), np.nan)
    water = foot_water(profile["top_mm"], profile["bottom_mm"], profile[column], none, wilting, depth)
    return float(water.available_mm.sum())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("column", "depth_m"),
    [
        pytest.param("TAW", 0.20, id="total available water of the young root zone: pyfao56 (USDA-ARS), LIRF 2022"),
        pytest.param("TAWrmax", 1.05, id="that of the deepest root zone: pyfao56 (USDA-ARS), LIRF 2022"),
    ],
)
def test_water_at_field_capacity_is_the_total_available_water_of_the_library(profile, library, column, depth_m):
    assert available(profile, "field_capacity", depth_m) == pytest.approx(library[column], abs=0.01)


def test_water_at_the_start_is_what_the_library_starts_with(profile, library):
    """Its depletion at the end of the first day, less what went in and out that day (FAO-56, equation 85)."""
    first = library["Drmax"] - library["ETa"] + library["Rain"] + library["Irrig"] - library["Runoff"] - library["DP"]
    assert available(profile, "start", 1.05) == pytest.approx(library["TAWrmax"] - first, abs=0.01)
