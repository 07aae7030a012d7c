"""Units of measured soil water: what a declared unit is worth, and refusal when the values contradict it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from geo.errors import StudyError
from pipelines.study.unit_registry import contradiction, declared, line, name_unit, no_units, share_of, span

_HERE = "under [measurements]"


@dataclass(frozen=True, slots=True)
class Range:
    """What a quantity can be, and the units that it is often given in.

    A middle value under `doubtful_below` says that the declared unit is wrong (a fraction declared as percent).
    `share` is what a content is a share of: "volume" or "weight".
    """

    unit: str
    limits: tuple[float, float]
    usual: tuple[str, ...]
    doubtful_below: float = -np.inf
    share: str = ""


# Soil is never all water: mineral soils hold at most about 0.6, peat 0.9. Air-dry ground still holds 0.01 to 0.05.
# Bulk density lies between peat (0.1) and rock (2.65). No farm probe goes below 3 m (common practice, no source).
RANGES: Mapping[str, Range] = {
    "top": Range("mm", (0.0, 3000.0), ("inch", "cm", "mm", "ft")),
    "bottom": Range("mm", (0.0, 3000.0), ("inch", "cm", "mm", "ft")),
    "volumetric": Range("m3/m3", (0.0, 0.9), ("percent", "m3/m3"), 0.01, "volume"),
    "gravimetric": Range("kg/kg", (0.0, 1.5), ("percent", "kg/kg"), 0.005, "weight"),
    "bulk_density": Range("g/cm3", (0.1, 2.65), ("g/cm3", "kg/m3", "lb/ft3")),
    "water_depth": Range("mm", (0.0, 1500.0), ("inch", "mm", "cm")),
    "available_depth": Range("mm", (0.0, 600.0), ("inch", "mm", "cm")),
    "wilting_point": Range("m3/m3", (0.0, 0.5), ("percent", "m3/m3"), 0.005, "volume"),
}


def factor(unit_text: str, key: str, where: str, values: np.ndarray) -> float:
    """Return what values in a declared unit are multiplied with to be in ours; the values serve the message."""
    text, name, kind = unit_text.strip(), _study_name(key), RANGES[key]
    if not text:
        raise no_units(name, values, [*_fitting(values, key), *kind.usual][0], where, _HERE)
    if kind.share and share_of(text) not in ("", kind.share):
        other = "gravimetric, with bulk_density" if key == "volumetric" else "volumetric"
        raise StudyError(
            f"The declared unit {text!r} is not one of {name} water.", where, f"Name the column as {other}."
        )
    return declared(text, name, where, f"Use a unit such as {', '.join(kind.usual)}.", kind.unit)[1]


def wrong_unit(values: np.ndarray, key: str, unit_text: str, where: str) -> StudyError:
    """Return the error for a column whose values cannot be in the declared unit, with the unit that would fit."""
    low, high = RANGES[key].limits
    name = _study_name(key)
    fix = name_unit(name, [u for u in _fitting(values, key) if u != unit_text], _HERE)
    return contradiction(name, unit_text, values, f"{low:g} to {high:g} {RANGES[key].unit}", where, fix)


def _fitting(values: np.ndarray, key: str) -> list[str]:
    """Return the usual units under which all values are possible."""
    kind, known = RANGES[key], values[np.isfinite(values)]
    fitting = []
    for unit in kind.usual if known.size else ():
        ours = known * line(unit, kind.unit)[0]
        low, high = span(ours)
        if low >= kind.limits[0] and high <= kind.limits[1] and np.median(ours) >= kind.doubtful_below:
            fitting.append(unit)
    return fitting


def _study_name(key: str) -> str:
    return "depth" if key in ("top", "bottom") else key
