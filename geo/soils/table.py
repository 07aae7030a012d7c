"""Soils: from survey tables to profiles of four one-foot layers."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr

from geo.errors import Problem
from geo.profile import N_LAYERS, PROFILE_MM, SURFACE_MM
from geo.soils import groups
from geo.soils.horizons import (
    ORGANIC_SOIL_CM,
    broken_profiles,
    fill_capacity,
    layer_capacity,
    layer_wilting,
    mark_materials,
    order_horizons,
    organic_soils,
    overlap_mm,
)
from geo.soils.surface import add_groups, add_surface
from geo.soils.survey_tables import check_survey_tables

AWC_COLUMNS = tuple(f"awc_{i + 1}_mm" for i in range(N_LAYERS))
WILTING_COLUMNS = tuple(f"wp_{i + 1}_mm" for i in range(N_LAYERS))
"""Water held at wilting point in the same layers; only measured water is compared with it. NaN where unknown."""
PROFILE_COLUMNS = (
    "map_unit_id",
    "component",
    "share",
    *AWC_COLUMNS,
    "fc_surface",
    "wp_surface",
    "sat_surface",
    "root_limit_mm",
    "hydrologic_group",
    "drainage_class",
    "surface_texture",
    "slope_percent",
    "rated",
    "reason",
)
MAP_UNIT_COLUMNS = ("symbol", "name", "rated_share", "reason")

# Names of map unit parts that are not soil, and what to call them.
_NOT_SOIL = (
    (r"^water\b|^miscellaneous water", "water"),
    (r"^pits?\b|^quarr|^gravel pit|^borrow", "pit or quarry"),
    (r"^urban land|built-?up", "built-up land"),
    (r"^rock outcrop|^rubble land|^lava flows?|^badland", "rock or bare land"),
    (r"^notcom|^area not surveyed|^no digital|^access denied", "not surveyed"),
    (r"^dumps?\b|^dams?\b|^levee", "made land"),
)


@dataclass(frozen=True, slots=True)
class SoilTable:
    """Soil profiles, the map units they belong to, and the map of these units.

    Attributes
    ----------
    profiles : DataFrame
        Index ``profile_id``, columns `PROFILE_COLUMNS`, and `WILTING_COLUMNS` where the source knows them. ``share``
        is the part of the map unit (0-1) as the survey gives it, rated or not; ``weight`` is the share renormalised
        over the rated profiles (they sum to 1).
    map_units : DataFrame
        Index ``map_unit_id``, columns `MAP_UNIT_COLUMNS`. ``rated_share`` is the part of the area that the rated
        profiles cover; ``reason`` says why it is 0.
    polygons : GeoDataFrame or None
        ``map_unit_id`` and ``geometry``, with a CRS.
    code_raster : DataArray or None
        Integer codes on ``(y, x)`` with a CRS; -1 where there is no soil map.
    codes : dict or None
        Code to ``map_unit_id``.

    Raises
    ------
    ValueError
        When a column is missing, or both kinds of geometry are given.
    """

    profiles: pd.DataFrame
    map_units: pd.DataFrame
    polygons: gpd.GeoDataFrame | None = None
    code_raster: xr.DataArray | None = None
    codes: dict[int, str] | None = None

    def __post_init__(self) -> None:
        for name, frame, columns in (
            ("profiles", self.profiles, PROFILE_COLUMNS),
            ("map_units", self.map_units, MAP_UNIT_COLUMNS),
        ):
            missing = [c for c in columns if c not in frame.columns]
            if missing:
                raise ValueError(f"{name} lacks {', '.join(missing)}")
            if not frame.index.is_unique:
                raise ValueError(f"{name} has repeated ids")
        if self.polygons is not None and self.code_raster is not None:
            raise ValueError("give polygons or a code raster, not both")
        if (self.code_raster is None) != (self.codes is None):
            raise ValueError("a code raster needs its codes, and the codes their raster")


def build_soil_table(
    map_units: pd.DataFrame,
    components: pd.DataFrame,
    horizons: pd.DataFrame,
    restrictions: pd.DataFrame | None = None,
    *,
    restriction_kinds: pd.DataFrame,
    surface: pd.DataFrame,
    water_table_cm: Mapping[str, float] | None = None,
    polygons: gpd.GeoDataFrame | None = None,
    code_raster: xr.DataArray | None = None,
    codes: dict[int, str] | None = None,
) -> tuple[SoilTable, list[Problem]]:
    """Turn soil survey tables into profiles of four one-foot layers.

    Parameters
    ----------
    map_units, components, horizons, restrictions : DataFrame
        Survey tables with the survey's column names (``mukey``, ``cokey``, ``awc_r``, ...), any order of rows.
    restriction_kinds : DataFrame
        Index ``kind`` (lower case); bool columns ``root_limiting`` and ``impermeable``.
    surface : DataFrame
        Index ``texture``; columns ``fc_low``, ``fc_high``, ``wp_low``, ``wp_high``, ``sat`` (m3/m3).
    water_table_cm : mapping, optional
        Component key to the highest water table of the year, cm.
    polygons, code_raster, codes
        The map of the map units, passed through to the `SoilTable`. Map units that only the map knows are added
        as not rated.

    Returns
    -------
    soils : SoilTable
    problems : list of Problem

    Raises
    ------
    StudyError
        When a table lacks a column that cannot be done without.
    """
    tables, problems = check_survey_tables(map_units, components, horizons, restrictions)
    map_units, components = tables.map_units, tables.components
    labels = components["compname"] + " in map unit " + components["mukey"]
    label = pd.Series(labels.to_numpy(), index=components["cokey"].to_numpy(), dtype=object)

    marked = mark_materials(tables.horizons)
    horizons, listed = order_horizons(marked, label)
    problems += listed
    limiting, impermeable = restriction_depths_mm(tables.restrictions, restriction_kinds, horizons)
    limit = limiting.reindex(components["cokey"]).fillna(PROFILE_MM).clip(upper=PROFILE_MM)
    horizons = fill_capacity(horizons, limit)

    reasons = _unrated_reasons(components, horizons, limit)
    reason = components["cokey"].map(reasons).astype(object).fillna("")
    problems += _capacity_problems(horizons, limit, label, set(components["cokey"][reason == ""]))

    layers = layer_capacity(horizons, limit).reindex(components["cokey"]).to_numpy()
    wilting = layer_wilting(horizons, limit).reindex(components["cokey"]).to_numpy()
    depth = horizons[~horizons["rock"]].groupby("cokey")["hzdepb_r"].max() * 10.0
    keys = components["cokey"]
    profiles = pd.DataFrame(
        {
            "map_unit_id": components["mukey"].to_numpy(),
            "component": components["compname"].to_numpy(),
            "share": _shares(components),
            **{name: layers[:, i] for i, name in enumerate(AWC_COLUMNS)},
            **{name: wilting[:, i] for i, name in enumerate(WILTING_COLUMNS)},
            "root_limit_mm": np.fmin(limit.to_numpy(float), keys.map(depth).to_numpy(float)),
            "drainage_class": components["drainagecl"].to_numpy(),
            "slope_percent": components["slope_r"].to_numpy(float),
            "reason": reason.to_numpy(),
        },
        index=pd.Index(keys.to_numpy()),
    )
    empty = (profiles["reason"] == "") & ~(profiles[list(AWC_COLUMNS)].sum(axis=1) > 0)
    profiles.loc[empty, "reason"] = "no soil that holds water above rock or a restriction"
    profiles["rated"] = profiles["reason"] == ""
    problems += _stops_short(profiles, limiting, label)

    profiles, listed = add_surface(profiles, horizons, surface, label)
    problems += listed
    profiles, listed = add_groups(profiles, components, horizons, impermeable, water_table_cm or {}, label)
    problems += listed
    for row in profiles[~profiles["rated"]].itertuples():
        what = f"not rated: {row.reason} ({row.share:.0%} of the map unit)"
        problems.append(Problem("soils", str(label[row.Index]), what, "left out", _fix(str(row.reason))))
    unrated = ~profiles["rated"]
    profiles.loc[unrated, ["fc_surface", "wp_surface", "sat_surface", "root_limit_mm"]] = np.nan
    profiles = _name_and_weigh(profiles)
    known = _mapped_ids(polygons, codes)
    units, listed = _summarise_map_units(map_units, profiles, components, known)
    problems += listed
    profiles = profiles[[*PROFILE_COLUMNS, "weight", *WILTING_COLUMNS]]
    return SoilTable(profiles, units, polygons, code_raster, codes), problems


def restriction_depths_mm(
    restrictions: pd.DataFrame, kinds: pd.DataFrame, horizons: pd.DataFrame
) -> tuple[pd.Series, pd.Series]:
    """Return the shallowest root-limiting and the shallowest impermeable depth of each component, mm.

    Both come from the restriction table by kind, and from rock horizons; a horizon with a conductivity below
    0.01 um/s is impermeable (table 7-1 of the National Engineering Handbook, part 630, chapter 7).
    """
    kind = restrictions["reskind"].str.lower()
    rock = horizons[horizons["rock"]]
    tight = horizons[horizons["rock"] | (horizons["ksat_r"] < groups.IMPERMEABLE_KSAT_UM_S)]
    out = []
    for column, layers in (("root_limiting", rock), ("impermeable", tight)):
        chosen = restrictions[kind.map(kinds[column]).fillna(False).astype(bool)]
        depths = pd.concat([chosen.set_index("cokey")["resdept_r"], layers.set_index("cokey")["hzdept_r"]]).dropna()
        out.append(depths.groupby(level=0).min() * 10.0)
    return out[0], out[1]


def _unrated_reasons(components: pd.DataFrame, horizons: pd.DataFrame, limit: pd.Series) -> dict[str, str]:
    """Return why components cannot be rated; the first reason that applies is kept."""
    reasons: dict[str, str] = {}
    with_horizons = set(horizons["cokey"])
    organic = organic_soils(horizons)
    unknown = horizons[horizons["awc"].isna()].groupby("cokey")["hzname"].first()
    broken = broken_profiles(horizons, limit)
    for row in components.itertuples():
        kind = str(row.compkind).lower()
        name = not_soil(str(row.compname))
        if kind == "miscellaneous area" or (name and row.cokey not in with_horizons):
            reasons[row.cokey] = name or f"not soil ({row.compname})"
        elif row.cokey not in with_horizons:
            reasons[row.cokey] = "no horizon data"
        elif str(row.taxorder).lower() == "histosols" or organic.get(row.cokey, 0.0) >= ORGANIC_SOIL_CM:
            reasons[row.cokey] = "organic soil"
        elif row.cokey in broken.index:
            reasons[row.cokey] = str(broken[row.cokey])
        elif row.cokey in unknown.index:
            reasons[row.cokey] = f"no available water capacity for horizon {unknown[row.cokey] or '(unnamed)'}"
    return reasons


def not_soil(name: str) -> str:
    """Return what a map unit part without soil is, in plain words, or ""."""
    return next((word for pattern, word in _NOT_SOIL if re.search(pattern, name.strip().lower())), "")


def _fix(reason: str) -> str:
    if reason.startswith(("no horizon", "horizons overlap", "no available")):
        return "Complete the horizon table, or use another soil layer for this place."
    return ""


def _capacity_problems(horizons: pd.DataFrame, limit: pd.Series, label: pd.Series, rated: set[str]) -> list[Problem]:
    frame = horizons[horizons["cokey"].isin(rated)]
    frame = frame[frame["hzdept_r"] * 10.0 < frame["cokey"].map(limit)]
    words = {
        "water contents": "available water capacity taken from the water contents at 1/3 and 15 bar",
        "texture": "available water capacity estimated from texture (Saxton & Rawls 2006)",
        "organic": "organic layer: its water is not counted",
    }
    problems = []
    for (cokey, source), group in frame[frame["awc_from"].isin(words)].groupby(["cokey", "awc_from"]):
        names = ", ".join(group["hzname"].where(group["hzname"] != "", "(unnamed)"))
        action = "left out" if source == "organic" else "repaired"
        problems.append(Problem("soils", str(label[cokey]), f"horizon {names}: {words[str(source)]}", action))  # type: ignore[arg-type]
    return problems


def _stops_short(profiles: pd.DataFrame, limiting: pd.Series, label: pd.Series) -> list[Problem]:
    cut = profiles.index.to_series().map(limiting)
    short = profiles["rated"] & (profiles["root_limit_mm"] < PROFILE_MM - 1.0)
    short &= ~(cut <= profiles["root_limit_mm"] + 20.0)
    return [
        Problem(
            "soils",
            str(label[key]),
            f"horizons end at {profiles.at[key, 'root_limit_mm'] / 10:.0f} cm without a restriction; "
            "nothing is counted below",
        )
        for key in profiles.index[short]
    ]


def _shares(components: pd.DataFrame) -> np.ndarray:
    """Return component shares of the map unit, 0-1; percentages that sum to more than 100 are scaled."""
    total = components.groupby("mukey")["comppct_r"].transform("sum")
    return (components["comppct_r"] / total.clip(lower=100.0)).to_numpy(float)


def _name_and_weigh(profiles: pd.DataFrame) -> pd.DataFrame:
    """Give lasting ids (survey keys change each year) and weights that sum to 1 over the rated profiles."""
    frame = profiles.sort_values(
        ["map_unit_id", "share", "component", *AWC_COLUMNS],
        ascending=[True, False, True, *[True] * N_LAYERS],
        kind="stable",
    )
    rank = frame.groupby("map_unit_id").cumcount() + 1
    share = frame["share"].where(frame["rated"], 0.0)
    total = share.groupby(frame["map_unit_id"]).transform("sum")
    frame = frame.assign(weight=(share / total.where(total > 0)).fillna(0.0))
    frame.index = pd.Index(frame["map_unit_id"] + "-" + rank.astype(str), name="profile_id")
    return frame


def _mapped_ids(polygons: gpd.GeoDataFrame | None, codes: dict[int, str] | None) -> list[str]:
    ids = list(polygons["map_unit_id"]) if polygons is not None else list((codes or {}).values())
    return sorted(set(ids))


def _summarise_map_units(
    map_units: pd.DataFrame, profiles: pd.DataFrame, components: pd.DataFrame, mapped: list[str]
) -> tuple[pd.DataFrame, list[Problem]]:
    problems: list[Problem] = []
    by_unit = profiles.groupby("map_unit_id")
    rated = profiles["share"].where(profiles["rated"], 0.0).groupby(profiles["map_unit_id"]).sum()
    total = components.groupby("mukey")["comppct_r"].sum() / 100.0
    units = map_units.set_index("mukey").rename_axis("map_unit_id")
    units = units.reindex(sorted({*units.index, *mapped}))
    absent = units["muname"].isna()
    for key in units.index[absent]:
        problems.append(
            Problem(
                "soils",
                f"map unit {key}",
                "on the map but not in the tables; not rated",
                "left out",
                "Take the map and the tables from the same export (keys change between yearly versions).",
            )
        )
    for key in sorted(set(mapped) & set(units.index[~absent]) - set(profiles["map_unit_id"])):
        what, fix = "has no components in the tables; not rated", "Download the export again if it should have some."
        problems.append(Problem("soils", f"map unit {key}", what, "left out", fix))
    for key in total.index[(total > 1.005)]:
        what = f"component percentages sum to {total[key]:.0%}; the rated share is scaled"
        problems.append(Problem("soils", f"map unit {key}", what))
    share = rated.reindex(units.index).fillna(0.0)
    why = by_unit["reason"].agg(lambda r: "; ".join(sorted(set(r) - {""}))).reindex(units.index).fillna("")
    why = why.where(why != "", "no components in the tables").where(share <= 0, "")
    why = why.where(~absent, "not in the soil tables")
    return (
        pd.DataFrame(
            {
                "symbol": units["musym"].fillna(""),
                "name": units["muname"].fillna(""),
                "rated_share": share,
                "reason": why,
            }
        ),
        problems,
    )


__all__ = [
    "AWC_COLUMNS",
    "MAP_UNIT_COLUMNS",
    "PROFILE_COLUMNS",
    "SURFACE_MM",
    "WILTING_COLUMNS",
    "SoilTable",
    "build_soil_table",
    "not_soil",
    "overlap_mm",
    "restriction_depths_mm",
]
