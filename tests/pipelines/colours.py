"""Colour checks that tests share: simulated colour vision, distance, lightness and contrast."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from colorspacious import cspace_convert, deltaE

VISIONS = (None, "protanomaly", "deuteranomaly", "tritanomaly")


def rgb(colour: str) -> np.ndarray:
    """``#RRGGBB`` as 0-1."""
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255


def smallest_distance(colours: list[str], vision: str | None) -> float:
    """Smallest CAM02-UCS distance of any two colours as a full deficiency sees them (Machado et al. 2009)."""
    seen = np.array([rgb(c) for c in colours])
    if vision:
        space = {"name": "sRGB1+CVD", "cvd_type": vision, "severity": 100}
        seen = np.clip(cspace_convert(seen, space, "sRGB1"), 0, 1)
    return min(float(deltaE(a, b, input_space="sRGB1")) for a, b in combinations(seen, 2))


def lightness(colours: list[str]) -> np.ndarray:
    """CIE L* of each colour: what grey print keeps."""
    return cspace_convert(np.array([rgb(c) for c in colours]), "sRGB1", "CIELab")[:, 0]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2 contrast ratio."""

    def luminance(colour: str) -> float:
        part = rgb(colour)
        linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    low, high = sorted([luminance(one), luminance(other)])
    return (high + 0.05) / (low + 0.05)
