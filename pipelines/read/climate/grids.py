"""Gridded climate in NetCDF files: one or many files of one product become daily weather or monthly normals."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import xarray as xr

from geo.errors import StudyError
from pipelines.read.climate.build import ClimateInput, Context, Query, daily_input, normals_input, require
from pipelines.read.climate.cells import stack
from pipelines.read.climate.cf import Part, product_of, read_part
from pipelines.read.netcdf import open_netcdf

# Fewer years make a poor normal: World Meteorological Organization, WMO-No. 1203 (2017), provisional normals.
_FEWEST_YEARS = 10


def read_netcdf(files: Sequence[Path], query: Query) -> ClimateInput:
    """Read NetCDF files of one grid: one file with all variables, one a variable, one a year, or any mix of them."""
    with open_netcdf(files[0], decode_cf=False) as raw:
        product = product_of(raw, files[0])
        text = {k: str(raw.attrs[k]) for k in ("license", "source", "title") if k in raw.attrs}
    context = Context(query.where, product, query.trust)
    parts: list[Part] = []
    for path in files:
        parts.append(read_part(path, query, context, parts[0].window if parts else None))
    if product.key == "cf_grid":
        context.provenance["product"] = text.get("title", product.label)
        context.provenance["licence"] = text.get("license", product.licence)
    return grid_input(parts, query, context)


def grid_input(parts: Sequence[Part], query: Query, context: Context) -> ClimateInput:
    """Make one climate of the files of one grid."""
    steps = {p.step for p in parts if p.layers}
    if not steps:
        require([], context)
    if len(steps) > 1:
        raise StudyError(
            f"The files mix {' and '.join(sorted(steps))} values.",
            query.where,
            "Name normals and daily records separately.",
        )
    step = steps.pop()
    layers = merge(parts, "month" if step == "months" else "time", context)
    period = query.period
    if step != "months" and period is not None:
        layers = {k: v.sel(time=slice(str(period[0]), str(period[1]))) for k, v in layers.items()}
    require(list(layers), context)
    if step == "monthly":
        layers = average_months(layers, period or (1991, 2020), context)
    fixed = {k: v for p in parts for k, v in p.fixed.items()}
    data, cells, dropped = stack(layers, parts[0].window, fixed.get("elevation_m"))
    if not len(cells):
        raise StudyError("The grid has no data in the study area.", query.where, "Use another source for this area.")
    if dropped:
        context.note(
            f"{dropped} cells", "the grid has no data there", "left out", "the nearest cell with data is used"
        )
    return daily_input(data, cells, context) if step == "daily" else normals_input(data, cells, context)


def merge(parts: Sequence[Part], step: str, context: Context) -> dict[str, xr.DataArray]:
    """Join the same variable of several files along its steps; a step that comes twice is taken once and listed."""
    gathered: dict[str, list[xr.DataArray]] = {}
    for part in parts:
        for key, layer in part.layers.items():
            gathered.setdefault(key, []).append(layer)
    out = {}
    for key, pieces in gathered.items():
        joined = xr.concat(pieces, dim=step)
        out[key] = joined.drop_duplicates(step).sortby(step)
        if twice := joined.sizes[step] - out[key].sizes[step]:
            context.note(key, f"{twice} steps come twice; the first was taken", "left out")
    return out


def average_months(
    layers: dict[str, xr.DataArray], period: tuple[int, int], context: Context
) -> dict[str, xr.DataArray]:
    """Return the normals of a series of months: the mean of each month over the years of a period."""
    out = {}
    fewest = 10_000
    for key, layer in layers.items():
        inside = layer.sel(time=slice(str(period[0]), str(period[1])))
        counts = np.bincount(inside["time"].dt.month, minlength=13)[1:]
        if counts.min() == 0:
            raise StudyError(
                f"{key} has no value for month {int(np.argmin(counts)) + 1} in {period[0]}-{period[1]}.",
                context.where,
                "Choose the period of the normals: period = [first year, last year].",
            )
        fewest = min(fewest, int(counts.min()))
        out[key] = inside.groupby("time.month").mean("time")
    if fewest < _FEWEST_YEARS:
        context.note(
            context.where, f"the normals rest on {fewest} years only", "warning", "give at least 10, better 30 years"
        )
    context.provenance["period"] = f"{period[0]}-{period[1]} ({fewest} years or more for each month)"
    return out
