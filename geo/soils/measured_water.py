"""Measured soil water: readings by depth become plant-available water of the four one-foot layers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.profile import LAYER_EDGES_MM, LAYER_MM, N_LAYERS, PROFILE_MM

Floats = NDArray[np.float64]

LEAST_MEASURED_SHARE = 0.5
"""A layer with a smaller measured share has no value; else that part counts for all of it (common practice)."""
WHOLE_SHARE = 0.9
"""A layer measured to this share counts as whole (30 cm is less than a foot); others are marked (common practice)."""


@dataclass(frozen=True, slots=True)
class FootWater:
    """Measured water of one sounding by one-foot layer.

    Attributes
    ----------
    available_mm : ndarray, shape (4,)
        Plant-available water; 0 below the wilting point, NaN where too little of the layer was measured. A layer
        below the root limit holds 0.
    measured_share : ndarray, shape (4,)
        Share of the layer's thickness above the root limit that readings cover, 0-1; NaN where all of it is below.
    used : ndarray of bool, shape (reading,)
        Readings that a value rests on.
    """

    available_mm: Floats
    measured_share: Floats
    used: NDArray[np.bool_]


def volumetric(gravimetric: ArrayLike, bulk_density: ArrayLike) -> Floats:
    """Return the volumetric water content: a cubic centimetre of water weighs one gram.

    Parameters
    ----------
    gravimetric : array
        Water per mass of dry soil, kg/kg.
    bulk_density : array
        Dry mass per volume, g/cm3.

    Returns
    -------
    float array
        m3/m3.
    """
    return np.asarray(gravimetric, float) * np.asarray(bulk_density, float)


def foot_thickness_mm(root_limit_mm: float) -> Floats:
    """Return the thickness of each one-foot layer above the root limit.

    Parameters
    ----------
    root_limit_mm : float
        Depth of the root limit, mm.

    Returns
    -------
    float array (4,)
        mm, 0 to 304.8.
    """
    return np.clip(root_limit_mm - np.asarray(LAYER_EDGES_MM[:-1]), 0.0, LAYER_MM)


def foot_water(
    top_mm: ArrayLike,
    bottom_mm: ArrayLike,
    content: ArrayLike,
    own_wilting: ArrayLike,
    wilting_mm: ArrayLike,
    root_limit_mm: float = PROFILE_MM,
) -> FootWater:
    """Cut readings by depth into the four one-foot layers and take off what plants cannot have.

    Readings may overlap, leave gaps and come in any order: where several cover a depth, their mean counts; a layer
    of which only a part was measured takes the mean of that part.

    Parameters
    ----------
    top_mm, bottom_mm : array_like, shape (reading,)
        The interval that each reading covers, mm from the surface.
    content : array_like, shape (reading,)
        Volumetric water content, m3/m3.
    own_wilting : array_like, shape (reading,)
        Water content at wilting point that comes with the reading, m3/m3 (0 where `content` is available water
        already); NaN = take the soil's.
    wilting_mm : array_like, shape (4,)
        Water that the soil holds at wilting point in each layer above the root limit, mm.
    root_limit_mm : float
        Nothing counts below.

    Returns
    -------
    FootWater

    Notes
    -----
    Water of a depth is 1000 (content - content at wilting point) times that depth in metres, in mm: equation 82 of
    FAO-56 with the content that was measured in place of field capacity.
    """
    top, bottom = np.asarray(top_mm, float), np.asarray(bottom_mm, float)
    water, own = np.asarray(content, float), np.asarray(own_wilting, float)
    thickness = foot_thickness_mm(root_limit_mm)
    available, share = np.full(N_LAYERS, np.nan), np.full(N_LAYERS, np.nan)
    used = np.zeros(top.shape, bool)
    density = np.divide(np.asarray(wilting_mm, float), thickness, out=np.zeros(N_LAYERS), where=thickness > 0)
    for k in range(N_LAYERS):
        if thickness[k] <= 0:
            available[k] = 0.0
            continue
        upper, lower = LAYER_EDGES_MM[k], LAYER_EDGES_MM[k] + thickness[k]
        cuts = np.unique(np.clip(np.concatenate([top, bottom, [upper, lower]]), upper, lower))
        slices, middle = np.diff(cuts), 0.5 * (cuts[1:] + cuts[:-1])
        covers = (top[:, None] < middle) & (middle < bottom[:, None])
        count = covers.sum(axis=0)
        above = water - np.where(np.isnan(own), density[k], own)
        with np.errstate(invalid="ignore"):
            mean = np.where(covers, above[:, None], 0.0).sum(axis=0) / count
        known = count > 0
        measured = slices[known].sum()
        share[k] = measured / thickness[k]
        if share[k] >= LEAST_MEASURED_SHARE:
            available[k] = max(0.0, float((mean[known] * slices[known]).sum()) / measured * thickness[k])
            used |= covers.any(axis=1)
    return FootWater(available, share, used)


def mean_water(parts: list[FootWater], weight: ArrayLike) -> FootWater:
    """Return the weighted mean over the soils that may be at the place of one sounding.

    Parameters
    ----------
    parts : list of FootWater
        The sounding, cut over each soil.
    weight : array (part,)
        Share of each soil; need not add to 1.

    Returns
    -------
    FootWater
    """
    share = np.asarray(weight, float) / np.sum(weight)
    available = np.einsum("p,pk->k", share, np.array([p.available_mm for p in parts]))
    measured = np.array([p.measured_share for p in parts])
    known = np.where(np.isnan(measured), 0.0, share[:, None])
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.nansum(np.nan_to_num(measured) * known, axis=0) / known.sum(axis=0)
    return FootWater(available, mean, np.any([p.used for p in parts], axis=0))


@dataclass(frozen=True, slots=True)
class Misfit:
    """How a model compares with measurements.

    Attributes
    ----------
    n : int
        Pairs.
    bias_mm : float
        Mean of modelled minus measured.
    rmse_mm : float
        Root of the mean square difference.
    below : int
        Pairs in which the model holds less than was measured.
    """

    n: int
    bias_mm: float
    rmse_mm: float
    below: int


def misfit(modelled_mm: ArrayLike, measured_mm: ArrayLike) -> Misfit:
    """Compare pairs; pairs with a missing value do not count.

    Parameters
    ----------
    modelled_mm, measured_mm : array (pair,)
        Depth of water, mm.

    Returns
    -------
    Misfit
    """
    difference = np.asarray(modelled_mm, float) - np.asarray(measured_mm, float)
    difference = difference[np.isfinite(difference)]
    if not difference.size:
        return Misfit(0, float("nan"), float("nan"), 0)
    return Misfit(
        difference.size,
        float(difference.mean()),
        float(np.sqrt((difference**2).mean())),
        int((difference < 0).sum()),
    )
