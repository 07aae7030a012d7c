"""The water balance of every response unit, option and season: arrays in, one labelled Dataset out.

The compiled kernel is loaded by the functions that run it, since Numba takes half a second to load.
"""

from __future__ import annotations

import itertools
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import xarray as xr

from geo.balance.kernel.records import DAY, EVENTS, FLUXES
from geo.balance.parameters import BalanceSettings
from geo.errors import StudyError
from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.options import OPTIONS
from geo.season import CHECKS, LADDER_DAYS, SeasonIndex
from geo.weather import growing_deficit

WHEN = ("freeze", "first_april", "end")


def snow_share(tmean_c: np.ndarray, rules: ModelRules = DEFAULT_RULES) -> np.ndarray:
    """Return the share of precipitation that falls as snow: from all to none in a straight line (0 to 2 degC).

    Parameters
    ----------
    tmean_c : float array
        Mean air temperature, degC.
    rules : ModelRules
        The two temperatures and their source (``shared/model_rules.toml``).

    Returns
    -------
    float array
        0 to 1, shape of `tmean_c`.
    """
    span = rules.snow_none_above_c - rules.snow_all_below_c
    return np.clip((rules.snow_none_above_c - tmean_c) / span, 0.0, 1.0)


def decay_heat(tmean_c: np.ndarray, rules: ModelRules = DEFAULT_RULES) -> np.ndarray:
    """Return the temperature coefficient of residue decay (form of Stroo et al. 1989).

    Parameters
    ----------
    tmean_c : float array
        Mean air temperature, degC.
    rules : ModelRules
        Its optimum.

    Returns
    -------
    float array
        0 (at 0 degC and below) to 1 (at the optimum and above), shape of `tmean_c`.
    """
    best = rules.decay_optimum_c**2
    t2 = np.clip(tmean_c, 0.0, rules.decay_optimum_c) ** 2
    return t2 * (2.0 * best - t2) / best**2


def frozen_ground(tmean_c: np.ndarray, rules: ModelRules = DEFAULT_RULES) -> np.ndarray:
    """Return True while the memory of air temperature (ten days) is below -0.5 degC; shape (cell, time).

    Gaps between the seasons that are used are interpolated: one missing day would make all later values missing.
    """
    from scipy.signal import lfilter

    if np.isnan(tmean_c).any():
        tmean_c = pd.DataFrame(tmean_c.T).interpolate(limit_direction="both").to_numpy().T
    keep = np.exp(-1.0 / rules.ground_memory_days)
    start = keep * tmean_c[:, :1]
    memory, _ = lfilter([1.0 - keep], [1.0, -keep], tmean_c, axis=1, zi=start)
    return memory < rules.frozen_below_c


def pack_days(weather: xr.Dataset, rules: ModelRules = DEFAULT_RULES) -> np.ndarray:
    """Pack daily weather, and what follows from weather alone, into records.

    Parameters
    ----------
    weather : Dataset
        Dims (cell, time): ``precip_mm``, ``tmin_c``, ``tmax_c``, ``et0_mm``; optional ``vapour_pressure_kpa``.
    rules : ModelRules
        Thresholds of snow, decay, frozen ground and air humidity.

    Returns
    -------
    structured array of `DAY`, shape (cell, time)
        Depths in mm, temperatures in degC, the vapour pressure deficit of the daytime in kPa.
    """
    tmin = weather["tmin_c"].values.astype(float)
    tmax = weather["tmax_c"].values.astype(float)
    tmean = 0.5 * (tmin + tmax)
    precip = np.maximum(weather["precip_mm"].values.astype(float), 0.0)
    days = np.zeros(tmin.shape, DAY)
    snow = snow_share(tmean, rules)
    days["snow_mm"] = precip * snow
    days["rain_mm"] = precip - days["snow_mm"]
    days["tmean_c"] = tmean
    days["tmin_c"] = tmin
    days["et0_mm"] = np.maximum(weather["et0_mm"].values, 0.0)
    days["vpd_kpa"] = growing_deficit(weather, rules)
    days["decay_heat"] = decay_heat(tmean, rules)
    days["frozen"] = frozen_ground(tmean, rules)
    return days


