"""Soil survey of invented Larkspur County: components, horizons and aggregates, as plain tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geo.soils import saxton_rawls

SQUARE_M_PER_ACRE = 4046.8564224
AGGREGATE_DEPTHS_CM = {"aws025wta": 25, "aws050wta": 50, "aws0100wta": 100, "aws0150wta": 150}
FARMLAND = {
    "all": "All areas are prime farmland",
    "irrigated": "Prime farmland if irrigated",
    "other": "Farmland of statewide importance",
    "none": "Not prime farmland",
}

Row = dict[str, Any]


@dataclass(frozen=True)
class Survey:
    """Rows of the tabular export, one list of dicts a table; keys are column names, absent means null."""

    mapunit: list[Row]
    component: list[Row]
    chorizon: list[Row]
    corestrictions: list[Row]
    muaggatt: list[Row]


def _horizon_values(rng: np.random.Generator, sand: float, clay: float, om: float, fragments: float) -> Row:
    """Return the properties of one horizon: texture with seeded scatter, water by Saxton & Rawls (2006)."""
    sand = round(float(np.clip(sand + rng.normal(0, 1.5), 2, 97)), 1)
    clay = round(float(np.clip(clay + rng.normal(0, 1.0), 1.5, min(59.0, 99 - sand))), 1)
    om = round(om * float(np.exp(rng.normal(0, 0.08))), 2)
    water = saxton_rawls(sand / 100, clay / 100, om)
    rock = fragments / 100
    # the survey gives water by volume of the whole soil: fragments hold none
    third, fifteen, full = (
        round(float(w) * float(np.exp(rng.normal(0, 0.015))) * 100 * (1 - rock), 1)
        for w in (water.field_capacity, water.wilting_point, water.saturation)
    )
    density = round(float(water.bulk_density) * float(np.exp(rng.normal(0, 0.012))), 2)
    coarse = 2.65 * rock / (2.65 * rock + density * (1 - rock))
    passing = round(100 * (1 - coarse))
    awc = round((third - fifteen) / 100, 2)
    return {
        "fraggt10_r": 0,
        "frag3to10_r": 0,
        "sieveno4_r": round(100 - 0.6 * (100 - passing)),
        "sieveno10_r": passing,
        "sieveno200_r": round(passing * (100 - sand) / 100),
        "sandtotal_r": sand,
        "silttotal_r": round(100 - sand - clay, 1),
        "claytotal_r": clay,
        "om_r": om,
        "dbthirdbar_r": density,
        "partdensity": 2.65,
        "ksat_r": round(float(water.ksat_mm_h) / 3.6 * float(np.exp(rng.normal(0, 0.15))), 2),
        "awc_l": round(max(awc - 0.02, 0.0), 2),
        "awc_r": awc,
        "awc_h": round(awc + 0.02, 2),
        "wthirdbar_r": third,
        "wfifteenbar_r": fifteen,
        "wsatiated_r": full,
    }


def _horizons(rng: np.random.Generator, series: Mapping[str, Any], eroded: bool) -> tuple[list[Row], dict[int, int]]:
    """Return the horizons of one component, and where each boundary of the series came to lie."""
    edges = sorted({int(h[1]) for h in series["horizons"]} | {int(h[2]) for h in series["horizons"]})
    moved = {0: 0}
    for low, edge in zip(edges, edges[1:], strict=False):
        wanted = edge * float(np.exp(rng.normal(0, 0.06))) - (6 if eroded else 0)
        moved[edge] = edge if edge == edges[-1] else max(round(wanted), moved[low] + 5)
    moved[edges[-1]] = max(edges[-1], moved[edges[-2]] + 5)
    rows = []
    for name, top, bottom, *rest in series["horizons"]:
        row: Row = {"hzname": name, "hzdept_r": moved[top], "hzdepb_r": moved[bottom]}
        if rest:
            row |= _horizon_values(rng, *rest)
            limy = "k" in name or name.startswith("C")
            row |= {
                "caco3_r": 8 if limy else 1,
                "ec_r": series.get("salinity_ds_m", 0.5),
                "ph1to1h2o_r": 8.1 if limy else 7.2,
            }
        rows.append(row)
    return rows, moved


def _restriction(series: Mapping[str, Any], moved: Mapping[int, int]) -> Row | None:
    if "restriction" not in series:
        return None
    kind, hardness, top, bottom = series["restriction"]
    depth = moved[top]
    row = {"reskind": kind, "reshard": hardness}
    row |= {"resdept_l": max(depth - 8, 5), "resdept_r": depth, "resdept_h": depth + 10}
    if bottom > top:
        row["resdepb_r"] = moved[bottom]
    return row


def water_storage_cm(horizons: list[Row], depth_cm: float) -> float | None:
    """Return the available water (cm) of one component from the surface to a depth, or None if no horizon has it."""
    known = [h for h in horizons if h.get("awc_r") is not None]
    if not known:
        return None
    return sum(max(0.0, min(h["hzdepb_r"], depth_cm) - h["hzdept_r"]) * h["awc_r"] for h in known)


def _aggregate(unit: Row, parts: list[tuple[Row, list[Row], Row | None, Mapping[str, Any]]]) -> Row:
    """Return the aggregated attributes of one map unit, as the survey defines them."""
    share = np.array([c["comppct_r"] for c, *_ in parts], float)
    row: Row = {"musym": unit["musym"], "muname": unit["muname"], "mukey": unit["mukey"]}
    for column, depth in AGGREGATE_DEPTHS_CM.items():
        stored = [water_storage_cm(h, depth) for _, h, _, _ in parts]
        has = np.array([s is not None for s in stored])
        if has.any():
            # components without data do not count: the rest is weighted to a whole
            values = np.array([s or 0.0 for s in stored])
            row[column] = round(float((values * share)[has].sum() / share[has].sum()), 2)
    slopes = np.array([c["slope_r"] for c, *_ in parts], float)
    row["slopegraddcp"] = parts[0][0]["slope_r"]
    row["slopegradwta"] = round(float((slopes * share).sum() / share.sum()), 1)
    rock = [r["resdept_r"] for _, _, r, _ in parts if r and "bedrock" in r["reskind"]]
    if rock:
        row["brockdepmin"] = min(rock)
    table = [s["water_table_cm"] for *_, s in parts if "water_table_cm" in s]
    if table:
        row["wtdepannmin"] = row["wtdepaprjunmin"] = min(table)
    flooding = [s.get("flooding", "None") for *_, s in parts]
    row["flodfreqdcd"] = flooding[0]
    row["flodfreqmax"] = max(flooding, key=["None", "Rare", "Occasional", "Frequent"].index)
    row["pondfreqprs"] = str(sum(c["comppct_r"] for c, _, _, s in parts if s.get("ponding_percent")))
    row["hydclprs"] = str(sum(c["comppct_r"] for c, _, _, s in parts if s.get("hydric")))
    for column, source in (("drclassdcd", "drainagecl"), ("hydgrpdcd", "hydgrp")):
        votes: dict[str, float] = {}
        for c, *_ in parts:
            if c.get(source):
                votes[c[source]] = votes.get(c[source], 0) + c["comppct_r"]
        if votes:
            row[column] = max(votes, key=lambda k: votes[k])
    return row


def build_survey(
    rng: np.random.Generator,
    units: Mapping[str, Mapping[str, Any]],
    series: Mapping[str, Mapping[str, Any]],
    area_m2: Mapping[str, float],
    elevation_m: Mapping[str, float],
    legend_key: str,
) -> Survey:
    """Return the rows of every table.

    Parameters
    ----------
    rng : Generator
        Source of the scatter between components.
    units, series : mapping
        The tables of `larkspur_units.toml` and `larkspur_series.toml`.
    area_m2, elevation_m : mapping
        Mapped area and mean elevation of each map unit symbol.
    legend_key : str
        Key of the survey area.
    """
    survey = Survey([], [], [], [], [])
    for number, (symbol, unit) in enumerate(units.items(), start=1):
        names = [p[0] for p in unit["parts"]]
        kind = "Consociation" if names[0] in series else "Miscellaneous area"
        if "complex" in unit["name"] or "-" in unit["name"].split(",")[0]:
            kind = "Complex"
        mapunit: Row = {
            "musym": symbol,
            "muname": unit["name"],
            "mukind": kind,
            "muacres": round(area_m2[symbol] / SQUARE_M_PER_ACRE),
            "farmlndcl": FARMLAND[unit.get("farm", "other")],
            "lkey": legend_key,
            "mukey": str(9_901_000 + number),
        }
        survey.mapunit.append(mapunit)
        parts = []
        for name, percent, slope in unit["parts"]:
            cokey = str(99_010_000 + len(survey.component) + 1)
            kin = series.get(name, {})
            component: Row = {
                "comppct_r": percent,
                "compname": name,
                "compkind": "Series" if kin else "Miscellaneous area",
                "majcompflag": "Yes" if percent >= 15 else "No",
                "slope_l": round(slope * 0.6, 1),
                "slope_r": slope,
                "slope_h": round(slope * 1.5 + 0.5, 1),
                "elev_r": round(elevation_m[symbol], 1),
                "mukey": mapunit["mukey"],
                "cokey": cokey,
            }
            if kin:
                component |= {
                    "hydricrating": "Yes" if kin.get("hydric") else "No",
                    "drainagecl": kin["drainage"],
                    "geomdesc": unit["place"][0],
                    "hydgrp": kin["group"],
                    "taxorder": kin["order"],
                }
            horizons, moved = _horizons(rng, kin, "eroded" in unit["name"]) if kin else ([], {})
            for h in horizons:
                h |= {"cokey": cokey, "chkey": str(990_100_000 + len(survey.chorizon) + 1)}
                survey.chorizon.append(h)
            stop = _restriction(kin, moved)
            if stop:
                stop |= {"cokey": cokey, "corestrictkey": str(9_910_000 + len(survey.corestrictions) + 1)}
                survey.corestrictions.append(stop)
            survey.component.append(component)
            parts.append((component, horizons, stop, kin))
        survey.muaggatt.append(_aggregate(mapunit, parts))
    # exports come in no order of depth, and readers must not count on one
    order = rng.permutation(len(survey.chorizon))
    survey.chorizon[:] = [survey.chorizon[i] for i in order]
    return survey


def as_frame(rows: list[Row], columns: pd.Series) -> pd.DataFrame:
    """Return rows as a table with every column of the export, in its order."""
    unknown = {key for row in rows for key in row} - set(columns)
    if unknown:
        raise ValueError(f"no such columns in the export: {sorted(unknown)}")
    return pd.DataFrame(rows, columns=list(columns), dtype=object)
