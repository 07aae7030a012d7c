"""Find the bands of soil grids and read a window of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import xarray as xr
from rasterio.enums import Resampling

from geo.errors import Problem, StudyError
from pipelines.read.netcdf import open_netcdf
from pipelines.read.soils.common import MAX_CELLS, Area, area_bounds, outside
from pipelines.read.soils.grid_units import PROPERTIES, WITHOUT_DEPTH, depth_of, property_of
from pipelines.read.soils.window import as_layer, read_window
from pipelines.study.unit_registry import fits, line

_RASTERS = (".tif", ".tiff", ".img", ".vrt")
_NETCDF = (".nc", ".nc4")


@dataclass(frozen=True, slots=True)
class Band:
    """One property at one depth: where it is stored and what its metadata say."""

    file: Path
    variable: str
    index: int
    label: str
    holds: str
    units: str
    depth_cm: tuple[float, float] | None

    @property
    def where(self) -> str:
        """Return file and band for messages."""
        inside = self.variable or f"band {self.index}"
        return f"{self.file}, {inside}" + (f", {self.depth_cm[0]:g}-{self.depth_cm[1]:g} cm" if self.depth_cm else "")


def list_bands(path: Path) -> list[Band]:
    """List every band of a raster, of a NetCDF file, or of all of them in a folder."""
    bands: list[Band] = []
    for file in [path] if path.is_file() else sorted(path.iterdir()):
        if file.suffix.lower() in _NETCDF:
            bands += _netcdf_bands(file)
        elif path.is_file() or file.suffix.lower() in _RASTERS:
            bands += _raster_bands(file)
    return bands


def _raster_bands(file: Path) -> list[Band]:
    try:
        source = rasterio.open(file)
    except rasterio.errors.RasterioIOError as error:
        raise StudyError("The soil grid cannot be opened.", str(file), "Check the path and the download.") from error
    with source:
        bands = []
        for i in range(1, source.count + 1):
            text = source.descriptions[i - 1] or ""
            tags = {k.lower(): v for k, v in {**source.tags(), **source.tags(i)}.items()}
            units = source.units[i - 1] or tags.get("units") or tags.get("unit") or ""
            name = property_of(text, tags.get("standard_name", "")) or property_of(file.stem)
            depth = depth_of(text) or depth_of(tags.get("depth", "")) or depth_of(file.stem)
            bands.append(Band(file, "", i, f"{file.stem} {text}".strip(), name, str(units), depth))
    return bands


def _depths(dataset: xr.Dataset, dim: str) -> list[tuple[float, float] | None]:
    """Return the depth intervals of a depth dimension, cm, from its CF bounds; None where the study file must say."""
    coord = dataset.get(dim)
    named = {} if coord is None else {**coord.encoding, **coord.attrs}  # decoding moves the bounds
    bounds = dataset.get(named.get("bounds", ""))
    units = str(named.get("units", "" if bounds is None else bounds.attrs.get("units", ""))).strip()
    if bounds is None or not fits(units, "cm"):
        return [None] * dataset.sizes[dim]
    pairs = np.sort(np.abs(bounds.values.astype(float)), axis=1) * line(units, "cm")[0]
    return [(round(float(a), 3), round(float(b), 3)) for a, b in pairs]


def _netcdf_bands(file: Path) -> list[Band]:
    bands: list[Band] = []
    with open_netcdf(file, decode_coords="all") as dataset:
        for name, variable in dataset.data_vars.items():
            if variable.ndim not in (2, 3):
                continue
            label = f"{name} {variable.attrs.get('long_name', '')}"
            kind = property_of(str(name), variable.attrs.get("standard_name", "")) or property_of(label)
            units = str(variable.attrs.get("units", ""))
            if variable.ndim == 2:
                depth = depth_of(label) or depth_of(file.stem)
                bands.append(Band(file, str(name), 0, label, kind, units, depth))
                continue
            intervals = _depths(dataset, str(variable.dims[0])) if kind else [None] * variable.shape[0]
            bands += [Band(file, str(name), i, label, kind, units, d) for i, d in enumerate(intervals)]
    return bands


def check_names(variables: Mapping[str, Any]) -> None:
    """Stop on a key of the study file that is no soil property."""
    for name in variables:
        if name not in PROPERTIES and name != "tables":
            raise StudyError(f"{name!r} is not a soil property.", "variables", f"Use: {', '.join(PROPERTIES)}.")


def choose_bands(bands: list[Band], variables: Mapping[str, Any], where: str) -> dict[str, list[Band]]:
    """Return the bands of each property, sorted by depth, with what the study file adds.

    Its `variables` map a property to a name, or to a table with ``name`` (variable, band description or file
    pattern), ``units`` and ``depths_cm`` (a list of ``[top, bottom]``).
    """
    chosen: dict[str, list[Band]] = {}
    check_names(variables)
    for name in PROPERTIES:
        spec = variables.get(name)
        spec = {"name": spec} if isinstance(spec, str) else dict(spec or {})
        pattern = spec.get("name")
        if pattern:
            found = [
                b for b in bands if any(fnmatch(t, pattern) for t in (b.variable, b.label, b.file.name, b.file.stem))
            ]
            if not found:
                raise StudyError(
                    f"Nothing in the soil grid is called {pattern!r}.",
                    where,
                    f"Names found: {', '.join(sorted({b.variable or b.label for b in bands}))[:300]}",
                )
        else:
            found = [b for b in bands if b.holds == name]
        if not found:
            continue
        depths = spec.get("depths_cm")
        if depths is not None:
            if len(depths) != len(found):
                raise StudyError(
                    f"{len(depths)} depths are given for {len(found)} layers of {name}.", where, "Give one for each."
                )
            found = [replace(b, depth_cm=(float(d[0]), float(d[1]))) for b, d in zip(found, depths, strict=True)]
        found = [replace(b, holds=name, units=spec.get("units", b.units)) for b in found]
        unknown = [b for b in found if b.depth_cm is None]
        if unknown and name not in WITHOUT_DEPTH:
            raise StudyError(
                f"The depth of {name} is not in the metadata.",
                unknown[0].where,
                f"Give it in the study file: variables = {{ {name} = {{ depths_cm = [[0, 30], [30, 60]] }} }}.",
            )
        chosen[name] = sorted(found, key=lambda b: b.depth_cm or (0.0, 0.0))
    return chosen


def read_band(
    band: Band, *, area: Area | None, crs: Any, like: xr.DataArray | None
) -> tuple[xr.DataArray, list[Problem]]:
    """Read the window of one band as float32 on ``(y, x)``, north up, NaN where missing.

    A band on another grid than `like` is brought to it by the nearest cell, and that is listed.
    """
    if band.variable:
        layer = _read_netcdf(band, area, crs)
    else:
        layer = as_layer(*read_window(str(band.file), band.index, area=area, crs=crs))
    if like is None or (
        layer.shape == like.shape
        and layer.rio.crs == like.rio.crs
        and np.allclose(layer.rio.transform()[:6], like.rio.transform()[:6])
    ):
        return layer, []
    moved = layer.rio.reproject_match(like, resampling=Resampling.nearest, nodata=np.nan)
    moved = moved.assign_coords(x=like["x"], y=like["y"])
    return moved, [Problem("soils", band.where, "on another grid than the first layer; taken from the nearest cell")]


def _read_netcdf(band: Band, area: Area | None, crs: Any) -> xr.DataArray:
    import rioxarray  # noqa: F401  (registers the .rio accessor; loads dask, so late)

    with open_netcdf(band.file, decode_coords="all") as dataset:
        layer = dataset[band.variable]
        if layer.ndim == 3:
            layer = layer.isel({layer.dims[0]: band.index})
        y, x = (str(d) for d in layer.dims)
        if x.lower().startswith(("lat", "y")):
            layer, (y, x) = layer.transpose(x, y), (x, y)
        if x not in dataset.coords or y not in dataset.coords:
            raise StudyError(
                "The soil grid has no coordinates along its axes.", band.where, "Use a file with x and y."
            )
        own = layer.rio.crs
        if own is None:
            degrees = "degree" in str(dataset[x].attrs.get("units", "")) or x.lower().startswith("lon")
            own = crs or ("EPSG:4326" if degrees else None)
        if own is None:
            raise StudyError("The soil grid has no coordinate system.", band.where, "Give it in the study file: crs.")
        layer = layer.rename({y: "y", x: "x"}).reset_coords(drop=True)
        if float(layer["x"].max()) > 180.0 and str(own).upper() == "EPSG:4326":
            layer = layer.assign_coords(x=((layer["x"] + 180.0) % 360.0) - 180.0)
        layer = layer.sortby("x").sortby("y", ascending=False)
        if area:
            minx, miny, maxx, maxy = area_bounds(area, own)
            dx, dy = (abs(float(layer[d][1] - layer[d][0])) if layer.sizes[d] > 1 else 1.0 for d in ("x", "y"))
            extent = tuple(float(v) for v in (layer.x.min(), layer.y.min(), layer.x.max(), layer.y.max()))
            layer = layer.sel(x=slice(minx - dx, maxx + dx), y=slice(maxy + dy, miny - dy))
            if not layer.size:
                raise outside(band.where, extent)
        elif layer.size > MAX_CELLS:
            raise StudyError(
                f"The soil grid has {layer.size / 1e6:,.0f} million cells; it is read only through a window.",
                band.where,
                "Give the study area, so that only that part is read.",
            )
        try:
            layer = layer.astype("float32").load()
        except (OSError, RuntimeError) as error:
            raise StudyError(
                "The soil grid is damaged: part of it cannot be read.", band.where, "Download it again."
            ) from error
    layer.attrs = {}
    return layer.rio.write_crs(own).rio.set_spatial_dims("x", "y")
