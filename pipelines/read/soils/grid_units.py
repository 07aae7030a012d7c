"""Soil properties of grids: what they are called, their units, and values that contradict a unit."""

from __future__ import annotations

import re
from dataclasses import dataclass

import cf_xarray.units
import numpy as np
import pint
from numpy.typing import NDArray

from geo.errors import StudyError

_REGISTRY = cf_xarray.units.units
_SPELLINGS = {
    "vol%": "percent",
    "% vol": "percent",
    "%vol": "percent",
    "vol. %": "percent",
    "volume percent": "percent",
    "weight%": "percent",
    "% weight": "percent",
    "wt%": "percent",
    "pct": "percent",
    "per cent": "percent",
    "fraction": "1",
    "unitless": "1",
    "dimensionless": "1",
    "permille": "g/kg",
    "inches": "inch",
}


@dataclass(frozen=True, slots=True)
class Property:
    """One soil property that a grid may hold.

    Attributes
    ----------
    name : str
    aliases : tuple of str
        Words in band descriptions, variable names or file names, as ``_word_`` between other signs.
    standard_names : tuple of str
        CF standard names.
    high : float
        The largest value that can be, as a fraction (or mm for a depth).
    proof : float
        In a whole window at least one value is above this; otherwise the unit is wrong.
    """

    name: str
    aliases: tuple[str, ...]
    standard_names: tuple[str, ...]
    high: float
    proof: float


PROPERTIES: dict[str, Property] = {
    p.name: p
    for p in (
        Property(
            "awc",
            ("awc", "aws", "whc", "awhc", "paw", "taw", "pawc", "available_water", "available_water_capacity"),
            (),
            1.0,
            0.015,
        ),
        Property(
            "field_capacity",
            ("field_capacity", "fieldcapacity", "fc", "wv0033", "theta_fc", "w33kpa", "wthirdbar"),
            ("volume_fraction_of_condensed_water_in_soil_at_field_capacity",),
            1.0,
            0.02,
        ),
        Property(
            "wilting_point",
            ("wilting_point", "wiltingpoint", "wp", "pwp", "wv1500", "theta_wp", "w1500kpa", "wfifteenbar"),
            ("volume_fraction_of_condensed_water_in_soil_at_wilting_point",),
            1.0,
            0.005,
        ),
        Property("sand", ("sand", "sandtotal"), ("volume_fraction_of_sand_in_soil",), 1.0, 0.02),
        Property("clay", ("clay", "claytotal"), ("volume_fraction_of_clay_in_soil",), 1.0, 0.01),
        Property("organic_matter", ("organic_matter", "om", "som"), (), 1.0, 0.0),
        Property("organic_carbon", ("organic_carbon", "soc", "oc", "orgc"), (), 0.6, 0.0),
        Property(
            "fragments",
            ("cfvo", "coarse_fragments", "rock_fragments", "gravel", "fragments"),
            (),
            1.0,
            0.0,
        ),
        Property(
            "root_limit",
            ("root_limit", "root_depth", "rooting_depth", "soil_depth", "depth_to_bedrock", "bdricm", "resdept"),
            (),
            100_000.0,
            30.0,
        ),
        Property(
            "hydrologic_group",
            ("hydrologic_group", "hydrologic_soil_group", "hydgrp", "hydgrpdcd", "hsg", "hysogs250m"),
            (),
            14.0,
            0.0,
        ),
    )
}
DEPTHS = ("root_limit",)
WITHOUT_DEPTH = (*DEPTHS, "hydrologic_group")
# Codes of gridded hydrologic groups (global 250 m product, from memory); drained ground is taken as undrained.
GROUP_CODES = {1: "A", 2: "B", 3: "C", 4: "D", 11: "D", 12: "D", 13: "D", 14: "D"}


def property_of(label: str, standard_name: str = "") -> str:
    """Return which property a band or variable holds, or ""."""
    for prop in PROPERTIES.values():
        if standard_name in prop.standard_names and standard_name:
            return prop.name
    text = "_" + re.sub(r"[^a-z0-9]+", "_", label.lower()) + "_"
    found = [(len(a), p.name) for p in PROPERTIES.values() for a in p.aliases if f"_{a}_" in text]
    return max(found)[1] if found else ""


