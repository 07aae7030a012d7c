"""Soil water from texture: Saxton & Rawls (2006), the texture triangle, rock fragments.

Sand and clay are fractions of the fine earth by weight (0-1); organic matter is percent by weight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

PARTICLE_DENSITY = 2.65  # g/cm3, Saxton & Rawls (2006)
MAX_CLAY = 0.60
MAX_ORGANIC_MATTER_PERCENT = 8.0
DEFAULT_ORGANIC_MATTER_PERCENT = 1.0

TEXTURE_CLASSES = (
    "sand",
    "loamy sand",
    "sandy loam",
    "loam",
    "silt loam",
    "silt",
    "sandy clay loam",
    "clay loam",
    "silty clay loam",
    "sandy clay",
    "silty clay",
    "clay",
)


@dataclass(frozen=True, slots=True)
class SoilWater:
    """Water held by fine earth; every array has the shape of the inputs.

    Attributes
    ----------
    wilting_point, field_capacity, saturation : ndarray
        m3/m3 at 1500 kPa, 33 kPa and 0 kPa.
    ksat_mm_h : ndarray
        Saturated conductivity, mm/h.
    bulk_density : ndarray
        g/cm3.
    calibrated : ndarray of bool
        False where the inputs are outside the data behind the equations
        (clay above 60 %, organic matter above 8 %) or the result is not ordered.
    """

    wilting_point: Floats
    field_capacity: Floats
    saturation: Floats
    ksat_mm_h: Floats
    bulk_density: Floats
    calibrated: NDArray[np.bool_]


def saxton_rawls(sand: ArrayLike, clay: ArrayLike, organic_matter_percent: ArrayLike) -> SoilWater:
    """Return water contents and conductivity from texture and organic matter.

    Parameters
    ----------
    sand, clay : array_like
        Fractions by weight of the fine earth, 0-1, any shape that broadcasts.
    organic_matter_percent : array_like
        Percent by weight.

    Returns
    -------
    SoilWater
        NaN where an input is NaN.

    Raises
    ------
    ValueError
        When sand or clay is given in percent, is negative, or they sum to more than 1.02.

    References
    ----------
    Saxton, K.E. & Rawls, W.J. (2006), Soil Sci. Soc. Am. J. 70:1569-1578, doi:10.2136/sssaj2005.0117, table 1,
    doi 10.2136/sssaj2005.0117.
    """
    s, c, om = np.broadcast_arrays(*(np.asarray(v, float) for v in (sand, clay, organic_matter_percent)))
    if np.any((s < 0) | (c < 0) | (s + c > 1.02)):
        raise ValueError("sand and clay must be fractions of the fine earth (0-1) that sum to at most 1")
    with np.errstate(invalid="ignore", divide="ignore"):
        wp = -0.024 * s + 0.487 * c + 0.006 * om + 0.005 * s * om - 0.013 * c * om + 0.068 * s * c + 0.031
        wp = wp + 0.14 * wp - 0.02
        fc = -0.251 * s + 0.195 * c + 0.011 * om + 0.006 * s * om - 0.027 * c * om + 0.452 * s * c + 0.299
        fc = fc + 1.283 * fc**2 - 0.374 * fc - 0.015
        air = 0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om - 0.584 * s * c + 0.078
        air = air + 0.636 * air - 0.107
        sat = fc + air - 0.097 * s + 0.043
        slope = (np.log(fc) - np.log(wp)) / (np.log(1500.0) - np.log(33.0))
        ksat = 1930.0 * (sat - fc) ** (3.0 - slope)
    known = np.isfinite(s) & np.isfinite(c) & np.isfinite(om)
    ordered = (wp > 0) & (fc > wp) & (sat > fc)
    calibrated = known & ordered & (c <= MAX_CLAY) & (om >= 0) & (om <= MAX_ORGANIC_MATTER_PERCENT)
    return SoilWater(wp, fc, sat, ksat, (1.0 - sat) * PARTICLE_DENSITY, calibrated)


def fragment_volume(weight_fraction: ArrayLike, bulk_density: ArrayLike) -> Floats:
    """Turn rock fragments by weight of the whole soil into their share of the volume.

    Parameters
    ----------
    weight_fraction : array_like
        Fragments above 2 mm, fraction of the whole soil by weight, 0-1.
    bulk_density : array_like
        Of the fine earth, g/cm3.

    Returns
    -------
    ndarray
        Fraction of the volume, 0-1: rock of 2.65 g/cm3 among fine earth of the given density.
    """
    weight = np.asarray(weight_fraction, float)
    ratio = np.asarray(bulk_density, float) / PARTICLE_DENSITY
    return np.asarray(ratio * weight / (1.0 - weight * (1.0 - ratio)))


def texture_class(sand: ArrayLike, clay: ArrayLike) -> NDArray[np.object_]:
    """Return the texture class of the United States triangle.

    Parameters
    ----------
    sand, clay : array_like
        Fractions of the fine earth, 0-1.

    Returns
    -------
    ndarray of str
        One of `TEXTURE_CLASSES`, or "" where an input is missing or impossible.

    References
    ----------
    Soil Survey Manual, USDA Handbook 18 (2017), chapter 3, texture class definitions.
    """
    s, c = np.broadcast_arrays(np.asarray(sand, float) * 100.0, np.asarray(clay, float) * 100.0)
    # Survey values carry one decimal; the fuzz of binary fractions must not move a soil across a line.
    s, c = np.round(s, 6), np.round(c, 6)
    z = np.round(100.0 - s - c, 6)
    valid = (s >= 0) & (c >= 0) & (z >= -2.0)
    choices = [
        ("sand", z + 1.5 * c < 15),
        ("loamy sand", z + 2 * c < 30),
        ("silt", (z >= 80) & (c < 12)),
        ("silt loam", ((z >= 50) & (c < 27))),
        ("sandy clay", (c >= 35) & (s > 45)),
        ("silty clay", (c >= 40) & (z >= 40)),
        ("clay", c >= 40),
        ("silty clay loam", (c >= 27) & (s <= 20)),
        ("clay loam", (c >= 27) & (s <= 45)),
        ("sandy clay loam", (c >= 20) & (z < 28) & (s > 45)),
        ("loam", (c >= 7) & (z >= 28) & (s <= 52)),
        ("sandy loam", c < 20),
    ]
    names = np.select([valid & test for _, test in choices], [name for name, _ in choices], default="")
    return np.asarray(names, dtype=object)
