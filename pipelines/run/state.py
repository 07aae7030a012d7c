"""What a run has worked out so far: the one value that the steps hand on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from odc.geo.geobox import GeoBox
from scipy.sparse import csr_matrix

from geo.errors import Problem
from geo.ground.response_units import ResponseUnits
from geo.rating.outcome import CellClimate
from geo.rating.zones import Zones
from geo.season import SeasonIndex
from geo.soils.table import SoilTable
from pipelines.read.climate.dispatch import ClimateInput
from pipelines.read.measurements.soundings import Measurements
from pipelines.run.measured import Measured
from pipelines.study.file import Study
from pipelines.study.tables import Tables

Report = Callable[[str, int, int], None]
"""Called as ``report(step, done, total)``."""


@dataclass
class Run:
    """What the steps have worked out so far; each step fills its own part and reads only earlier ones.

    A run that is one tile of a region is given three things beforehand: `map_unit_slope`, the mean slope of each map
    unit over the whole region, `threads`, its share of the machine, and `hashes`, the SHA-256 of layers by path.
    """

    study: Study
    folder: Path
    tables: Tables
    report: Report
    problems: list[Problem] = field(default_factory=list)
    fields: gpd.GeoDataFrame | None = None
    soil: SoilTable | None = None
    climate: ClimateInput | None = None
    grid: GeoBox | None = None
    map_codes: tuple[np.ndarray, list[str]] | None = None
    units: ResponseUnits | None = None
    cells: pd.DataFrame | None = None
    weather: xr.Dataset | None = None
    days: np.ndarray | None = None
    seasons: SeasonIndex | None = None
    slope: np.ndarray | None = None
    map_unit_slope: pd.Series | None = None
    elevation_range_m: tuple[float, float] | None = None
    soil_records: np.ndarray | None = None
    cell_climate: CellClimate | None = None
    yearly: xr.Dataset | None = None
    outcomes: xr.Dataset | None = None
    zones: Zones | None = None
    irrigated_zones: pd.DataFrame | None = None
    coverage: csr_matrix | None = None
    summary: gpd.GeoDataFrame | None = None
    measurements: Measurements | None = None
    measured: Measured | None = None
    threads: int | None = None
    hashes: dict[str, str] = field(default_factory=dict)
    closure_mm: float = 0.0
    unit_days: int = 0

    def path(self, relative: str) -> Path:
        """Return a path of the study file, relative to the file's folder."""
        return (self.folder / relative).resolve()

    def resolved(self, table: dict[str, Any], key: str) -> dict[str, Any] | None:
        """Return a table of the study file with the path under `key` made absolute; None when it is empty."""
        return ({**table, key: str(self.path(table[key]))} if key in table else table) or None


def need(value: Any) -> Any:
    """Return a result of an earlier step."""
    if value is None:
        raise RuntimeError("a step ran before the step that it needs")
    return value
