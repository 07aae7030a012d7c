"""Units of measured soil water: what a declared unit is worth, and refusal when the values contradict it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pint

from geo.errors import StudyError
from pipelines.read.climate.units import parse_unit

_HEADER_UNIT = re.compile(r"^\s*(?P<name>[^(\[]+?)\s*[(\[](?P<unit>[^)\]]*)[)\]]\s*$")
_SPELLINGS = {"vol%": "percent", "vol %": "percent", "% vol": "percent", "wt%": "percent", "m³/m³": "m3/m3",
              "cm³/cm³": "m3/m3", "g/cm³": "g/cm3", "pct": "percent"}  # fmt: skip
_BY_WEIGHT = re.compile(r"\b(?:k?g|lb|wt)\b|^wt", re.IGNORECASE)
_BY_VOLUME = re.compile(r"\b(?:[cd]?m3|in3|ft3|vol)\b|^vol|m³|[cd]?m\^3", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Range:
    """What a quantity can be.

    Attributes
    ----------
    unit : str
        Our unit.
    limits : tuple of float
        Lowest and highest value, in our unit.
    usual : tuple of str
        Units that it is often given in; offered when values contradict the declared one.
    doubtful_below : float
        A middle value below this says that the declared unit is wrong (a fraction declared as percent).
    """

    unit: str
    limits: tuple[float, float]
    usual: tuple[str, ...]
    doubtful_below: float = -np.inf


# Soil is never all water: mineral soils hold at most about 0.6, peat 0.9. Air-dry ground still holds 0.01 to 0.05.
# Bulk density lies between peat (0.1) and rock (2.65). No farm probe goes below 3 m (common practice, no source).
RANGES: Mapping[str, Range] = {
    "top": Range("mm", (0.0, 3000.0), ("inch", "cm", "mm", "ft")),
    "bottom": Range("mm", (0.0, 3000.0), ("inch", "cm", "mm", "ft")),
    "volumetric": Range("m3/m3", (0.0, 0.9), ("percent", "m3/m3"), 0.01),
    "gravimetric": Range("kg/kg", (0.0, 1.5), ("percent", "kg/kg"), 0.005),
    "bulk_density": Range("g/cm3", (0.1, 2.65), ("g/cm3", "kg/m3", "lb/ft3")),
    "water_depth": Range("mm", (0.0, 1500.0), ("inch", "mm", "cm")),
    "available_depth": Range("mm", (0.0, 600.0), ("inch", "mm", "cm")),
    "wilting_point": Range("m3/m3", (0.0, 0.5), ("percent", "m3/m3"), 0.005),
}


def unit_of_header(header: str) -> tuple[str, str]:
    """Return the name and the unit of a column header such as ``VWC (%)``; "" without a unit."""
    found = _HEADER_UNIT.match(header)
    return (found["name"], found["unit"].strip()) if found else (header.strip(), "")


def factor(unit_text: str, key: str, where: str, values: np.ndarray) -> float:
    """Return what values in a declared unit are multiplied with to be in ours.

    Parameters
    ----------
    unit_text : str
        The declared unit; "" is an error that names the likely one.
    key : str
        Key of `RANGES`.
    where : str
        File and column, for the message.
    values : ndarray
        Values as they are in the file, for the message.

    Raises
    ------
    StudyError
        The unit is missing, unknown, or one of another quantity.
    """
    text = unit_text.strip()
    name = _study_name(key)
    if not text:
        likely = _fitting(values, key) or [RANGES[key].usual[0]]
        known = values[np.isfinite(values)]
        seen = f" (values run from {known.min():g} to {known.max():g})" if known.size else ""
        raise StudyError(
            f"{name} has no unit{seen}.",
            where,
            f'If it is {likely[0]}, write units = {{ {name} = "{likely[0]}" }} under [measurements].',
        )
    by_weight, by_volume = _BY_WEIGHT.search(text), _BY_VOLUME.search(text)
    mixed = (key in ("volumetric", "wilting_point") and by_weight and not by_volume) or (
        key == "gravimetric" and by_volume and not by_weight
    )
    if mixed:
        other = "gravimetric, with bulk_density" if key == "volumetric" else "volumetric"
        raise StudyError(
            f"The declared unit {text!r} is not one of {name} water.", where, f"Name the column as {other}."
        )
    return _factor(text, key, where)


def _factor(text: str, key: str, where: str) -> float:
    name = _study_name(key)
    fix = f"Use a unit such as {', '.join(RANGES[key].usual)}."
    try:
        scale, unit = parse_unit(_SPELLINGS.get(text.lower(), text), where)
    except StudyError as error:
        raise StudyError(error.what, where, fix) from None
    try:
        return float(scale * (1.0 * unit).to(RANGES[key].unit).magnitude)
    except pint.errors.DimensionalityError:
        raise StudyError(f"The declared unit {text!r} cannot be a unit of {name}.", where, fix) from None


def contradiction(values: np.ndarray, key: str, unit_text: str, where: str) -> StudyError:
    """Return the error for a column whose values cannot be in the declared unit, with the unit that would fit."""
    low, high = RANGES[key].limits
    name = _study_name(key)
    fits = [u for u in _fitting(values, key) if u != unit_text]
    return StudyError(
        f"{name} is declared in {unit_text!r} but its values run from {values.min():g} to {values.max():g}; "
        f"{low:g} to {high:g} {RANGES[key].unit} is possible.",
        where,
        f'If the values are {fits[0]}, write units = {{ {name} = "{fits[0]}" }} under [measurements].'
        if fits
        else "Correct the file, or name the right column and unit in the study file.",
    )


def _fitting(values: np.ndarray, key: str) -> list[str]:
    """Return the usual units under which all values are possible."""
    known = values[np.isfinite(values)]
    fits = []
    for unit in RANGES[key].usual:
        ours = known * _factor(unit, key, "")
        low, high = RANGES[key].limits
        if ours.size and ours.min() >= low and ours.max() <= high and np.median(ours) >= RANGES[key].doubtful_below:
            fits.append(unit)
    return fits


def _study_name(key: str) -> str:
    return "depth" if key in ("top", "bottom") else key
