"""Small soils, days and records for tests of the water balance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from geo.balance.kernel import cover as balance_cover
from geo.balance.kernel import day as balance_day
from geo.balance.kernel import lanes
from geo.balance.kernel.records import DAY, SOIL, STATE
from geo.balance.parameters import BalanceSettings, Mix, pack_soils
from geo.balance.simulate import simulate
from geo.season import Calendar, SeasonIndex, index_seasons
from pipelines.study.tables import Tables, load_tables

INCH_PER_FOOT_MM = 25.4
CALENDAR = Calendar(planting=(5, 1))

# Wilting point, field capacity and saturation of the class centre: Saxton and Rawls 2006, table 3
TEXTURES = {
    "sand": (0.05, 0.10, 0.46, "A"),
    "loamy sand": (0.05, 0.12, 0.46, "A"),
    "sandy loam": (0.08, 0.18, 0.45, "A"),
    "loam": (0.14, 0.28, 0.46, "B"),
    "silt loam": (0.11, 0.31, 0.48, "B"),
    "clay loam": (0.22, 0.36, 0.48, "C"),
    "clay": (0.30, 0.42, 0.50, "D"),
}


@lru_cache
def tables() -> Tables:
    """Return the shared tables."""
    return load_tables()


@lru_cache
def settings() -> BalanceSettings:
    """Return the shared settings; do not change in place (use ``.changed``)."""
    return tables().settings()


def profile(texture: str = "silt loam", inches_per_foot: float | None = None, feet: float = 4.0) -> dict[str, Any]:
    """Return one profile row of uniform texture; capacity from the texture unless given."""
    wilting, field, saturated, group = TEXTURES[texture]
    foot = (field - wilting) * 304.8 if inches_per_foot is None else inches_per_foot * INCH_PER_FOOT_MM
    share = np.clip(feet - np.arange(4), 0.0, 1.0)
    return {
        **{f"awc_{k + 1}_mm": foot * share[k] for k in range(4)},
        "wp_surface": wilting, "fc_surface": field, "sat_surface": saturated, "root_limit_mm": 304.8 * feet,
        "surface_texture": texture, "hydrologic_group": group,
    }  # fmt: skip


def soils_of(*profiles: dict[str, Any]) -> np.ndarray:
    """Pack profile rows."""
    return pack_soils(pd.DataFrame(list(profiles)), tables().rew_mm, tables().curve_numbers)


def soil_record(**values: Any) -> np.ndarray:
    """Return one SOIL record by its own field names (array of length 1); 40 mm a foot unless given."""
    soil = np.zeros(1, SOIL)
    soil["capacity_mm"] = [13.0, 27.0, 40.0, 40.0, 40.0]
    soil["dry_mm"], soil["rew_mm"] = 5.5, 9.0
    soil["foot_wilting_mm"], soil["foot_saturated_mm"] = 33.5, 146.0
    soil["cn_fallow"], soil["cn_cover"], soil["root_limit_mm"] = 83.0, 72.0, 1219.2
    for name, value in values.items():
        soil[name] = value
    return soil


def state_record(soil: np.ndarray, share: float = 1.0, **values: Any) -> np.ndarray:
    """Return one STATE record at a share of capacity, bare and without residue (array of length 1)."""
    state = np.zeros(1, STATE)
    state["water_mm"] = share * soil["capacity_mm"]
    for name, value in values.items():
        state[name] = value
    return state


def day_record(**values: float) -> np.ndarray:
    """Return one mild dry DAY record (array of length 1)."""
    day = np.zeros(1, DAY)
    day["tmean_c"], day["tmin_c"], day["et0_mm"], day["vpd_kpa"] = 20.0, 12.0, 6.0, 1.5
    for name, value in values.items():
        day[name] = value
    return day


def pack_lanes(state: np.ndarray, soil: np.ndarray) -> np.ndarray:
    """Return a block with every lane at one STATE record on one SOIL record (arrays of length 1)."""
    block = np.zeros(lanes.SIZE)
    start = np.concatenate([state.view(np.float64), soil.view(np.float64)])
    block.reshape(-1, lanes.LANES)[: len(start)] = start[:, None]
    return block


def on_a_lane(state: np.ndarray, soil: np.ndarray, run: Callable[[np.ndarray], None]) -> np.ndarray:
    """Let `run` work on a block whose lanes all hold this state and soil; the state takes what came of it."""
    block = pack_lanes(state, soil)
    run(block)
    rows = block[: lanes.STATE_END].reshape(-1, lanes.LANES)
    assert (rows == rows[:, :1]).all(), "lanes that start alike stay alike"
    state.view(np.float64)[:] = rows[:, 0]
    return block


def _want(block: np.ndarray, kcb: float, root_mm: float, depletion: float, warmth: float) -> None:
    for row, value in ((lanes.KCB, kcb), (lanes.ROOT, root_mm), (lanes.DEPLETION, depletion), (lanes.WARMTH, warmth)):
        lanes.fill(block, row, value)


def water_day(
    state: np.ndarray, soil: np.ndarray, day: np.ndarray, p: np.ndarray, kcb: float = 0.0, root: float = 0.0,
    depletion: float = 0.5, warmth: float = 1.0,
) -> tuple[float, float]:  # fmt: skip
    """Run the water of one day; returns what was transpired and the stress coefficient. All arrays of length 1."""

    def run(block: np.ndarray) -> None:
        _want(block, kcb, root, depletion, warmth)
        balance_day.water_day(block, day[0], p[0], balance_day.PLANTED)

    block = on_a_lane(state, soil, run)
    return block[lanes.TAKEN], block[lanes.STRESS]


def take_up(
    state: np.ndarray, soil: np.ndarray, demand_mm: float, root_mm: float, depletion: float
) -> tuple[float, float]:
    """Transpire once; returns the depth taken and the stress coefficient."""

    def run(block: np.ndarray) -> None:
        _want(block, 1.0, root_mm, depletion, 1.0)
        balance_day.take_up(block, demand_mm)

    block = on_a_lane(state, soil, run)
    return block[lanes.TAKEN], block[lanes.STRESS]


def decay_day(state: np.ndarray, soil: np.ndarray, day: np.ndarray, p: np.ndarray) -> None:
    """Let residue rot for a day."""
    on_a_lane(state, soil, lambda block: balance_day.decay_day(block, day[0], p[0]))


def cover_day(
    state: np.ndarray, soil: np.ndarray, day: np.ndarray, groups: np.ndarray, p: np.ndarray, density: float,
    bonus: float, since: int,
) -> None:  # fmt: skip
    """Run a cover for a day."""
    mix = lanes.pad_mix(groups)
    on_a_lane(
        state, soil, lambda block: balance_cover.cover_day(block, day[0], mix, p[0], density, bonus, np.int64(since))
    )


def open_stand(state: np.ndarray, groups: np.ndarray) -> None:
    """Seed a cover."""
    on_a_lane(state, soil_record(), lambda block: balance_cover.open_stand(block, lanes.pad_mix(groups)))


def end_cover(state: np.ndarray, groups: np.ndarray) -> None:
    """Terminate a cover."""
    on_a_lane(state, soil_record(), lambda block: balance_cover.end_cover(block, lanes.pad_mix(groups)))


def weeds_on(base: BalanceSettings) -> BalanceSettings:
    """Return the settings with stubble that is left unsprayed."""
    return replace(base, stubble_weeds=replace(tables(), weeds=True).settings().stubble_weeds)


PINNED = {
    "kc_max": 1.2, "surface_drain_share": 0.35, "residue_evaporation_cut": 0.6, "standing_stubble_cut": 0.15,
    "stubble_straw_kg_ha": 4000.0, "straw_area_m2_kg": 5.228, "straw_decay_per_day": 0.0133, "stubble_height_m": 0.25,
    "snow_drift_share": 0.40, "snow_catch_share": 0.22, "snow_sublimation": 0.1, "melt_mm_per_c": 3.0,
    "frozen_infiltration": 1.2, "frozen_evaporation_share": 0.2, "run_in_water_share": 0.6, "run_in_kcb": 1.1,
    "run_in_root_mm": 1219.2, "run_in_depletion_p": 0.55, "seedbed_wetness": 0.05, "emergence_limit_days": 60.0,
    "canopy_multiplier": 1.5, "growth_span_c": 5.0, "vpd_floor_kpa": 1.0, "hardening_below_c": 10.0,
    "snow_depth_cm_per_mm": 0.8, "cover_height_m_per_t_ha": 0.1, "full_shelter_m": 0.4, "frozen_pore_exponent": 1.64,
    "frozen_pack_mm": 50.0, "frozen_pack_exponent": -0.47, "frozen_least_pack_mm": 5.0, "run_in_kcb_start": 0.15,
    "run_in_initial_days": 20.0, "run_in_development_days": 25.0, "run_in_mid_days": 60.0, "run_in_cover": 0.95,
    "run_in_ripening_loss": 0.02, "run_in_least_cover": 0.3, "run_in_straw_share": 0.5, "run_in_root_start_mm": 150.0,
    "run_in_root_lead_days": 10.0, "dehardening_span_c": 5.0, "dehardening_speed": 2.0,
}  # fmt: skip


def pinned_settings(**changes: float) -> BalanceSettings:
    """Return settings with every scalar at a value of the tests' own, so that tuning the tables moves no test."""
    return settings().changed(**{**PINNED, **changes})


