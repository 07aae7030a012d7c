"""Read one band of a soil raster through the window of the study."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import rasterio
import rasterio.windows
import xarray as xr
from rasterio.errors import RasterioIOError

from geo.errors import StudyError
from geo.ground import cells_under
from pipelines.read.soils.common import MAX_CELLS, Area, area_bounds, outside

CACHE_BYTES = 64_000_000


@contextmanager
def open_window(path: str, *, area: Area | None, crs: Any) -> Iterator[tuple[Any, rasterio.windows.Window, Any]]:
    """Open a raster for the study; gives the source, the window of the study, and the CRS (`crs` where it lacks one).

    Raises
    ------
    StudyError
        When the raster cannot be opened, has no CRS, is too large without a window, or misses it.
    """
    try:
        source = rasterio.open(path)
    except RasterioIOError as error:
        raise StudyError("The soil raster cannot be opened.", path, "Check the path and the download.") from error
    with source:
        own = source.crs or crs
        if own is None:
            raise StudyError("The soil raster has no coordinate system.", path, "Give it in the study file: crs.")
        rows, columns = slice(0, source.height), slice(0, source.width)
        if area:
            rows, columns = cells_under(area_bounds(area, own), source.transform, source.shape, ring=1)
            if rows.stop <= rows.start or columns.stop <= columns.start:
                raise outside(path, tuple(round(v, 4) for v in source.bounds))
        elif source.width * source.height > MAX_CELLS:
            raise StudyError(
                f"The soil raster has {source.width * source.height / 1e6:,.0f} million cells; "
                "it is read only through a window.",
                path,
                "Give the study area, so that only that part is read.",
            )
        yield source, rasterio.windows.Window.from_slices(rows, columns), own


def read_part(source: Any, band: int, window: rasterio.windows.Window, *, masked: bool = False) -> Any:
    """Read one band through a window; a file that was cut short stops the run."""
    try:
        # A window is read once: the default cache of blocks (5 % of the machine's memory) would hold it twice.
        with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES):
            return source.read(band, window=window, masked=masked)
    except RasterioIOError as error:
        raise StudyError(
            "The soil raster is damaged: part of it cannot be read.",
            f"{source.name}, band {band}",
            "It may be cut short: download it again.",
        ) from error


def read_window(path: str, band: int, *, area: Area | None, crs: Any) -> tuple[np.ndarray, Any, Any]:
    """Return the window of one band (from 1): values (float32, scaled, NaN where missing), transform and CRS."""
    with open_window(path, area=area, crs=crs) as (source, window, own):
        values = read_part(source, band, window, masked=True).astype("float32").filled(np.nan)
        scaled = values * source.scales[band - 1] + source.offsets[band - 1]
        return scaled, source.window_transform(window), own


def as_layer(values: np.ndarray, transform: Any, crs: Any) -> xr.DataArray:
    """Return cells as an array on ``(y, x)`` that knows its place; the values are not copied."""
    import rioxarray  # noqa: F401  (registers the .rio accessor; loads dask, so late)

    height, width = values.shape
    layer = xr.DataArray(
        values,
        dims=("y", "x"),
        coords={
            "y": transform.f + transform.e * (np.arange(height) + 0.5),
            "x": transform.c + transform.a * (np.arange(width) + 0.5),
        },
    )
    layer.rio.write_crs(crs, inplace=True)
    layer.rio.write_transform(transform, inplace=True)
    return layer
