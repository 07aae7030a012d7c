"""Whether a NetCDF file is whole: the classic format reads as zeros where it was cut short."""

from __future__ import annotations

from pathlib import Path

import netCDF4
import numpy as np


def is_cut_short(path: Path) -> bool:
    """Return True when a classic NetCDF file is smaller than its own variables.

    The classic formats hold every value uncompressed, so the file is at least as large as all variables together.
    Files of the newer format (HDF5) that were cut short do not open at all.

    Raises
    ------
    OSError
        When the file cannot be opened.
    """
    with path.open("rb") as handle:
        if handle.read(3) != b"CDF":
            return False
    with netCDF4.Dataset(path) as data:
        needed = sum(int(np.prod(v.shape, dtype=np.int64)) * v.dtype.itemsize for v in data.variables.values())
    return path.stat().st_size < needed
