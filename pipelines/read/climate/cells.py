"""The cells of a gridded file that cover an area: any latitude order, 0-360 longitudes, projected grids."""

from __future__ import annotations

from dataclasses import dataclass

import cf_xarray  # noqa: F401  (registers the .cf accessor)
import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import ArrayLike
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from geo.errors import StudyError
from pipelines.read.climate.products import REQUIRED

Area = tuple[float, float, float, float]

_LAT = ("lat", "latitude")
_LON = ("lon", "longitude")
# Share of a cell by which two files of one grid may differ (nClimGrid daily and monthly do, by 1e-4 deg).
_SAME_CELL = 0.1


@dataclass(frozen=True, slots=True)
class Window:
    """The part of a grid that was read.

    `y` and `x` are the cell centres in the grid's own coordinates, north to south and west to east; `latitude` and
    `longitude`, shape (y, x), the same centres in EPSG:4326 degrees, longitude -180 to 180.
    """

    y: np.ndarray
    x: np.ndarray
    latitude: np.ndarray
    longitude: np.ndarray


def wrap_longitude(lon: ArrayLike) -> np.ndarray:
    """Return longitudes in -180 (included) to 180."""
    return (np.asarray(lon, dtype="float64") + 180.0) % 360.0 - 180.0


def find_axes(ds: xr.Dataset, where: str) -> tuple[str, str, CRS | None]:
    """Return the row and column dimension of a grid and its CRS (None: latitude and longitude).

    The axes are found by their attributes (CF ``standard_name``, ``axis``, ``units``), then by the names that the CF
    conventions use in examples.
    """
    lat, lon = _axis(ds, "latitude", _LAT, "y"), _axis(ds, "longitude", _LON, "x")
    if lat is not None and lon is not None:
        return lat, lon, None
    crs = _grid_mapping(ds)
    y, x = _axis(ds, "projection_y_coordinate", (), "y"), _axis(ds, "projection_x_coordinate", (), "x")
    if crs is None or y is None or x is None:
        raise StudyError(
            "The grid has neither latitude and longitude axes nor a grid mapping.",
            where,
            'Add CF attributes (standard_name = "latitude", "longitude") or a grid_mapping variable to the file.',
        )
    return y, x, crs


def _axis(ds: xr.Dataset, kind: str, names: tuple[str, ...], fallback: str) -> str | None:
    found = list(ds.cf.standard_names.get(kind, [])) + list(ds.cf.coordinates.get(kind, []))
    found += [n for n in ds.variables if str(n).lower() in names]
    if kind.startswith("projection") or _degrees(ds, fallback):
        found.append(fallback)
    for name in found:
        if name in ds.variables and ds[name].ndim == 1 and ds[name].dims[0] in ds.dims:
            return str(ds[name].dims[0])
    return None


def _degrees(ds: xr.Dataset, name: str) -> bool:
    return name in ds.variables and "degree" in str(ds[name].attrs.get("units", "")).lower()


def _grid_mapping(ds: xr.Dataset) -> CRS | None:
    for variable in ds.variables.values():
        attrs = variable.attrs
        if "grid_mapping_name" in attrs or "crs_wkt" in attrs or "spatial_ref" in attrs:
            try:
                return CRS.from_cf({k: v for k, v in attrs.items() if not str(k).startswith("_")})
            except (CRSError, KeyError, ValueError):
                continue
    return None


def axis_values(ds: xr.Dataset, dim: str, crs: CRS | None, other_names: tuple[str, ...]) -> np.ndarray:
    """Return the coordinate of a dimension, in degrees or (projected grids) metres."""
    name = dim if dim in ds.variables else next((n for n in other_names if n in ds.variables), dim)
    values = np.asarray(ds[name].values, dtype="float64")
    if crs is not None and str(ds[name].attrs.get("units", "m")).lower() in ("km", "kilometer", "kilometre"):
        values = values * 1000.0
    return values


