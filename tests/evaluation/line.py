"""The line from dry to wet on the invented county: where water stops limiting the winter-killed mix."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from geo.balance.parameters import BalanceSettings
from geo.balance.simulate import simulate
from geo.rating.rule import ZoneRules
from geo.season import Calendar, index_seasons
from geo.weather.generator import generate_daily
from pipelines.read.climate.dispatch import read_climate
from pipelines.study.house import sample_dir
from tests.evaluation.inputs import Bench
from tests.evaluation.trials import best_split

YEARS, SEED = 31, 20
RECORD_PRECIP_MM = tuple(range(320, 941, 40))
ET0_OF_PRECIP = ((350.0, 700.0), (1430.0, 1056.0))
"""Annual precipitation and reference ET at two ends of the invented line, mm."""


@dataclass(frozen=True)
class Line:
    """Result of the line.

    Attributes
    ----------
    table : DataFrame
        One row a cell and soil: ``soil``, ``precip_mm`` (annual), ``gap_mm`` (median planting gap), ``shortfall``
        (share of years), ``passes`` (both water tests).
    limits : dict
        Annual precipitation by soil above which the water tests pass; NaN when they pass or fail everywhere.
    """

    table: pd.DataFrame
    limits: dict[str, float]


def water_line(bench: Bench, settings: BalanceSettings) -> Line:
    """Run the winter-killed mix on every cell of the invented climate and every soil of the evaluation."""
    normals = read_climate(sample_dir() / "climate" / "normals.nc").normals
    assert normals is not None
    return _line(bench, settings, generate_daily(normals, YEARS, SEED))


def record_line(bench: Bench, settings: BalanceSettings) -> Line:
    """Run it on the real record with scaled rain; reference ET falls with rain as it does on the invented line."""
    cells = []
    for precip in RECORD_PRECIP_MM:
        cell = bench.weather.copy()
        cell["precip_mm"] = cell["precip_mm"] * precip / float(_yearly(bench.weather, "precip_mm")[0])
        cell["et0_mm"] = (
            cell["et0_mm"] * np.interp(precip, *ET0_OF_PRECIP) / float(_yearly(bench.weather, "et0_mm")[0])
        )
        cells.append(cell)
    return _line(bench, settings, xr.concat(cells, dim="cell", data_vars="all", coords="minimal", compat="override"))


def _yearly(weather: xr.Dataset, name: str) -> np.ndarray:
    return weather[name].sum("time").values / len(np.unique(weather["year"].values))


def _line(bench: Bench, settings: BalanceSettings, weather: xr.Dataset) -> Line:
    seasons = index_seasons(weather, Calendar())
    cells, names = weather.sizes["cell"], list(bench.soils)
    soils = np.array([bench.soils[n] for n in names] * cells)
    run = simulate(weather, seasons, soils, np.repeat(np.arange(cells), len(names)), settings, ladder_days=())
    water = run["paw_mm"].sel(check="planting").sum("layer", skipna=False)
    stubble, cover = (water.sel(option=o).values for o in ("stubble", "winter_killed"))
    rules = ZoneRules.from_table(bench.tables.rules)
    target = rules.target_share * soils["capacity_mm"].sum(axis=1)[:, None]
    gap = np.median(stubble - cover, axis=1)
    shortfall = ((stubble >= target) & (cover < target)).mean(axis=1)
    years = _yearly(weather, "precip_mm")
    table = pd.DataFrame(
        {
            "soil": names * cells,
            "precip_mm": np.repeat(years, len(names)),
            "gap_mm": gap,
            "shortfall": shortfall,
            "passes": (gap <= rules.planting_gap_max_mm) & (shortfall <= rules.shortfall_max),
        }
    )
    limits = {
        n: best_split(part["precip_mm"].to_numpy(), part["passes"].to_numpy())
        for n, part in ((n, table[table["soil"] == n]) for n in names)
    }
    return Line(table, limits)