def quiet_settings(**changes: float) -> BalanceSettings:
    """Return settings that reduce the balance to its textbook equations: no drain, no residue or stubble effect."""
    quiet = {"surface_drain_share": 0.0, "residue_evaporation_cut": 0.0, "standing_stubble_cut": 0.0}
    return pinned_settings(**{**quiet, **changes})


def without_cover(base: BalanceSettings) -> BalanceSettings:
    """Return settings under which no cover ever emerges."""

    def never(mix: Mix) -> Mix:
        groups = mix.groups.copy()
        groups["emergence_gdd"] = 1e9
        return Mix(groups, mix.density, mix.water_bonus)

    weeds = None if base.stubble_weeds is None else never(base.stubble_weeds)
    return BalanceSettings(base.parameters, never(base.winter_killed), never(base.overwinter), weeds)


def weather_of(table: pd.DataFrame) -> xr.Dataset:
    """Return daily weather of one cell from columns year, month, day, tmin, tmax, precip, et0."""
    columns = {"precip_mm": "precip", "tmin_c": "tmin", "tmax_c": "tmax", "et0_mm": "et0"}
    return xr.Dataset(
        {name: (("cell", "time"), table[c].to_numpy(float)[None]) for name, c in columns.items()},
        coords={name: ("time", table[name].to_numpy(int)) for name in ("year", "month", "day")},
    )


