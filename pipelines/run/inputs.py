"""Read: from a study file to its layers, laid on one grid."""

from __future__ import annotations

import gc
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from odc.geo.geobox import GeoBox

from geo.errors import Problem, StudyError
from geo.ground import burn_map_units, clean_fields, site_means, slope_percent, study_grid
from geo.soils import SoilTable
from pipelines.read.climate.dispatch import ClimateInput, read_climate
from pipelines.read.elevation import read_elevation
from pipelines.read.fields.boundaries import read_fields
from pipelines.read.located import located
from pipelines.read.measurements.soundings import Measurements, read_measurements
from pipelines.read.soils.dispatch import detect_kind, read_soils
from pipelines.run.context import Context
from pipelines.study.words import did_you_mean

MARGIN_DEG, MARGIN_M = 0.02, 100.0
Problems = tuple[Problem, ...]


@dataclass(frozen=True)
class Slope:
    """The slope of the ground from a height model: percent by pixel, and the lowest and highest ground (m)."""

    percent: np.ndarray
    elevation_range_m: tuple[float, float]


@dataclass(frozen=True)
class Inputs:
    """The layers of a study.

    Attributes
    ----------
    fields : GeoDataFrame
        Cleaned, in the study CRS; without rows where the study names no fields.
    soil : SoilTable
        Profiles with the measured slope of their map unit, where there is a height model; no raster.
    climate : ClimateInput
    grid : GeoBox
    codes : int array on the grid
        Position in `map_units`, -1 = no soil.
    map_units : list of str
    slope : Slope, optional
    measurements : Measurements, optional
    problems : tuple of Problem
    """

    fields: gpd.GeoDataFrame
    soil: SoilTable
    climate: ClimateInput
    grid: GeoBox
    codes: np.ndarray
    map_units: list[str]
    slope: Slope | None
    measurements: Measurements | None
    problems: Problems


def read(context: Context) -> Inputs:
    """Read every layer of a study.

    Raises
    ------
    StudyError
        When a layer cannot be used.
    """
    context.report("layers", 0, 3)
    fields, problems = read_field_layer(context)
    if context.study.fields is not None and fields.empty:
        raise StudyError(
            "None of the fields can be used.",
            str(context.path(context.study.fields.path)),
            "Run `springfill check` for the list.",
        )
    soil, of_soil = read_soil_layer(context, fields)
    measured, of_water = read_measurement_layer(context)
    return lay_inputs(context, fields, soil, measured, problems + of_soil + of_water)


def read_around(context: Context, only: Collection[str]) -> Inputs:
    """Read some fields of a study, and the other layers under them alone: a look at one field takes seconds.

    Where slopes are measured, the slope of a map unit is its mean under these fields, not over the county.

    Raises
    ------
    StudyError
        When there is no field of such an id, or a layer cannot be used.
    """
    context.report("layers", 0, 3)
    fields, problems = read_field_layer(context)
    known = set(fields["field_id"])
    for name in only:
        if name not in known:
            where = str(context.path(context.study.fields.path)) if context.study.fields else "[fields]"
            raise StudyError(
                f"There is no field {name}.{did_you_mean(name, known)}", where, "Give ids of its fields."
            )
    fields = fields[fields["field_id"].isin(only)].reset_index(drop=True)
    table = context.study.map.model_copy(update={"bounds": tuple(fields.buffer(MARGIN_M).total_bounds)})
    near = replace(context, study=context.study.model_copy(update={"map": table}))
    soil, of_soil = read_soil_layer(near, fields)
    measured, of_water = read_measurement_layer(near)
    return lay_inputs(near, fields, soil, measured, problems + of_soil + of_water)


def lay_inputs(
    context: Context, fields: gpd.GeoDataFrame, soil: SoilTable, measurements: Measurements | None, problems: Problems
) -> Inputs:
    """Lay fields and soils that are read on the study grid, and read the layers that depend on it."""
    grid = lay_grid(context, soil, fields)
    climate = read_climate_layer(context, grid)
    context.report("grid", 1, 1)
    soil, codes, map_units = lay_soils(context, soil, grid)
    slope, of_slope = read_slope(context, grid, codes)
    context.report("slope", 1, 1)
    if slope is not None:
        by_unit = context.map_unit_slope
        soil = on_measured_slope(soil, slope_by_map_unit(slope, codes, map_units) if by_unit is None else by_unit)
    problems = problems + tuple(climate.problems) + of_slope
    return Inputs(fields, soil, climate, grid, codes, map_units, slope, measurements, problems)


def bounds_deg(context: Context) -> tuple[float, float, float, float] | None:
    """Return the [map] bounds in degrees; None without them."""
    table = context.study.map
    return None if table.bounds is None else _to_degrees(table.crs, table.bounds)


def _to_degrees(crs: str, bounds: Sequence[float]) -> tuple[float, float, float, float]:
    from rasterio.warp import transform_bounds

    west, south, east, north = transform_bounds(crs, "EPSG:4326", *bounds)
    return west, south, east, north


def no_fields(context: Context) -> gpd.GeoDataFrame:
    """Return a field layer without rows, with the columns of the contract: a map of the ground alone."""
    crs = context.study.map.crs
    return clean_fields(gpd.GeoDataFrame({"field_id": []}, geometry=[], crs=crs), crs)[0]


