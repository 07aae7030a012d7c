"""Lay: from layers to response units, daily weather and the share of each field in each site."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from odc.geo.geobox import GeoBox
from scipy.sparse import csr_matrix

from geo.balance import killing_freeze, pack_days, pack_soils
from geo.errors import NothingHere, Problem
from geo.ground import ResponseUnits, build_units, cell_area_ha, nearest_cells, pixel_coverage, site_shares
from geo.rating import CellClimate, cell_climate, place_means
from geo.season import SeasonIndex, index_seasons
from geo.soils import SoilTable
from geo.weather import clean_daily, common_years, daily_et0, generate_daily, usable_years
from pipelines.read.climate.dispatch import ClimateInput
from pipelines.read.measurements.soundings import Measurements
from pipelines.run.climate_doubts import climate_doubts
from pipelines.run.context import Context
from pipelines.run.inputs import Inputs, Problems


@dataclass(frozen=True)
class Weather:
    """Daily weather of the climate cells, packed for the balance, and the seasons that it holds.

    Attributes
    ----------
    cells : DataFrame
        Climate cells with their mean annual ``precip_mm`` and ``et0_mm``.
    daily : Dataset
    days : record array (cell, time)
    seasons : SeasonIndex
    climate : CellClimate
    """

    cells: pd.DataFrame
    daily: xr.Dataset
    days: np.ndarray
    seasons: SeasonIndex
    climate: CellClimate


@dataclass(frozen=True)
class Ground:
    """What the balance is run on, and what its results are mapped back to.

    Attributes
    ----------
    fields : GeoDataFrame
    soil : SoilTable
    climate : ClimateInput
    grid : GeoBox
    units : ResponseUnits
    soil_records : record array (unit,)
    weather : Weather
    coverage : csr_matrix (field, site)
        Share of each field in each site.
    slope_percent : array (field,)
    elevation_range_m : tuple of float, optional
        Lowest and highest ground.
    measurements : Measurements, optional
    problems : tuple of Problem
        Everything that was found so far.
    """

    fields: gpd.GeoDataFrame
    soil: SoilTable
    climate: ClimateInput
    grid: GeoBox
    units: ResponseUnits
    soil_records: np.ndarray
    weather: Weather
    coverage: csr_matrix
    slope_percent: np.ndarray
    elevation_range_m: tuple[float, float] | None
    measurements: Measurements | None
    problems: Problems

    @property
    def unit_cell(self) -> np.ndarray:
        """Climate cell of each unit."""
        return self.units.units["cell"].to_numpy()

    @property
    def capacity_mm(self) -> np.ndarray:
        """Plant-available water capacity of each unit."""
        return np.asarray(self.soil_records["capacity_mm"].sum(axis=1))


def lay(context: Context, inputs: Inputs) -> Ground:
    """Find sites and response units, prepare the weather, and overlay the fields.

    Raises
    ------
    NothingHere
        No soil can be rated.
    """
    units = lay_units(inputs, inputs.climate.cells)
    context.report("units", 1, 1)
    weather, cells, problems = prepare_weather(context, inputs.climate)
    if len(cells) < len(inputs.climate.cells):
        # The pixels of cells without a usable record go to the nearest cell that has one.
        units = lay_units(inputs, cells)
    doubts = climate_doubts(context, inputs.climate, units.sites, inputs.grid, weather.cells, len(weather.seasons))
    context.report("weather", 1, 1)
    profiles = inputs.soil.profiles.loc[units.units["profile_id"]]
    pixels = pixel_coverage(inputs.fields, inputs.grid)
    coverage = site_shares(pixels, units.site_raster, len(units.sites))
    slope = place_means(coverage, _survey_slope(inputs.soil, units))
    if inputs.slope is not None:
        measured = place_means(pixels, inputs.slope.percent.ravel())
        slope = np.where(np.isnan(measured), slope, measured)
    return Ground(
        fields=inputs.fields,
        soil=inputs.soil,
        climate=inputs.climate,
        grid=inputs.grid,
        units=units,
        soil_records=pack_soils(profiles, context.tables.rew_mm, context.tables.curve_numbers),
        weather=weather,
        coverage=coverage,
        slope_percent=slope,
        elevation_range_m=None if inputs.slope is None else inputs.slope.elevation_range_m,
        measurements=inputs.measurements,
        problems=inputs.problems + problems + doubts,
    )


def lay_units(inputs: Inputs, cells: pd.DataFrame) -> ResponseUnits:
    """Find the sites of the grid and the units that they need.

    Raises
    ------
    NothingHere
        No soil can be rated.
    """
    grid = inputs.grid
    units = build_units(
        inputs.codes, inputs.map_units, nearest_cells(grid, cells), inputs.soil, pixel_area_ha=cell_area_ha(grid)
    )
    if units.units.empty:
        raise NothingHere(
            "No soil of the study area can be rated.", "soils", "See problems.csv for the reason of each map unit."
        )
    return units


def prepare_weather(context: Context, climate: ClimateInput) -> tuple[Weather, pd.DataFrame, Problems]:
    """Clean the record or generate daily weather, and find the seasons.

    Returns
    -------
    weather : Weather
    cells : DataFrame
        The climate cells that have a usable record, numbered from 0.
    problems : tuple of Problem
    """
    calendar, cells = context.study.calendar, climate.cells
    problems: list[Problem] = []
    if climate.daily is not None:
        daily, problems = clean_daily(climate.daily)
        daily = daily_et0(daily)
        keep, years, more = common_years(usable_years(daily, calendar))
        problems = [*problems, *more]
        if len(keep) < daily.sizes["cell"]:
            cells = cells.iloc[keep].reset_index(drop=True).rename_axis("cell")
            daily = daily.isel(cell=keep)
        seasons = index_seasons(daily, calendar, years)
    else:
        assert climate.normals is not None
        daily = generate_daily(climate.normals, context.study.study.years, context.study.study.seed)
        seasons = index_seasons(daily, calendar)
    model = context.tables.model
    days = pack_days(daily, model)
    summary = cell_climate(daily, seasons, killing_freeze(days, seasons, model.killing_freeze_c), model)
    described = cells.assign(precip_mm=summary.annual_precip_mm, et0_mm=summary.annual_et0_mm)
    return Weather(described, daily, days, seasons, summary), cells, tuple(problems)


def _survey_slope(soil: SoilTable, units: ResponseUnits) -> np.ndarray:
    """Return the mean slope of each site from the profiles of its map unit, percent."""
    profiles = soil.profiles
    weighted = profiles["slope_percent"] * profiles["share"]
    known = profiles["share"].where(profiles["slope_percent"].notna())
    mean = weighted.groupby(profiles["map_unit_id"]).sum() / known.groupby(profiles["map_unit_id"]).sum()
    return units.sites["map_unit_id"].map(mean).to_numpy(float)