def killing_freeze(
    days: np.ndarray, seasons: SeasonIndex, threshold_c: float = DEFAULT_RULES.killing_freeze_c
) -> np.ndarray:
    """Return the position of the first killing freeze after the seeding of the winter-killed mix.

    Parameters
    ----------
    days : structured array of `DAY`, shape (cell, time)
    seasons : SeasonIndex
    threshold_c : float
        A night this cold (degC) or colder is a killing freeze.

    Returns
    -------
    int array (cell, season)
        Position on the time axis; the last day before the first of April when there is no such night.

    Notes
    -----
    Temperatures are recorded to 0.1 degC and stored in single precision, so they are compared in single precision.
    """
    out = np.zeros((days.shape[0], len(seasons)), np.int64)
    for s in range(len(seasons)):
        first, last = seasons.seeding_winter_killed[s] + 1, seasons.first_april[s]
        cold = days["tmin_c"][:, first:last].astype(np.float32) <= np.float32(threshold_c)
        out[:, s] = np.where(cold.any(axis=1), first + cold.argmax(axis=1), last - 1)
    return out


def _refuse_gaps(days: np.ndarray, seasons: SeasonIndex) -> None:
    """Stop when a day inside a season has no value: every number after it would be missing."""
    missing = np.any([np.isnan(days[name]) for name in ("rain_mm", "tmin_c", "tmean_c", "et0_mm")], axis=0)
    if not missing.any():
        return
    so_far = np.concatenate([np.zeros((len(missing), 1), np.int64), missing.cumsum(axis=1)], axis=1)
    inside = so_far[:, seasons.stop] > so_far[:, seasons.start]
    if inside.any():
        cell, season = np.argwhere(inside)[0]
        raise StudyError(
            "The daily weather has missing values inside a season.",
            f"climate cell {cell}, season of harvest {seasons.year[season]}",
            "Fill the gap, or leave that season out.",
        )


