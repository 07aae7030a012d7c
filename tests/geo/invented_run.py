"""A run of three units with random numbers of the right shape, for what is worked out from runs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from geo.balance.simulate import WHEN
from geo.ground import ResponseUnits
from geo.options import OPTIONS
from geo.rating import CellClimate, ZoneRules, place_outcomes, site_weights, unit_outcomes
from geo.season import CHECKS

RULES = ZoneRules()
CAPACITY = np.array([200.0, 80.0, 240.0])
SEASONS = 9
PLANTING_DAY = 121


def invented_run(seed: int = 1) -> xr.Dataset:
    """Return a run of three units with random numbers of the right shape; stubble holds the most."""
    rng = np.random.default_rng(seed)
    n, k = len(CAPACITY), len(OPTIONS)
    paw = rng.uniform(0.2, 0.9, (n, k, SEASONS, len(CHECKS), 4)) * CAPACITY[:, None, None, None, None] / 4
    paw[:, 1:] *= 0.8
    shape = (n, k, SEASONS)
    dims = ("unit", "option", "season")
    stored = rng.uniform(10, 100, (*shape, 5))
    data = {
        "paw_mm": ((*dims, "check", "layer"), paw), "stored_mm": ((*dims, "step"), stored),
        "biomass_kg_ha": ((*dims, "when"), rng.uniform(0, 3000, (*shape, 3))),
        "ground_cover": ((*dims, "when"), rng.uniform(0, 1, (*shape, 3))),
        "living_share": (dims, rng.choice([0.0, 0.03, 0.3, 0.6, 1.0], shape)),
        "ladder_paw_mm": (("unit", "rung", "season"),
                          rng.uniform(0.2, 0.8, (n, 3, SEASONS)) * CAPACITY[:, None, None]),
        **{f"{name}_mm": (dims, rng.uniform(0, 200, shape))
           for name in ("precip", "evaporation", "transpiration", "drainage", "runoff", "snow_loss")},
    }  # fmt: skip
    return xr.Dataset(
        {name: (d, v.astype(np.float32)) for name, (d, v) in data.items()},
        coords={"option": list(OPTIONS), "season": 2000 + np.arange(SEASONS), "check": list(CHECKS),
                "layer": [1, 2, 3, 4], "when": list(WHEN), "step": np.arange(5) * 7, "rung": [-28, -14, 0]},
    )  # fmt: skip


def three_units(site_units: list[tuple[int, int, float]]) -> ResponseUnits:
    n_sites = max(s for s, _, _ in site_units) + 2  # the last site has nothing rated
    return ResponseUnits(
        units=pd.DataFrame({"profile_id": ["a", "b", "c"], "cell": [0, 0, 1]}),
        sites=pd.DataFrame(
            {
                "map_unit_id": [str(i) for i in range(n_sites)],
                "cell": np.arange(n_sites) % 2,
                "rated_share": np.where(np.arange(n_sites) < n_sites - 1, 1.0, 0.0),
            }
        ),
        site_units=pd.DataFrame(site_units, columns=["site", "unit", "weight"]),
        site_raster=np.zeros((1, 1), np.int32),
    )


def invented_climate() -> CellClimate:
    rng = np.random.default_rng(8)
    shape = (2, SEASONS)
    return CellClimate(
        freeze_day=rng.integers(260, 300, shape), heat_gdd=rng.uniform(800, 1400, shape),
        spring_precip_mm=rng.permuted(np.arange(SEASONS * 2.0).reshape(shape), axis=1),
        annual_precip_mm=np.array([400.0, 500.0]), annual_et0_mm=np.array([1300.0, 1200.0]),
    )  # fmt: skip


def outcomes_of(found: xr.Dataset, site_units: list[tuple[int, int, float]], rules: ZoneRules = RULES) -> xr.Dataset:
    units = three_units(site_units)
    cell = units.units["cell"].to_numpy()
    by_unit = unit_outcomes(found, CAPACITY, cell, invented_climate(), rules, PLANTING_DAY)
    return place_outcomes(site_weights(units, rules.rated_share_min), by_unit, "site", rules)


EACH = [(0, 0, 1.0), (1, 1, 1.0), (2, 2, 1.0)]
