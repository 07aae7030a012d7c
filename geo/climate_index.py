"""How dry a climate is: the UNEP aridity index and its classes."""

from __future__ import annotations

from typing import Any

import numpy as np

Array = Any

ARIDITY_CLASSES = ("hyper-arid", "arid", "semi-arid", "dry sub-humid", "humid")
ARIDITY_LIMITS = (0.05, 0.20, 0.50, 0.65)
"""Lower limits of the second to the last class (UNEP 1992, *World Atlas of Desertification*)."""


def aridity_index(annual_precip_mm: Array, annual_et0_mm: Array) -> Array:
    """Return annual precipitation divided by annual reference ET (UNEP 1992).

    The class limits were drawn for Thornthwaite's potential ET. Grass reference ET is mostly larger
    in windy, dry country, so the index here comes out lower and the class drier; say which ET was used.
    NaN where the reference ET is not positive.
    """
    demand = np.where(np.asarray(annual_et0_mm) > 0, annual_et0_mm, np.nan)
    return annual_precip_mm / demand


def aridity_code(index: Array) -> np.ndarray:
    """Return the position in `ARIDITY_CLASSES` of each index (a limit belongs to the wetter class), -1 if NaN."""
    values = np.asarray(index, dtype="float64")
    codes = np.searchsorted(ARIDITY_LIMITS, values, side="right")
    return np.where(np.isnan(values), -1, codes).astype("int8")


def aridity_class(index: float) -> str:
    """Return the class name of one aridity index, "" when it is NaN."""
    code = int(aridity_code(index))
    return "" if code < 0 else ARIDITY_CLASSES[code]
