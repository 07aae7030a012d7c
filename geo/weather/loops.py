"""The day-by-day loops of generated weather, compiled; loaded when weather is generated, since Numba loads slowly.

No function calls another, so that the code that Numba stores for it follows this file.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True)
def autoregression(noise: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Return x(t) = A x(t-1) + B e(t) from zero, shape (day, 3); `noise` is e, B is lower triangular."""
    days = noise.shape[0]
    out = np.empty((days, 3))
    x0, x1, x2 = 0.0, 0.0, 0.0
    for t in range(days):
        e0, e1, e2 = noise[t, 0], noise[t, 1], noise[t, 2]
        y0 = a[0, 0] * x0 + a[0, 1] * x1 + a[0, 2] * x2 + b[0, 0] * e0
        y1 = a[1, 0] * x0 + a[1, 1] * x1 + a[1, 2] * x2 + b[1, 0] * e0 + b[1, 1] * e1
        y2 = a[2, 0] * x0 + a[2, 1] * x1 + a[2, 2] * x2 + b[2, 0] * e0 + b[2, 1] * e1 + b[2, 2] * e2
        x0, x1, x2 = y0, y1, y2
        out[t, 0], out[t, 1], out[t, 2] = x0, x1, x2
    return out


@njit(cache=True)
def wet_day_chain(
    uniform: np.ndarray,
    share: np.ndarray,
    slow: np.ndarray,
    persistence: np.ndarray,
    ceiling: float,
) -> np.ndarray:
    """Return wet days (cell, day); `share` and `persistence` are (cell, 365), `slow` is by day."""
    cells, year = share.shape
    days = uniform.size
    wet = np.zeros((cells, days), dtype=np.bool_)
    for c in range(cells):
        before = uniform[0] < share[c, 0]
        for t in range(days):
            d = t % year
            f = min(share[c, d] * slow[t], ceiling)
            k = persistence[c, d] if f > 0.0 else 0.0
            before = uniform[t] < (1.0 - k) * f + (k if before else 0.0)
            wet[c, t] = before
    return wet
