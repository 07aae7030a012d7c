"""The run as a flat list of named steps; this file is the picture of the data flow.

layers -> grid -> slope -> units -> weather -> balance -> outcomes -> zones -> agreement -> fields -> result
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geo.balance.parameters import pack_soils
from geo.balance.simulate import killing_freeze, pack_days
from geo.errors import NothingHere, StudyError
from geo.ground.boundaries import clean_fields
from geo.ground.grid import burn_map_units, cell_area_ha, nearest_cells, study_grid
from geo.ground.response_units import build_units
from geo.ground.terrain import site_means, slope_percent
from geo.rating.fields import field_means, pixel_coverage, site_shares, summarise_fields
from geo.rating.outcome import cell_climate
from geo.season import index_seasons
from geo.soils.table import SoilTable
from geo.weather.daily import clean_daily, common_years, usable_years
from geo.weather.generator import generate_daily
from geo.weather.reference_et import daily_et0
from pipelines.read.climate.dispatch import read_climate
from pipelines.read.elevation import read_elevation
from pipelines.read.fields.boundaries import read_fields
from pipelines.read.located import located
from pipelines.read.soils.dispatch import detect_kind, read_soils
from pipelines.run.climate_doubts import climate_doubts
from pipelines.run.measured_steps import compare, measurements
from pipelines.run.model_steps import balance, parameter_sets, zones
from pipelines.run.state import Run, need
from pipelines.study.field_tables import seeding_rate_factor
from pipelines.study.tables import zone_rules

MARGIN_DEG = 0.02


def bounds_deg(run: Run) -> tuple[float, float, float, float] | None:
    """Return the [map] bounds in degrees; None without them."""
    if run.study.map.bounds is not None:
        from rasterio.warp import transform_bounds

        return tuple(transform_bounds(run.study.map.crs, "EPSG:4326", *run.study.map.bounds))  # type: ignore[return-value]
    return None


def layers(run: Run) -> None:
    """Read fields and soils."""
    field_layer(run)
    table = run.study.fields
    if table is not None and need(run.fields).empty:
        raise StudyError(
            "None of the fields can be used.", str(run.path(table.path)), "Run `springfill check` for the list."
        )
    soil_layer(run)


def field_layer(run: Run, *, part: bool = False) -> None:
    """Read the fields and clean them; with `part`, the study is a part of a region and may have none."""
    area = bounds_deg(run)
    table = run.study.fields
    if table is None:
        return
    raw, problems = read_fields(
        run.path(table.path), layer=table.layer, columns=table.columns or None, crs=table.crs, area=area, part=part
    )
    if len(raw) or not part:  # of no rows there is nothing to say
        run.problems += problems
    with located(str(run.path(table.path)), "fields"):
        run.fields, problems = clean_fields(raw, run.study.map.crs, study_area=None if part else area)
    run.problems += problems


def soil_layer(run: Run) -> None:
    """Read the soils of the study area."""
    area = bounds_deg(run)
    soils = run.study.soils
    kind: Any = soils.kind
    place = run.path(soils.path)
    if kind == "auto" and place.exists():
        kind = detect_kind(place, soils.variables)
    if area is None and run.fields is not None and kind != "survey_export":
        west, south, east, north = run.fields.to_crs("EPSG:4326").total_bounds
        area = (west - MARGIN_DEG, south - MARGIN_DEG, east + MARGIN_DEG, north + MARGIN_DEG)
    run.report("layers", 1, 3)
    run.soil, problems = read_soils(
        place,
        kind=kind,
        area=None if area is None else (*area, "EPSG:4326"),
        crs=soils.crs,
        variables=run.resolved(soils.variables, "tables"),
    )
    run.problems += problems
    run.report("layers", 2, 3)


def grid(run: Run) -> None:
    """Lay the study grid, and read the climate that covers it."""
    soil = need(run.soil)
    crs = run.study.map.crs
    if run.study.map.bounds is not None:
        bounds: Sequence[float] = run.study.map.bounds
    elif soil.polygons is not None:
        bounds = soil.polygons.to_crs(crs).total_bounds
    elif run.fields is not None:
        bounds = run.fields.buffer(500).total_bounds
    else:
        from rasterio.warp import transform_bounds

        raster = soil.code_raster
        assert raster is not None
        bounds = transform_bounds(raster.rio.crs, crs, *raster.rio.bounds())
    run.grid = study_grid(bounds, crs, run.study.map.resolution_m)
    if run.fields is not None and not run.fields.intersects(run.grid.extent.geom).any():
        raise StudyError(
            f"None of the {len(run.fields)} fields lies on the soil map.",
            str(run.path(run.study.fields.path if run.study.fields else "")),
            "Check that fields and soils are of the same county, and the CRS of both.",
        )
    box = run.grid.extent.to_crs("EPSG:4326").boundingbox
    table = run.study.climate
    paths = [table.path] if isinstance(table.path, str) else table.path
    where = [run.path(p) for p in paths]
    run.climate = read_climate(
        where[0] if len(where) == 1 else where,
        kind=table.kind,
        area=(box.left, box.bottom, box.right, box.top),
        variables=table.variables or None,
        options=run.resolved(table.options, "stations"),
    )
    run.problems += run.climate.problems
    run.report("grid", 1, 1)


def slope(run: Run) -> None:
    """Read the height model, and put the measured slope of each map unit in place of the survey's."""
    table = run.study.elevation
    if table is not None:
        study = need(run.grid)
        codes, map_units = map_codes(run)
        soil = need(run.soil)
        height, problems = read_elevation(
            run.path(table.path), study, unit=table.unit, band=table.band, needed=codes >= 0
        )
        run.problems += problems
        run.elevation_range_m = (float(np.nanmin(height)), float(np.nanmax(height)))
        run.slope = slope_percent(height, abs(study.affine.a))
        measured = pd.Series(site_means(run.slope, codes, len(map_units)), index=map_units)
        run.soil = _on_measured_slope(soil, measured if run.map_unit_slope is None else run.map_unit_slope)
    run.report("slope", 1, 1)