def read_field_layer(context: Context, *, part: bool = False) -> tuple[gpd.GeoDataFrame, Problems]:
    """Read the fields and clean them; with `part`, the study is a part of a region and may have none."""
    table = context.study.fields
    if table is None:
        return no_fields(context), ()
    area = bounds_deg(context)
    path = context.path(table.path)
    raw, problems = read_fields(
        path, layer=table.layer, columns=table.columns or None, crs=table.crs, area=area, part=part
    )
    with located(str(path), "fields"):
        fields, more = clean_fields(raw, context.study.map.crs, study_area=None if part else area)
    return fields, (*(problems if len(raw) or not part else ()), *more)


def read_soil_layer(context: Context, fields: gpd.GeoDataFrame) -> tuple[SoilTable, Problems]:
    """Read the soils of the study area: its bounds, or around the fields."""
    area = bounds_deg(context)
    soils = context.study.soils
    kind: Any = soils.kind
    place = context.path(soils.path)
    if kind == "auto" and place.exists():
        kind = detect_kind(place, soils.variables)
    if area is None and len(fields) and kind != "survey_export":
        west, south, east, north = fields.to_crs("EPSG:4326").total_bounds
        area = (west - MARGIN_DEG, south - MARGIN_DEG, east + MARGIN_DEG, north + MARGIN_DEG)
    context.report("layers", 1, 3)
    soil, problems = read_soils(
        place,
        kind=kind,
        area=None if area is None else (*area, "EPSG:4326"),
        crs=soils.crs,
        variables=context.resolved(soils.variables, "tables"),
    )
    context.report("layers", 2, 3)
    return soil, tuple(problems)


def read_measurement_layer(context: Context) -> tuple[Measurements | None, Problems]:
    """Read own measurements of soil water, where the study names any."""
    table = context.study.measurements
    context.report("measurements", 1, 1)
    if table is None:
        return None, ()
    found, problems = read_measurements(
        context.path(table.path), columns=table.columns, units=table.units, day_first=table.day_first
    )
    return found, tuple(problems)


def lay_grid(context: Context, soil: SoilTable, fields: gpd.GeoDataFrame) -> GeoBox:
    """Return the study grid: over the bounds of the study, else the soil map, else the fields."""
    table = context.study.map
    bounds: Sequence[float]
    if table.bounds is not None:
        bounds = table.bounds
    elif soil.polygons is not None:
        bounds = soil.polygons.to_crs(table.crs).total_bounds
    elif len(fields):
        bounds = fields.buffer(500).total_bounds
    else:
        from rasterio.warp import transform_bounds

        raster = soil.code_raster
        assert raster is not None
        bounds = transform_bounds(raster.rio.crs, table.crs, *raster.rio.bounds())
    with located(context.study.place("map"), "map"):
        grid = study_grid(bounds, table.crs, table.resolution_m)
    if len(fields) and not fields.intersects(grid.extent.geom).any():
        raise StudyError(
            f"None of the {len(fields)} fields lies on the soil map.",
            str(context.path(context.study.fields.path if context.study.fields else "")),
            "Check that fields and soils are of the same county, and the CRS of both.",
        )
    return grid


def read_climate_layer(context: Context, grid: GeoBox) -> ClimateInput:
    """Read the climate that covers the grid."""
    box = grid.extent.to_crs("EPSG:4326").boundingbox
    table = context.study.climate
    paths = [table.path] if isinstance(table.path, str) else table.path
    where = [context.path(p) for p in paths]
    return read_climate(
        where[0] if len(where) == 1 else where,
        kind=table.kind,
        area=(box.left, box.bottom, box.right, box.top),
        variables=table.variables or None,
        options=context.resolved(table.options, "stations"),
    )


def lay_soils(context: Context, soil: SoilTable, grid: GeoBox) -> tuple[SoilTable, np.ndarray, list[str]]:
    """Lay the soil map on the grid; return the soils without their raster, the codes and the map units by code."""
    with located(str(context.path(context.study.soils.path)), "soils"):
        codes, map_units = burn_map_units(soil, grid)
    without = replace(soil, code_raster=None, codes=None)
    gc.collect()  # a raster and its CRS accessor hold each other
    return without, codes, map_units


def read_slope(context: Context, grid: GeoBox, codes: np.ndarray) -> tuple[Slope | None, Problems]:
    """Read the height model, where the study names one, and measure the slope."""
    table = context.study.elevation
    if table is None:
        return None, ()
    height, problems = read_elevation(
        context.path(table.path), grid, unit=table.unit, band=table.band, needed=codes >= 0
    )
    ends = float(np.nanmin(height)), float(np.nanmax(height))
    return Slope(slope_percent(height, abs(grid.affine.a)), ends), tuple(problems)


def slope_by_map_unit(slope: Slope, codes: np.ndarray, map_units: list[str]) -> pd.Series:
    """Return the mean measured slope (%) of each map unit."""
    return pd.Series(site_means(slope.percent, codes, len(map_units)), index=map_units)


def on_measured_slope(soil: SoilTable, slope: pd.Series) -> SoilTable:
    """Return the soils with the measured mean slope of each map unit in place of the survey's, where it is known."""
    measured = soil.profiles["map_unit_id"].map(slope)
    kept = measured.fillna(soil.profiles["slope_percent"])
    return replace(soil, profiles=soil.profiles.assign(slope_percent=kept))
