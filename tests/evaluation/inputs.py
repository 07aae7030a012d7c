"""What the evaluation runs on: the real daily record, and the soils and places of its own table."""

from __future__ import annotations

import importlib.util
import os
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from geo.balance.parameters import BalanceSettings, Mix, pack_mix, pack_soils
from geo.errors import StudyError
from pipelines.study.tables import Tables, load_tables
from tests.evaluation.climate import moved_record
from tests.evaluation.trials import Place

HERE = Path(__file__).parent
"""Where the soils, places, figures and yield slopes of the evaluation are."""
RECORD = "champion_climate.txt"
RECORD_LATITUDE = 40.4
MM_PER_IN = 25.4


@dataclass(frozen=True)
class Bench:
    """Everything that the trials need.

    Attributes
    ----------
    tables : Tables
    settings : BalanceSettings
    soils : dict of one `SOIL` record each
    weather : Dataset
        The record as it is, dims (cell, time).
    moved : dict of Dataset
        The record moved to each place.
    places : dict of Place
        The same, packed.
    mixes : dict of Mix
        Mixes of the evaluation, and one pure stand of every cover group under the group's own name.
    labels : dict
        Words for soils, places and mixes.
    """

    tables: Tables
    settings: BalanceSettings
    soils: dict[str, np.ndarray]
    weather: xr.Dataset
    moved: dict[str, xr.Dataset]
    places: dict[str, Place]
    mixes: dict[str, Mix]
    labels: dict[str, str]


def record_path() -> Path:
    """Return the path of the real daily record, which ships as data of a general crop library (MIT).

    Raises
    ------
    StudyError
        The library is not installed.
    """
    found = importlib.util.find_spec("aquacrop")
    folders = list(found.submodule_search_locations or []) if found else []
    paths = [Path(f) / "data" / RECORD for f in folders]
    if os.environ.get("SPRINGFILL_OPEN_DATA"):
        paths.append(Path(os.environ["SPRINGFILL_OPEN_DATA"]) / "climate" / RECORD)
    for path in paths:
        if path.is_file():
            return path
    raise StudyError(
        "The daily record that the evaluation runs on is not installed.",
        RECORD,
        "Run: python -m pip install '.[test]'",
    )


def read_record(path: Path) -> xr.Dataset:
    """Read the record (day, month, year, Tmin, Tmax, precipitation, ET0) as daily weather with one cell."""
    table = pd.read_csv(path, sep=r"\s+")
    table.columns = pd.Index(["day", "month", "year", "tmin_c", "tmax_c", "precip_mm", "et0_mm"])
    names = ("precip_mm", "tmin_c", "tmax_c", "et0_mm")
    return xr.Dataset(
        {name: (("cell", "time"), table[name].to_numpy(float)[None]) for name in names},
        coords={name: ("time", table[name].to_numpy()) for name in ("year", "month", "day")},
    )


def monthly_means(weather: xr.Dataset) -> np.ndarray:
    """Return mean precipitation of each month, mm, shape (12,)."""
    month, years = weather["month"].values, len(np.unique(weather["year"].values))
    return np.array([weather["precip_mm"].values[0][month == m].sum() / years for m in range(1, 13)])


def _soil(row: dict[str, Any], tables: Tables) -> np.ndarray:
    foot = row["capacity_in_ft"] * MM_PER_IN
    profile = {f"awc_{k}_mm": foot for k in range(1, 5)} | {"root_limit_mm": 4 * 304.8}
    profile |= {k: row[k] for k in ("wp_surface", "fc_surface", "sat_surface", "hydrologic_group", "surface_texture")}
    return pack_soils(pd.DataFrame([profile]), tables.rew_mm, tables.curve_numbers)[0]


def load_bench() -> Bench:
    """Read the record and the tables, and pack them."""
    tables = load_tables()
    trials = tomllib.loads((HERE / "trials.toml").read_text(encoding="utf-8"))
    weather = read_record(record_path())
    means = monthly_means(weather)
    places: dict[str, xr.Dataset] = {}
    for name, row in trials["places"].items():
        moved = weather
        if "precip_mm" in row:
            moved = moved_record(
                weather,
                precip_factor=np.array(row["precip_mm"], float) / means,
                january_c=row["january_c"],
                july_c=row["july_c"],
                latitude=(RECORD_LATITUDE, row["latitude"]),
            )
        places[name] = moved
    groups = sorted(tables.traits["group"].unique())
    mixes = {name: pack_mix(name, row, tables.traits) for name, row in trials["mixes"].items()}
    mixes |= {g: pack_mix(g, {"groups": {g: 1.0}}, tables.traits) for g in groups}
    labels = {n: r["label"] for part in ("soils", "places", "mixes") for n, r in trials[part].items()}
    soils = {name: _soil(row, tables) for name, row in trials["soils"].items()}
    packed = {name: Place.of(moved) for name, moved in places.items()}
    return Bench(tables, tables.settings(), soils, weather, places, packed, mixes, labels)
