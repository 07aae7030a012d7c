"""Open NetCDF files; a file that was cut short is refused, since the classic format reads as zeros from there on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import xarray as xr

from geo.errors import StudyError


def open_netcdf(path: Path, **decoding: Any) -> xr.Dataset:
    """Open a NetCDF file lazily; `decoding` goes to `xarray.open_dataset`.

    Raises
    ------
    StudyError
        When the file is missing, damaged, or cut short.
    """
    try:
        if _is_cut_short(path):
            raise StudyError(
                "The file is shorter than its own table of contents says; the rest would read as zeros.",
                str(path),
                "It was cut short: fetch it again.",
            )
        return xr.open_dataset(path, engine="netcdf4", **decoding)
    except (OSError, ValueError, RuntimeError) as error:
        raise StudyError(
            f"The file cannot be read as NetCDF ({error}).",
            str(path),
            "Check the path. The file may be cut short: fetch it again.",
        ) from error


def _is_cut_short(path: Path) -> bool:
    """Return True when a classic NetCDF file is smaller than its own variables.

    The classic formats hold every value uncompressed, so the file is at least as large as all variables together.
    Files of the newer format (HDF5) that were cut short do not open at all.
    """
    with path.open("rb") as handle:
        if handle.read(3) != b"CDF":
            return False
    with netCDF4.Dataset(path) as data:
        needed = sum(int(np.prod(v.shape, dtype=np.int64)) * v.dtype.itemsize for v in data.variables.values())
    return path.stat().st_size < needed