def window(ds: xr.Dataset, area: Area | None, where: str, like: Window | None = None) -> tuple[xr.Dataset, Window]:
    """Cut a lazily opened grid to the cells that cover an area, plus one ring, and turn it north-up on ``(y, x)``.

    With `like`, the window of an earlier file, the same cells are taken, and a different grid is an error.
    """
    y_dim, x_dim, crs = find_axes(ds, where)
    y = axis_values(ds, y_dim, crs, _LAT)
    x = axis_values(ds, x_dim, crs, _LON)
    if crs is None:
        x = wrap_longitude(x)
    step = (_step(y), _step(x))
    if like is not None:
        rows, cols = _same(y, like.y, step[0], where), _same(x, like.x, step[1], where)
    else:
        bounds = area if crs is None or area is None else _project(area, crs)
        rows = _rows(y, None if bounds is None else (bounds[1], bounds[3]), step[0])[::-1]
        cols = _rows(x, None if bounds is None else (bounds[0], bounds[2]), step[1])
        if not rows.size or not cols.size:
            raise _outside(area, y, x, crs, where)
    cut = _take(_take(ds, y_dim, rows), x_dim, cols)
    cut = cut.drop_vars([y_dim, x_dim], errors="ignore").rename({y_dim: "y", x_dim: "x"})
    grid_x, grid_y = np.meshgrid(x[cols], y[rows])
    if crs is not None:
        grid_x, grid_y = Transformer.from_crs(crs, 4326, always_xy=True).transform(grid_x, grid_y)
    return cut, like or Window(y[rows], x[cols], np.asarray(grid_y), np.asarray(grid_x))


def _take(ds: xr.Dataset, dim: str, index: np.ndarray) -> xr.Dataset:
    """Select rows by position: one contiguous read, put in order afterwards."""
    low, high = int(index.min()), int(index.max())
    return ds.isel({dim: slice(low, high + 1)}).isel({dim: index - low})


def _step(values: np.ndarray) -> float:
    return float(np.median(np.diff(np.sort(values)))) if values.size > 1 else 0.0


def _rows(values: np.ndarray, span: tuple[float, float] | None, step: float) -> np.ndarray:
    """Return the positions, in rising order of the coordinate, of cells that touch a span, plus one ring."""
    order = np.argsort(values, kind="stable")
    if span is None:
        return order
    first = int(np.searchsorted(values[order], span[0] - step / 2, side="left"))
    end = int(np.searchsorted(values[order], span[1] + step / 2, side="right"))
    return order[max(first - 1, 0) : end + 1] if first < end else order[:0]


def _same(values: np.ndarray, wanted: np.ndarray, step: float, where: str) -> np.ndarray:
    index = pd.Index(values)
    ordered = index.sort_values()
    position = ordered.get_indexer(wanted, method="nearest", tolerance=_SAME_CELL * step + 1e-9)
    if (position < 0).any():
        raise StudyError(
            f"This file is on another grid: cells from {ordered[0]:.4f} to {ordered[-1]:.4f} in steps of {step:.4f}, "
            f"where the first file has cells from {wanted.min():.4f} to {wanted.max():.4f}.",
            where,
            "Give files of one product and one resolution together.",
        )
    return index.get_indexer(ordered[position])


def _project(area: Area, crs: CRS) -> Area:
    return Transformer.from_crs(4326, crs, always_xy=True).transform_bounds(*area, densify_pts=21)


def _outside(area: Area | None, y: np.ndarray, x: np.ndarray, crs: CRS | None, where: str) -> StudyError:
    assert area is not None
    swapped = crs is None and y.min() <= area[0] <= y.max() and x.min() <= area[1] <= x.max()
    hint = (
        "The area looks as if latitude and longitude were swapped."
        if swapped
        else "Give the climate file of this region, or check the coordinates of the study area."
    )
    return StudyError(
        f"The climate grid (x {x.min():.3f} to {x.max():.3f}, y {y.min():.3f} to {y.max():.3f}) "
        f"does not cover the study area (longitude {area[0]:.3f} to {area[2]:.3f}, "
        f"latitude {area[1]:.3f} to {area[3]:.3f}).",
        where,
        hint,
    )


def stack(
    layers: dict[str, xr.DataArray], seen: Window, elevation: np.ndarray | None
) -> tuple[xr.Dataset, pd.DataFrame, int]:
    """Turn layers on ``(step, y, x)`` into ``(cell, step)`` with their cells, and drop cells without any data.

    The last value is the number of cells dropped because the grid has no data there (sea, beyond a border). A step
    that one variable lacks is missing there.
    """
    flat = xr.Dataset(layers).stack(cell=("y", "x"), create_index=False).transpose("cell", ...)
    alive = np.all([np.isfinite(flat[name].values).any(axis=1) for name in REQUIRED], axis=0)
    keep = np.flatnonzero(alive)
    data = flat.isel(cell=keep)
    lat, lon = seen.latitude.ravel()[keep], seen.longitude.ravel()[keep]
    cells = pd.DataFrame(
        {
            "latitude": lat,
            "longitude": lon,
            "elevation_m": np.full(keep.size, np.nan) if elevation is None else elevation.ravel()[keep],
            "name": [f"{a:.4f} {b:.4f}" for a, b in zip(lat, lon, strict=True)],
        },
        index=pd.RangeIndex(keep.size, name="cell"),
    )
    return data, cells, int(alive.size - keep.size)
