"""Small survey tables that tests change one value at a time (invented soils)."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from geo.errors import Problem
from geo.soils.table import AWC_COLUMNS, SoilTable, build_soil_table

SHARED = Path(__file__).resolve().parents[2] / "shared"


def restriction_kinds() -> pd.DataFrame:
    table = pd.read_csv(SHARED / "soil_restrictions.csv").set_index("kind")
    return table[["root_limiting", "impermeable"]] == "yes"


def surface_table() -> pd.DataFrame:
    return pd.read_csv(SHARED / "soil_surface.csv").set_index("texture")


def horizon(cokey: str, top: float, bottom: float, awc: float | None = 0.2, **other: object) -> dict[str, object]:
    row: dict[str, object] = {
        "cokey": cokey,
        "hzname": "A" if top == 0 else "B",
        "hzdept_r": top,
        "hzdepb_r": bottom,
        "awc_r": awc,
        "sandtotal_r": 40.0,
        "claytotal_r": 20.0,
        "om_r": 2.0,
        "ksat_r": 9.0,
        "wthirdbar_r": 28.0,
        "wfifteenbar_r": 14.0,
        "wsatiated_r": 46.0,
    }
    return row | other


def component(mukey: str, cokey: str, percent: float, name: str = "Alda", **other: object) -> dict[str, object]:
    row: dict[str, object] = {
        "mukey": mukey,
        "cokey": cokey,
        "comppct_r": percent,
        "compname": name,
        "compkind": "Series",
        "slope_r": 2.0,
        "drainagecl": "Well drained",
        "hydgrp": "B",
        "taxorder": "Mollisols",
    }
    return row | other


def build(
    components: list[dict[str, object]],
    horizons: list[dict[str, object]],
    restrictions: list[dict[str, object]] | None = None,
    **other: object,
) -> tuple[SoilTable, list[Problem]]:
    units = pd.DataFrame({"mukey": sorted({str(c["mukey"]) for c in components})})
    units = units.assign(musym="1", muname="Test soil")
    kinds = ["cokey", "reskind", "resdept_r"]
    return build_soil_table(
        units,
        pd.DataFrame(components),
        pd.DataFrame(horizons, columns=list(horizon("", 0, 1))) if not horizons else pd.DataFrame(horizons),
        pd.DataFrame(restrictions or [], columns=kinds),
        restriction_kinds=restriction_kinds(),
        surface=surface_table(),
        **other,  # type: ignore[arg-type]
    )


def check_profiles(profiles: pd.DataFrame) -> None:
    """Hold rated profiles to their contract: no missing value, and each within its limits."""
    limits = {
        **dict.fromkeys(AWC_COLUMNS, (0, 304.8)),
        "share": (0, 1),
        "root_limit_mm": (0, 1219.2),
        **dict.fromkeys(("fc_surface", "wp_surface", "sat_surface"), (0, 1)),
    }
    for name, (low, high) in limits.items():
        assert profiles[name].dtype == float
        assert profiles[name].between(low, high).all(), name
    assert profiles["hydrologic_group"].isin(["A", "B", "C", "D"]).all()
    assert (profiles["wp_surface"] < profiles["fc_surface"]).all()
    assert (profiles["fc_surface"] < profiles["sat_surface"]).all()
