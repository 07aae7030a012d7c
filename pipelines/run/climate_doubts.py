"""Is the weather enough for what is asked of it? Few seasons, one cell for a whole county, or a cell far away."""

from __future__ import annotations

import numpy as np
import pandas as pd
from odc.geo.geobox import GeoBox
from pyproj import Geod

from geo.errors import WHOLE_STUDY, Problem
from pipelines.read.climate.dispatch import ClimateInput
from pipelines.run.context import Context
from pipelines.study.units import Units, convert
from pipelines.study.words import load_catalogue

# Below this, one year moves a share of years by more than 5 % (common practice, no source).
FEW_SEASONS = 20
# A climate farther away than this says little of a field (common practice, no source).
FAR_KM = 40.0
# Summer storms are some 10 km wide: beyond a circle of 25 km across one gauge does not represent the ground
# (common practice, no source).
LONE_CELL_HA = 50_000.0


def climate_doubts(
    context: Context, climate: ClimateInput, sites: pd.DataFrame, grid: GeoBox, cells: pd.DataFrame, seasons: int
) -> tuple[Problem, ...]:
    """Return warnings about the weather of a run.

    Parameters
    ----------
    context : Context
    climate : ClimateInput
    sites : DataFrame
        ``cell`` and ``area_ha``.
    grid : GeoBox
    cells : DataFrame
        Climate cells that are used.
    seasons : int
        Number of seasons.
    """
    words, found = load_catalogue(), []
    units = Units(context.study.study.units, words)

    def doubt(key: str, fix: str, **values: object) -> None:
        what, todo = words.t(f"doubt.{key}", **values), words.t(f"doubt.{fix}")
        found.append(Problem("climate", WHOLE_STUDY, what, "warning", todo))

    if seasons < FEW_SEASONS:
        fix = "few_seasons_fix_years" if climate.daily is None else "few_seasons_fix"
        doubt("few_seasons", fix, count=seasons, percent=units.percent(1 / max(seasons, 1)))
    area = float(sites["area_ha"].sum())
    if sites["cell"].nunique() == 1 and area > LONE_CELL_HA:
        doubt("one_cell", "one_cell_fix", area=units.area(area))
    far, where = farthest_km(grid, cells)
    if far > FAR_KM:
        distance = f"{convert(far, 'kilometer', 'mile'):.0f} mi" if units.us else f"{far:.0f} km"
        doubt("far_cell", "far_cell_fix", place=where, distance=distance)
    return tuple(found)


def farthest_km(grid: GeoBox, cells: pd.DataFrame) -> tuple[float, str]:
    """Return the largest distance from a corner or the middle of an edge of the study to its nearest cell."""
    box = grid.extent.to_crs("EPSG:4326").boundingbox
    places = [(x, y) for x in np.linspace(box.left, box.right, 3) for y in np.linspace(box.bottom, box.top, 3)]
    geod = Geod(ellps="GRS80")
    longitude, latitude = cells["longitude"].to_numpy(float), cells["latitude"].to_numpy(float)
    far, where = 0.0, ""
    for x, y in places:
        _, _, metres = geod.inv(np.full(len(cells), x), np.full(len(cells), y), longitude, latitude)
        nearest = float(np.min(metres)) / 1000
        if nearest >= far:
            far, where = nearest, f"{x:.2f}, {y:.2f}"
    return far, where
