"""Work through a grid by blocks of whole rows, so that no step needs a second copy of a county."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

BLOCK_CELLS = 1_000_000
"""Cells of a block: 8 MB for each array of 64-bit numbers that the work on it makes."""


def row_blocks(shape: tuple[int, ...], cells: int = BLOCK_CELLS) -> Iterator[slice]:
    """Yield slices of rows that cover a grid from top to bottom.

    Parameters
    ----------
    shape : (rows, columns)
    cells : int
        Cells of a block at most; one row at least.

    Yields
    ------
    slice
    """
    rows, columns = shape
    step = max(1, cells // max(columns, 1))
    for top in range(0, rows, step):
        yield slice(top, min(top + step, rows))


def count_codes(codes: NDArray[np.integer], n: int) -> NDArray[np.int64]:
    """Return how many cells carry each of the codes 0..n-1; negative codes do not count.

    Parameters
    ----------
    codes : integer array (row, column)
    n : int

    Returns
    -------
    int64 array (n,)
    """
    counts = np.zeros(n, dtype=np.int64)
    for rows in row_blocks(codes.shape):
        block = codes[rows]
        counts += np.bincount(block[block >= 0], minlength=n)
    return counts


def renumber(codes: NDArray[np.int32], new: NDArray[np.int32]) -> None:
    """Replace each code by its new one, in place; -1 stays -1.

    Parameters
    ----------
    codes : int32 array (row, column)
    new : int32 array (code,)
    """
    table = np.append(new, np.int32(-1))  # -1 points to the last
    for rows in row_blocks(codes.shape):
        codes[rows] = table[codes[rows]]
