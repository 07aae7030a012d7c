"""What a difference in planting water may do to wheat yield: always a range, never one number."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class YieldRange:
    """Least and largest effect of a difference in planting water on wheat yield, kg/ha."""

    low: float
    high: float


def yield_range(water_mm: float, slopes: Iterable[tuple[float, float]]) -> YieldRange:
    """Return the range of the yield effect of `water_mm` more (or, negative, less) water at planting.

    Parameters
    ----------
    water_mm : float
        Difference in plant-available water at planting.
    slopes : iterable of (low, high)
        Published yield per mm, kg/ha per mm; the range runs from the least to the largest of them, since they differ
        threefold and no place is known to follow one of them.

    Raises
    ------
    ValueError
        Fewer than two different slopes: one number would look surer than it is.
    """
    ends = [end for pair in slopes for end in pair]
    if len(set(ends)) < 2:
        raise ValueError("a yield effect needs a range of slopes, not one")
    effects = (water_mm * min(ends), water_mm * max(ends))
    return YieldRange(min(effects), max(effects))