def depth_of(label: str) -> tuple[float, float] | None:
    """Return top and bottom in cm from words such as ``0-30cm``, ``30_60_cm`` or ``0 to 12 in``; None without."""
    found = re.search(
        r"(?<![0-9.])(\d+(?:\.\d+)?)\s*(?:-|_|to|–)+\s*(\d+(?:\.\d+)?)[\s_]*(mm|cm|m|in)(?![a-z0-9])",
        label.lower().replace(" to ", "-"),
    )
    if not found:
        return None
    factor = {"mm": 0.1, "cm": 1.0, "m": 100.0, "in": 2.54}[found[3]]
    top, bottom = float(found[1]) * factor, float(found[2]) * factor
    return (top, bottom) if bottom > top else None


def is_length(unit: str) -> bool:
    """Return whether a unit is a depth of water, whose share of the soil depends on the thickness of its layer."""
    try:
        parsed = _REGISTRY.parse_units(_SPELLINGS.get(unit.strip().lower(), unit.strip()))
        return bool(_REGISTRY.Quantity(1.0, parsed).check("[length]"))
    except (pint.errors.PintError, ValueError, TypeError, AttributeError):
        return False


def to_fraction(
    values: NDArray[np.float64], unit: str, name: str, where: str, thickness_mm: float | None
) -> NDArray[np.float64]:
    """Turn a property into a fraction (m3/m3 or kg/kg), or a depth into mm, by its declared unit.

    Parameters
    ----------
    values : ndarray
        As stored, NaN where missing.
    unit : str
        Declared unit, such as ``cm/cm``, ``%``, ``mm/m``, ``g/kg``; a length for water in the interval.
    name : str
        Key of `PROPERTIES`.
    where : str
        File and band, for the message.
    thickness_mm : float or None
        Of the depth interval, for water given as a length.

    Raises
    ------
    StudyError
        When the unit is missing, unknown or of another kind, or the values contradict it.
    """
    known = values[np.isfinite(values)]
    span = f"values {known.min():g} to {known.max():g}" if known.size else "no values in the window"
    if not unit.strip():
        raise StudyError(
            f"The soil grid does not say the unit of {name} ({span}).",
            where,
            f'Add it in the study file, for example variables = {{ {name} = {{ units = "%" }} }}'
            f"{_suggestion(known, PROPERTIES[name], thickness_mm)}.",
        )
    text = _SPELLINGS.get(unit.strip().lower(), unit.strip())
    try:
        quantity = _REGISTRY.Quantity(1.0, _REGISTRY.parse_units(text))
        if name in DEPTHS:
            factor = float(quantity.to("mm").magnitude)
        elif quantity.check("[length]") and name in ("awc", "field_capacity", "wilting_point"):
            if not thickness_mm:
                raise StudyError(f"Water in {unit} needs the depth of its layer.", where, "Give depths_cm.")
            factor = float(quantity.to("mm").magnitude) / thickness_mm
        else:
            factor = float(quantity.to("dimensionless").magnitude)
    except (pint.errors.PintError, ValueError, TypeError, AttributeError) as error:
        raise StudyError(
            f"The unit {unit!r} does not fit {name} ({span}).",
            where,
            "Use a unit of the right kind: cm/cm, %, mm/m or mm for water; %, g/kg for texture; cm for a depth.",
        ) from error
    out = values * factor
    prop = PROPERTIES[name]
    if known.size and (known.min() < 0 or known.max() * factor > prop.high * 1.005):
        raise StudyError(
            f"{name} has {span}, which cannot be in {unit}.",
            where,
            f"Correct the unit or the no-data value{_suggestion(known * 1.0, prop, thickness_mm)}.",
        )
    if known.size and prop.proof and known.max() * factor < prop.proof:
        raise StudyError(
            f"{name} has {span}, which is too little for {unit} everywhere.",
            where,
            f"Correct the unit{_suggestion(known * 1.0, prop, thickness_mm)}.",
        )
    return out


def _suggestion(known: NDArray[np.float64], prop: Property, thickness_mm: float | None) -> str:
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