def unit_blocks(unit_cell: np.ndarray) -> np.ndarray:
    """Return the units in blocks of one climate cell each, shape (block, `LANES`); -1 where a block is not full."""
    from geo.balance.kernel.lanes import LANES

    order = np.argsort(unit_cell, kind="stable")
    cells, first, count = np.unique(unit_cell[order], return_index=True, return_counts=True)
    ahead = np.concatenate([[0], np.cumsum(-(-count // LANES))[:-1]]) if len(cells) else np.zeros(0, int)
    rank = np.arange(len(order)) - np.repeat(first, count)
    blocks = np.full((int((-(-count // LANES)).sum()), LANES), -1, np.int64)
    blocks[np.repeat(ahead, count) + rank // LANES, rank % LANES] = order
    return blocks


def simulate(
    weather: xr.Dataset,
    seasons: SeasonIndex,
    soils: np.ndarray,
    unit_cell: np.ndarray,
    settings: BalanceSettings,
    ladder_days: tuple[int, ...] = LADDER_DAYS,
    days: np.ndarray | None = None,
    workers: int | None = None,
    rules: ModelRules = DEFAULT_RULES,
    harvest_water_mm: np.ndarray | None = None,
) -> xr.Dataset:
    """Run the four options on every unit and season.

    Parameters
    ----------
    weather : Dataset
        Daily weather, dims (cell, time); no missing values inside the seasons.
    seasons : SeasonIndex
    soils : structured array of `SOIL`, shape (unit,)
    unit_cell : int array (unit,)
        Climate cell of each unit.
    settings : BalanceSettings
    ladder_days : tuple of int
        Termination dates tried for the overwintering cover, days from planting (0 or less).
    days : structured array of `DAY`, optional
        `pack_days(weather)`, to save the work when units are run in parts.
    workers : int, optional
        Threads; one a core by default.
    rules : ModelRules
        Thresholds of weather; used for the killing freeze, and for `days` when they are not given.
    harvest_water_mm : float array (unit, 4), optional
        Plant-available water of each foot at harvest, in place of what the run-in leaves (NaN: as simulated; at most
        the capacity).

    Returns
    -------
    Dataset
        See DEVELOPERS.md. Depths in mm, mass in kg/ha. ``closure_mm`` in the attributes is the largest daily
        imbalance; ``unit_days`` counts what was simulated.

    Notes
    -----
    ``ground_cover`` at ``freeze`` is the living canopy; in April and at the end it includes residue. Frost does not
    end the overwintering mix, so its ``freeze`` values are those of the early termination date. Survivors of the
    summer mix are sprayed on that date.
    """
    from geo.balance.kernel.lanes import pad_mix, soil_rows
    from geo.balance.kernel.season_run import STEP_DAYS, run_blocks

    days = pack_days(weather, rules) if days is None else days
    _refuse_gaps(days, seasons)
    events = np.zeros(len(seasons), EVENTS)
    for name in EVENTS.names or ():
        events[name] = getattr(seasons, name)
    freezes = killing_freeze(days, seasons, rules.killing_freeze_c)
    n, m, k = len(soils), len(seasons), len(OPTIONS)
    steps = int((seasons.stop - seasons.harvest).max() // STEP_DAYS + 1)
    paw = np.full((n, k, m, len(CHECKS), 4), np.nan, np.float32)
    stored = np.full((n, k, m, steps), np.nan, np.float32)
    mass = np.zeros((n, k, m, len(WHEN)), np.float32)
    cover = np.zeros((n, k, m, len(WHEN)), np.float32)
    living = np.zeros((n, k, m), np.float32)
    emerged = np.zeros((n, k, m), np.float32)
    flux = np.zeros((n, k, m, len(FLUXES)), np.float32)
    rungs = np.asarray(ladder_days, np.int64)
    ladder_paw = np.full((n, len(rungs), m), np.nan, np.float32)
    killed, winter = settings.winter_killed, settings.overwinter
    weeds = settings.stubble_weeds
    mix_settings = np.array([[mix.density, mix.water_bonus] for mix in (killed, winter, weeds or winter)])
    killed_groups, winter_groups = pad_mix(killed.groups), pad_mix(winter.groups)
    weed_groups = pad_mix(weeds.groups) if weeds else winter_groups[:0]
    harvest_mm = np.full((n, 4), np.nan) if harvest_water_mm is None else np.asarray(harvest_water_mm, float)
    cell = np.asarray(unit_cell, np.int64)
    blocks, numbers = unit_blocks(cell), soil_rows(soils)

    def run_part(part: slice) -> float:
        return run_blocks(
            blocks[part], cell, numbers, days, events, freezes, killed_groups, winter_groups, weed_groups,
            mix_settings, harvest_mm, rungs, settings.parameters,
            paw, stored, mass, cover, living, emerged, flux, ladder_paw,
        )  # fmt: skip

    parts = max(1, min(workers or os.cpu_count() or 1, len(blocks)))
    edges = np.linspace(0, len(blocks), parts + 1).astype(int)
    with ThreadPoolExecutor(parts) as pool:
        worst = max(pool.map(run_part, [slice(i, j) for i, j in itertools.pairwise(edges)]), default=0.0)
    dims = ("unit", "option", "season")
    data = {
        "paw_mm": ((*dims, "check", "layer"), paw, "plant-available water by one-foot layer", "mm"),
        "stored_mm": ((*dims, "step"), stored, "plant-available water of the profile", "mm"),
        "biomass_kg_ha": ((*dims, "when"), mass, "above-ground dry matter of the cover", "kg ha-1"),
        "ground_cover": ((*dims, "when"), cover, "share of the ground covered", "1"),
        "living_share": (dims, living, "share of the stand alive on the first of April", "1"),
        "emerged": (dims, emerged > 0.5, "the stand came up", "1"),
        "ladder_paw_mm": (("unit", "rung", "season"), ladder_paw, "water at planting by termination date", "mm"),
        **{name: (dims, flux[..., j], f"{name[:-3].replace('_', ' ')}, harvest to planting", "mm")
           for j, name in enumerate(FLUXES)},
    }  # fmt: skip
    out = xr.Dataset(
        {name: (d, v, {"long_name": text, "units": unit}) for name, (d, v, text, unit) in data.items()},
        coords={
            "unit": np.arange(n), "option": list(OPTIONS), "season": seasons.year, "check": list(CHECKS),
            "layer": [1, 2, 3, 4], "when": list(WHEN), "step": np.arange(steps) * STEP_DAYS, "rung": rungs,
        },
    )  # fmt: skip
    out["step"].attrs["units"] = "days"
    out["rung"].attrs["units"] = "days"
    simulated = (seasons.stop - seasons.start).sum() * k * n
    out.attrs.update(closure_mm=float(worst), unit_days=int(simulated))
    return out