@lru_cache
def champion_table() -> pd.DataFrame:
    """Return the daily record of Champion, Nebraska, 1982 to 2018, that the package `aquacrop` ships (MIT)."""
    pytest.importorskip("importlib.metadata")
    try:
        path = files("aquacrop") / "data" / "champion_climate.txt"
    except ModuleNotFoundError:
        pytest.skip("the test package aquacrop, which carries the daily record, is not installed")
    with path.open() as text:
        table = pd.read_csv(text, sep=r"\s+")
    table.columns = ["day", "month", "year", "tmin", "tmax", "precip", "et0"]
    return table


def champion_weather(years: tuple[int, int] = (1982, 2018), rain_factor: float = 1.0) -> xr.Dataset:
    """Return the Champion record of some years, rain scaled."""
    table = champion_table()
    kept = table[table["year"].between(*years)]
    return weather_of(kept.assign(precip=kept["precip"] * rain_factor))


def invented_weather(seed: int, years: int = 2, *, rain: float = 1.0, warmth: float = 0.0) -> xr.Dataset:
    """Return rough random weather: a cosine year, random wet days with heavy tails, cold snaps, dry heat."""
    rng = np.random.default_rng(seed)
    dates = pd.date_range("2001-01-01", periods=365 * years + 1, freq="D")
    n = len(dates)
    season = -np.cos(2 * np.pi * (dates.day_of_year.to_numpy() - 20) / 365.25)
    mean = 10.0 + warmth + 14.0 * season + rng.normal(0, 5.0, n)
    half = rng.uniform(2.0, 9.0, n)
    wet = rng.random(n) < 0.22 + 0.08 * season
    precip = np.where(wet, rng.gamma(0.6, 12.0, n), 0.0) * rain
    et0 = np.clip(3.6 + 3.2 * season + rng.normal(0, 1.2, n), 0.1, None)
    return weather_of(
        pd.DataFrame(
            {"year": dates.year, "month": dates.month, "day": dates.day, "tmin": mean - half, "tmax": mean + half,
             "precip": precip, "et0": et0}
        )
    )  # fmt: skip


def run(
    weather: xr.Dataset,
    soils: np.ndarray,
    used: BalanceSettings | None = None,
    calendar: Calendar = CALENDAR,
    ladder_days: tuple[int, ...] = (-28, 0),
    harvest_water_mm: np.ndarray | None = None,
) -> xr.Dataset:
    """Simulate every soil under the first cell."""
    seasons = index_seasons(weather, calendar)
    cells = np.zeros(len(soils), int)
    return simulate(
        weather, seasons, soils, cells, used or settings(), ladder_days, harvest_water_mm=harvest_water_mm
    )


def seasons_of(weather: xr.Dataset, calendar: Calendar = CALENDAR) -> SeasonIndex:
    """Return the seasons of a record."""
    return index_seasons(weather, calendar)


def total(paw: xr.DataArray) -> xr.DataArray:
    """Return water of the four feet."""
    return paw.sum("layer", skipna=False)
