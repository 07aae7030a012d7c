"""Hydrologic soil groups, for soils whose survey group is missing."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

GROUPS = ("A", "B", "C", "D")
IMPERMEABLE_KSAT_UM_S = 0.01
_SHALLOW_LIMITS = (40.0, 10.0, 1.0)  # um/s, restriction or water table within 100 cm
_DEEP_LIMITS = (10.0, 4.0, 0.4)  # um/s, both deeper than 100 cm


def undrained_group(group: str) -> str:
    """Return A, B, C or D; a dual group such as ``"C/D"`` counts as undrained (D), anything else is ""."""
    text = group.strip().upper()
    if text in GROUPS:
        return text
    return "D" if "/" in text and text.endswith("D") and text[0] in GROUPS else ""


def least_ksat(horizons: pd.DataFrame, depth_cm: float) -> pd.Series:
    """Return the lowest saturated conductivity of each component above a depth.

    Parameters
    ----------
    horizons : DataFrame
        Columns ``cokey``, ``hzdept_r`` (cm), ``ksat_r`` (um/s).
    depth_cm : float
        Horizons that start at or below this depth do not count.

    Returns
    -------
    Series
        um/s, index ``cokey``; components without a value are absent.
    """
    inside = horizons[(horizons["hzdept_r"] < depth_cm) & horizons["ksat_r"].notna()]
    return inside.groupby("cokey")["ksat_r"].min()


def _by_ksat(ksat: NDArray[np.float64], limits: tuple[float, float, float]) -> NDArray[np.str_]:
    a, b, c = limits
    with np.errstate(invalid="ignore"):
        return np.select([np.isnan(ksat), ksat > a, ksat > b, ksat > c], ["", "A", "B", "C"], default="D")


def hydrologic_group(
    ksat_0_50: ArrayLike,
    ksat_0_60: ArrayLike,
    ksat_0_100: ArrayLike,
    restriction_cm: ArrayLike,
    water_table_cm: ArrayLike,
    *,
    dual: bool = False,
) -> NDArray[np.object_]:
    """Assign the hydrologic soil group from depth, water table and the tightest layer.

    Parameters
    ----------
    ksat_0_50, ksat_0_60, ksat_0_100 : array_like
        Saturated conductivity of the least transmissive layer above 50, 60 and 100 cm, um/s.
    restriction_cm, water_table_cm : array_like
        Depth to a water-impermeable layer and to the highest water table of the year, cm;
        NaN or infinity where there is none.
    dual : bool
        Write ``"B/D"`` for a soil that is wet above 60 cm and would be B when drained. Otherwise it is D.

    Returns
    -------
    ndarray of str
        A, B, C, D (or a dual group), "" where the conductivity that decides is missing.

    References
    ----------
    USDA-NRCS, National Engineering Handbook part 630, chapter 7 (2009), table 7-1.
    """
    k50, k60, k100, depth, wet = np.broadcast_arrays(
        *(np.asarray(v, float) for v in (ksat_0_50, ksat_0_60, ksat_0_100, restriction_cm, water_table_cm))
    )
    depth = np.where(np.isnan(depth), np.inf, depth)
    wet = np.where(np.isnan(wet), np.inf, wet)
    deep = (depth > 100.0) & (wet > 100.0)
    group = np.where(deep, _by_ksat(k100, _DEEP_LIMITS), _by_ksat(k50, _SHALLOW_LIMITS)).astype(object)
    drained = np.where(depth > 100.0, _by_ksat(k100, _DEEP_LIMITS), _by_ksat(k60, _SHALLOW_LIMITS)).astype(object)
    wet_group = np.full(group.shape, "D", dtype=object)
    if dual:
        known = np.isin(drained, ("A", "B", "C"))
        wet_group = np.where(known, drained + "/D", "D").astype(object)
    group = np.where(wet < 60.0, wet_group, group)
    return np.asarray(np.where(depth < 50.0, "D", group), dtype=object)
