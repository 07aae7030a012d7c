"""How dry a climate is: the UNEP aridity index."""

from __future__ import annotations

from typing import Any

import numpy as np

Array = Any


def aridity_index(annual_precip_mm: Array, annual_et0_mm: Array) -> Array:
    """Return annual precipitation divided by annual reference ET (UNEP 1992).

    The class limits were drawn for Thornthwaite's potential ET. Grass reference ET is mostly larger
    in windy, dry country, so the index here comes out lower and the class drier; say which ET was used.
    NaN where the reference ET is not positive.
    """
    demand = np.where(np.asarray(annual_et0_mm) > 0, annual_et0_mm, np.nan)
    return annual_precip_mm / demand
