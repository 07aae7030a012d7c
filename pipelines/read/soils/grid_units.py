"""Soil properties of grids: what they are called, their units, and values that contradict a unit."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.errors import StudyError
from pipelines.study.unit_registry import fits, line, span_text


@dataclass(frozen=True, slots=True)
class Property:
    """One soil property that a grid may hold.

    `high` is the largest value that can be, as a fraction (or mm for a depth); in a whole window at least one value
    is above `proof`, otherwise the unit is wrong. `aliases` are words in band descriptions, variable names or file
    names, set off by other signs; `standard_name` is that of CF.
    """

    name: str
    high: float
    proof: float
    aliases: str
    standard_name: str = ""


_AT = "volume_fraction_of_condensed_water_in_soil_at_"
PROPERTIES: dict[str, Property] = {
    p.name: p
    for p in (
        Property("awc", 1.0, 0.015, "awc aws whc awhc paw taw pawc available_water available_water_capacity"),
        Property("field_capacity", 1.0, 0.02, "field_capacity fieldcapacity fc wv0033 theta_fc w33kpa wthirdbar",
                 _AT + "field_capacity"),
        Property("wilting_point", 1.0, 0.005,
                 "wilting_point wiltingpoint wp pwp wv1500 theta_wp w1500kpa wfifteenbar", _AT + "wilting_point"),
        Property("sand", 1.0, 0.02, "sand sandtotal", "volume_fraction_of_sand_in_soil"),
        Property("clay", 1.0, 0.01, "clay claytotal", "volume_fraction_of_clay_in_soil"),
        Property("organic_matter", 1.0, 0.0, "organic_matter om som"),
        Property("organic_carbon", 0.6, 0.0, "organic_carbon soc oc orgc"),
        Property("fragments", 1.0, 0.0, "cfvo coarse_fragments rock_fragments gravel fragments"),
        Property("root_limit", 100_000.0, 30.0,
                 "root_limit root_depth rooting_depth soil_depth depth_to_bedrock bdricm resdept"),
        Property("hydrologic_group", 14.0, 0.0,
                 "hydrologic_group hydrologic_soil_group hydgrp hydgrpdcd hsg hysogs250m"),
    )
}  # fmt: skip
DEPTHS = ("root_limit",)
WATER = ("awc", "field_capacity", "wilting_point")
WITHOUT_DEPTH = (*DEPTHS, "hydrologic_group")
# Codes of gridded hydrologic groups (global 250 m product, from memory); drained ground is taken as undrained.
GROUP_CODES = {1: "A", 2: "B", 3: "C", 4: "D", 11: "D", 12: "D", 13: "D", 14: "D"}


def property_of(label: str, standard_name: str = "") -> str:
    """Return which property a band or variable holds, or ""."""
    for prop in PROPERTIES.values():
        if standard_name and standard_name == prop.standard_name:
            return prop.name
    text = "_" + re.sub(r"[^a-z0-9]+", "_", label.lower()) + "_"
    found = [(len(a), p.name) for p in PROPERTIES.values() for a in p.aliases.split() if f"_{a}_" in text]
    return max(found)[1] if found else ""


def depth_of(label: str) -> tuple[float, float] | None:
    """Return top and bottom in cm from words such as ``0-30cm``, ``30_60_cm`` or ``0 to 12 in``; None without."""
    found = re.search(
        r"(?<![0-9.])(\d+(?:\.\d+)?)\s*(?:-|_|to|–)+\s*(\d+(?:\.\d+)?)[\s_]*(mm|cm|m|in)(?![a-z0-9])",
        label.lower().replace(" to ", "-"),
    )
    if not found:
        return None
    factor = line(found[3], "cm")[0]
    top, bottom = float(found[1]) * factor, float(found[2]) * factor
    return (top, bottom) if bottom > top else None


def is_length(unit: str) -> bool:
    """Return whether a unit is a depth of water, whose share of the soil depends on the thickness of its layer."""
    return fits(unit, "mm")


def to_fraction(
    values: NDArray[np.float64], unit: str, name: str, where: str, thickness_mm: float | None
) -> NDArray[np.float64]:
    """Turn a property (key of `PROPERTIES`) into a fraction (m3/m3 or kg/kg), or a depth into mm, by its unit.

    Water may be a length too; it is then a share of the thickness of its depth interval.
    """
    known = values[np.isfinite(values)]
    span, prop = span_text(values), PROPERTIES[name]
    suggestion = _suggestion(known, prop)
    if not unit.strip():
        raise StudyError(
            f"The soil grid does not say the unit of {name} ({span}).",
            where,
            f'Add it in the study file, for example variables = {{ {name} = {{ units = "%" }} }}{suggestion}.',
        )
    of_interval = name in WATER and is_length(unit)
    target = "mm" if name in DEPTHS or of_interval else "dimensionless"
    if not fits(unit, target):
        raise StudyError(
            f"The unit {unit!r} does not fit {name} ({span}).",
            where,
            "Use a unit of the right kind: cm/cm, %, mm/m or mm for water; %, g/kg for texture; cm for a depth.",
        )
    if of_interval and not thickness_mm:
        raise StudyError(f"Water in {unit} needs the depth of its layer.", where, "Give depths_cm.")
    factor = line(unit, target)[0] / (thickness_mm if of_interval and thickness_mm else 1.0)
    if known.size and (known.min() < 0 or known.max() * factor > prop.high * 1.005):
        raise StudyError(
            f"{name} has {span}, which cannot be in {unit}.",
            where,
            f"Correct the unit or the no-data value{suggestion}.",
        )
    if known.size and prop.proof and known.max() * factor < prop.proof:
        raise StudyError(
            f"{name} has {span}, which is too little for {unit} everywhere.",
            where,
            f"Correct the unit{suggestion}.",
        )
    return values * factor


def _suggestion(known: NDArray[np.float64], prop: Property) -> str:
    """Return units that the values would fit; a hint for the user, never used by itself."""
    good = known[known >= 0]
    if not good.size or prop.name in DEPTHS:
        return ""
    top = float(good.max())
    fitting = [
        u
        for u, factor in (("cm/cm", 1.0), ("%", 0.01), ("mm/m or g/kg", 0.001))
        if prop.proof < top * factor <= prop.high * (0.7 if prop.name == "awc" else 1.0)
    ]
    return f" (the values would fit {' or '.join(fitting)})" if fitting else ""