def units(run: Run) -> None:
    """Find the sites and the response units that they need."""
    _lay_units(run, need(run.climate).cells)
    if need(run.units).units.empty:
        raise NothingHere(
            "No soil of the study area can be rated.", "soils", "See problems.csv for the reason of each map unit."
        )
    run.report("units", 1, 1)


def map_codes(run: Run) -> tuple[np.ndarray, list[str]]:
    """Lay the soil map on the grid, once, and let a raster of finer cells go."""
    if run.map_codes is None:
        run.map_codes = burn_map_units(need(run.soil), need(run.grid))
        run.soil = replace(need(run.soil), code_raster=None, codes=None)
        gc.collect()  # a raster and its CRS accessor hold each other
    return run.map_codes


def _lay_units(run: Run, cells: pd.DataFrame) -> None:
    """Lay soils and climate cells on the grid, and pack the soils that are simulated."""
    codes, map_units = map_codes(run)
    soil, study = need(run.soil), need(run.grid)
    run.units = build_units(codes, map_units, nearest_cells(study, cells), soil, pixel_area_ha=cell_area_ha(study))
    run.cells = cells
    run.soil_records = pack_soils(
        soil.profiles.loc[run.units.units["profile_id"]], run.tables.rew_mm, run.tables.curve_numbers
    )


def weather(run: Run) -> None:
    """Make or clean the daily weather, and find the seasons."""
    climate = need(run.climate)
    calendar = run.study.calendar
    if climate.daily is not None:
        daily, problems = clean_daily(climate.daily)
        run.problems += problems
        daily = daily_et0(daily)
        keep, years, problems = common_years(usable_years(daily, calendar))
        run.problems += problems
        if len(keep) < daily.sizes["cell"]:
            # The pixels of cells without a usable record go to the nearest cell that has one.
            _lay_units(run, climate.cells.iloc[keep].reset_index(drop=True).rename_axis("cell"))
            daily = daily.isel(cell=keep)
        run.seasons = index_seasons(daily, calendar, years)
        run.weather = daily
    else:
        assert climate.normals is not None
        run.weather = generate_daily(climate.normals, run.study.study.years, run.study.study.seed)
        run.seasons = index_seasons(run.weather, calendar)
    model = run.tables.model
    run.map_codes = None  # the sites stand
    run.days = pack_days(run.weather, model)
    freezes = killing_freeze(run.days, run.seasons, model.killing_freeze_c)
    run.cell_climate = cell_climate(run.weather, run.seasons, freezes, model)
    cells = need(run.cells).copy()
    cells["precip_mm"] = run.cell_climate.annual_precip_mm
    cells["et0_mm"] = run.cell_climate.annual_et0_mm
    run.cells = cells
    run.problems += climate_doubts(run)
    run.report("weather", 1, 1)


def fields(run: Run) -> None:
    """Summarise the fields by their exact share of every site."""
    units_, study = need(run.units), need(run.grid)
    if run.fields is None:  # the map of the ground alone: every later stage takes zero rows with all their columns
        run.fields, _ = clean_fields(
            gpd.GeoDataFrame({"field_id": []}, geometry=[], crs=study.crs), run.study.map.crs
        )
    pixels = pixel_coverage(run.fields, study)
    run.coverage = site_shares(pixels, units_.site_raster)
    outcomes = need(run.outcomes)
    values = pd.DataFrame({"slope_percent": _soil_slope(run)}, index=units_.sites.index)
    values["seeding_rate_factor"] = [seeding_rate_factor(float(p)) for p in outcomes["precip_mm"].values]
    run.summary = summarise_fields(
        run.fields,
        run.coverage,
        outcomes,
        need(run.zones).table,
        units_.sites,
        irrigated_zones=run.irrigated_zones,
        site_values=values,
        rules=zone_rules(run.tables, run.study)[0],
        model=run.tables.model,
        field_values={} if run.slope is None else {"slope_percent": field_means(pixels, run.slope.ravel())},
    )
    run.slope = None
    run.report("fields", 1, 1)


def _soil_slope(run: Run) -> np.ndarray:
    """Return the mean slope of each site from the soil survey, percent."""
    sites, profiles = need(run.units).sites, need(run.soil).profiles
    weighted = profiles["slope_percent"] * profiles["share"]
    known = profiles["share"].where(profiles["slope_percent"].notna())
    mean = weighted.groupby(profiles["map_unit_id"]).sum() / known.groupby(profiles["map_unit_id"]).sum()
    return sites["map_unit_id"].map(mean).to_numpy(float)


def _on_measured_slope(soil: SoilTable, slope: pd.Series) -> SoilTable:
    """Return the soils with the measured mean slope of each map unit in place of the survey's, where it is known."""
    measured = soil.profiles["map_unit_id"].map(slope)
    kept = measured.fillna(soil.profiles["slope_percent"])
    return replace(soil, profiles=soil.profiles.assign(slope_percent=kept))


STEPS: tuple[Callable[[Run], None], ...] = (
    layers,
    measurements,
    grid,
    slope,
    units,
    weather,
    balance,
    zones,
    parameter_sets,
    fields,
    compare,
)
