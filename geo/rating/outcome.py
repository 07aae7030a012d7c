"""What each response unit gives over the years: water left, gaps, shortfall years, cover, frost.

All comparisons are paired: same profile, same weather, same season. Every value is a mean over the years or a share
of them, so that places take weighted means of units (`geo.rating.places`) and numbers that are shown side by side add
up: stubble less cover is the gap, and the parts of a field are the field. The spread over the years is given by the
tenth and the ninetieth year of the unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.options import OPTIONS
from geo.rating.rule import ZoneRules
from geo.season import CHECKS, SeasonIndex, days_of_year

STATS = ("mean", "p10", "p90")
"""Mean over the years, and the tenth and ninetieth year of a hundred."""
FREEZE_QUANTILES = (0.10, 0.50, 0.90)
TARGETS = tuple(float(t) for t in np.round(np.arange(0.10, 0.901, 0.05), 2))
PLANTING, MID_NOVEMBER = CHECKS.index("planting"), CHECKS.index("mid_november")


@dataclass(frozen=True)
class CellClimate:
    """What the outcomes need to know of the weather.

    Attributes
    ----------
    freeze_day : array (cell, season)
        Day of year of the first killing freeze, counted on past 365 in the new year; infinite in a year without.
    heat_gdd : array (cell, season)
        Growing degree days above 4.4 degC (40 degF) from the day of harvest to the day before the killing freeze.
    spring_precip_mm : array (cell, season)
        Precipitation from the first of April to planting.
    annual_precip_mm, annual_et0_mm : array (cell,)
        Means of a year.
    """

    freeze_day: np.ndarray
    heat_gdd: np.ndarray
    spring_precip_mm: np.ndarray
    annual_precip_mm: np.ndarray
    annual_et0_mm: np.ndarray


def cell_climate(
    weather: xr.Dataset, seasons: SeasonIndex, freezes: np.ndarray, model: ModelRules = DEFAULT_RULES
) -> CellClimate:
    """Summarise the weather of each cell over the seasons that were run.

    Parameters
    ----------
    weather : Dataset
        Daily weather, dims (cell, time).
    seasons : SeasonIndex
    freezes : int array (cell, season)
        Position of the killing freeze (`geo.balance.killing_freeze`).
    model : ModelRules
        Base of the growing degree days, and the temperature of a killing freeze.

    Returns
    -------
    CellClimate
    """
    tmean = 0.5 * (weather["tmin_c"].values + weather["tmax_c"].values)
    precip = weather["precip_mm"].values
    heat = _running_sum(np.maximum(tmean - model.heat_base_c, 0.0))
    rain, et0 = _running_sum(precip), _running_sum(weather["et0_mm"].values)
    rows = np.arange(tmean.shape[0])[:, None]
    number = days_of_year(weather["month"].values, weather["day"].values)
    turned = weather["year"].values[freezes] > seasons.year
    # a year is the 365 days to planting: only seasons without gaps count, and no part of the year counts twice
    year_ago = np.maximum(seasons.stop - 365, 0)
    share = (seasons.stop - year_ago) / 365
    came = weather["tmin_c"].values[rows, freezes].astype(np.float32) <= np.float32(model.killing_freeze_c)
    return CellClimate(
        freeze_day=np.where(came, number[freezes] + np.where(turned, 365, 0), np.inf),
        heat_gdd=heat[rows, freezes] - heat[rows, seasons.harvest],
        spring_precip_mm=rain[rows, seasons.stop] - rain[rows, seasons.first_april],
        annual_precip_mm=((rain[rows, seasons.stop] - rain[rows, year_ago]) / share).mean(axis=1),
        annual_et0_mm=((et0[rows, seasons.stop] - et0[rows, year_ago]) / share).mean(axis=1),
    )


def _running_sum(values: np.ndarray) -> np.ndarray:
    """Return sums before each position, (cell, time) -> (cell, time + 1); gaps (outside the seasons) count zero."""
    sums = np.cumsum(np.nan_to_num(values), axis=1, dtype=float)
    return np.concatenate([np.zeros((len(sums), 1)), sums], axis=1)


def freeze_quantiles(freeze_day: np.ndarray, q: tuple[float, ...] = FREEZE_QUANTILES) -> np.ndarray:
    """Return the days by which the first killing freeze has come in these shares of years, shape (cell, q).

    Parameters
    ----------
    freeze_day : array (cell, season)
        From `cell_climate`; infinite in a year without.
    q : tuple of float
        Chance of a freeze on that date or earlier, the definition of the climate normals (NOAA NCEI 1991-2020).

    Notes
    -----
    Years without a freeze count; a quantile that falls among them has no date (NaN).
    """
    never = 1e9  # not infinite: a quantile that falls on the last year with a freeze must not take 0 times infinity
    days = np.quantile(np.minimum(freeze_day, never), q, axis=1).T
    return np.where(days < 1000.0, days, np.nan)


def yearly_values(run: xr.Dataset) -> xr.Dataset:
    """Return what a modeller takes further: one value a unit, option and season.

    Parameters
    ----------
    run : Dataset
        From `geo.balance.simulate`.

    Returns
    -------
    Dataset
        Dims unit, option, season: profile water on each check date, growth and cover at the killing freeze, share of
        the stand alive in April, and the fluxes from harvest to planting (mm, kg/ha, shares).
    """
    total = run["paw_mm"].sum("layer", skipna=False)
    data = {f"paw_{check}_mm": total.sel(check=check, drop=True) for check in CHECKS}
    for name in data:
        data[name].attrs = {"units": "mm", "long_name": f"plant-available water, {name[4:-3].replace('_', ' ')}"}
    data |= {name: run[name].sel(when="freeze", drop=True) for name in ("biomass_kg_ha", "ground_cover")}
    data |= {name: run[name] for name in ("living_share", "evaporation_mm", "transpiration_mm", "drainage_mm",
                                          "runoff_mm", "snow_loss_mm")}  # fmt: skip
    data["season_precip_mm"] = run["precip_mm"]
    return xr.Dataset({k: v.astype(np.float32) for k, v in data.items()})


def shortfall(stubble_mm: np.ndarray, option_mm: np.ndarray, target_mm: np.ndarray) -> np.ndarray:
    """Return True in years in which stubble meets the target and the option does not: the cover's own doing."""
    return (stubble_mm >= target_mm) & (option_mm < target_mm)


def outcomes_for_rule(
    run: xr.Dataset, capacity_mm: np.ndarray, rules: ZoneRules, model: ModelRules = DEFAULT_RULES
) -> xr.Dataset:
    """Return what the zone tests read, by unit and option: the cheap part of `unit_outcomes`, for parameter sets.

    Parameters
    ----------
    run : Dataset
        From `geo.balance.simulate`; ``paw_mm``, ``ground_cover`` and ``living_share`` are read.
    capacity_mm : array (unit,)
        Plant-available water capacity of the four feet.
    rules : ZoneRules
        Planting-water target and ground-cover target.
    model : ModelRules
        What counts as alive and dead.

    Returns
    -------
    Dataset
        Dims unit, option: mean planting gap (mm), and shares of years (0-1) with a shortfall, with the ground-cover
        target reached, killed by winter and alive after it. Shares of stubble are NaN, but for the shortfall of 0.
    """
    planting = run["paw_mm"].values[:, :, :, PLANTING].sum(axis=-1, dtype=float)
    target = rules.target_share * capacity_mm[:, None, None]
    living = run["living_share"].values
    is_cover = np.arange(len(OPTIONS)) > 0

    def share(years: np.ndarray) -> np.ndarray:
        return np.where(is_cover, years.mean(axis=2), np.nan)

    return _dataset(
        {
            "planting_gap_mm": (_UO, (planting[:, :1] - planting).mean(axis=2), "mm",
                                "stubble minus option at next planting"),
            "shortfall_years": (_UO, shortfall(planting[:, :1], planting, target).mean(axis=2), "1",
                                "share of years in which the option costs the planting-water target"),
            "cover_ok_years": (_UO, share(run["ground_cover"].values[:, :, :, 0] >= rules.ground_cover_min), "1",
                               "share of years that reach the ground-cover target"),
            "winterkill_years": (_UO, share(living <= model.dead_share), "1",
                                 "share of winters that leave no live cover"),
            "survival_years": (_UO, share(living >= model.alive_share), "1",
                               "share of winters that at least half the stand lives through"),
        },
        run.sizes["unit"],
    )  # fmt: skip


def unit_outcomes(
    run: xr.Dataset,
    capacity_mm: np.ndarray,
    unit_cell: np.ndarray,
    climate: CellClimate,
    rules: ZoneRules,
    planting_day: int,
    model: ModelRules = DEFAULT_RULES,
) -> xr.Dataset:
    """Summarise a simulation by response unit.

    Parameters
    ----------
    run : Dataset
        From `geo.balance.simulate`.
    capacity_mm : array (unit,)
        Plant-available water capacity of the four feet.
    unit_cell : int array (unit,)
        Climate cell of each unit.
    climate : CellClimate
    rules : ZoneRules
        Planting-water target and ground-cover target.
    planting_day : int
        Day of year of the next planting.
    model : ModelRules
        What counts as alive and dead.

    Returns
    -------
    Dataset
        See DEVELOPERS.md. Dims unit, option and others; `STATS` along ``stat``.
    """
    tested = outcomes_for_rule(run, capacity_mm, rules, model)
    total = run["paw_mm"].values.sum(axis=-1, dtype=float)
    planting, november = total[:, :, :, PLANTING], total[:, :, :, MID_NOVEMBER]
    gap = planting[:, :1] - planting
    targets = np.array(TARGETS)[:, None, None] * capacity_mm[:, None, None, None]
    by_target = shortfall(planting[:, None, :1], planting[:, None], targets).mean(axis=3).transpose(0, 2, 1)
    rank = climate.spring_precip_mm.argsort(axis=1).argsort(axis=1)[unit_cell]
    third = max(1, rank.shape[1] // 3)
    mass, cover = run["biomass_kg_ha"].values, run["ground_cover"].values
    rungs = run["ladder_paw_mm"].values.astype(float)
    short = shortfall(planting[:, :1], rungs, rules.target_share * capacity_mm[:, None, None]).mean(axis=2)

    def mean_of(keep: np.ndarray) -> np.ndarray:
        return np.asarray((gap * keep[:, None, :]).sum(axis=2) / keep.sum(axis=1)[:, None])

    uos, ul = ("unit", "option", "stat"), ("unit", "ladder")
    return tested.drop_vars("planting_gap_mm").merge(
        _dataset(
            {
                "planting_water_mm": (uos, _stats(planting), "mm", "plant-available water at next planting"),
                "planting_gap_mm": (uos, _stats(gap), "mm", "stubble minus option at next planting"),
                "fall_gap_mm": (uos, _stats(november[:, :1] - november), "mm",
                                "stubble minus option in mid-November"),
                "shortfall_by_target": ((*_UO, "target"), by_target, "1", "shortfall years by planting-water target"),
                "biomass_kg_ha": (uos, _stats(mass[..., 0]), "kg ha-1", "cover dry matter at the killing freeze"),
                "ground_cover": (uos, _stats(cover[..., 0]), "1",
                                 "ground cover of the growing cover at the killing freeze"),
                "april_ground_cover": (uos, _stats(cover[..., 1]), "1",
                                       "ground cover with residue on the first of April"),
                "paw_layer_mm": ((*_UO, "check", "layer"), run["paw_mm"].values.mean(axis=2), "mm",
                                 "mean plant-available water by one-foot layer"),
                "stored_mm": ((*uos, "step"), _stats(run["stored_mm"].values), "mm",
                              "stored water through the season"),
                "dry_spring_gap_mm": (_UO, mean_of(rank < third), "mm", "mean planting gap after the driest springs"),
                "wet_spring_gap_mm": (_UO, mean_of(rank >= rank.shape[1] - third), "mm", "after the wettest springs"),
                "termination_gap_mm": (ul, (planting[:, :1] - rungs).mean(axis=2), "mm",
                                       "mean planting gap by termination date"),
                "termination_shortfall": (ul, short, "1", "shortfall years by termination date"),
                "first_freeze_day": (("unit", "quantile"), freeze_quantiles(climate.freeze_day)[unit_cell],
                                     "day of year", "first killing freeze"),
                "heat_after_harvest_gdd": (("unit",), climate.heat_gdd.mean(axis=1)[unit_cell], "degC day",
                                           "growing degree days above 4.4 degC from harvest to the killing freeze"),
                "capacity_mm": (("unit",), capacity_mm, "mm", "available water capacity of four feet"),
                "precip_mm": (("unit",), climate.annual_precip_mm[unit_cell], "mm", "annual precipitation"),
                "et0_mm": (("unit",), climate.annual_et0_mm[unit_cell], "mm", "annual reference evapotranspiration"),
                **{name: (_UO, run[name].values.mean(axis=2), "mm", f"mean {name[:-3]}, harvest to planting")
                   for name in ("transpiration_mm", "evaporation_mm", "drainage_mm", "runoff_mm")},
            },
            run.sizes["unit"],
            step=run["step"].values,
            ladder=planting_day + run["rung"].values,
            seasons=int(run.sizes["season"]),
        )
    )  # fmt: skip


_UO = ("unit", "option")


def _stats(values: np.ndarray) -> np.ndarray:
    """Return `STATS` over the seasons, (unit, option, season, ...) -> (unit, option, stat, ...)."""
    low, high = np.quantile(values, (0.1, 0.9), axis=2)
    return np.stack([values.mean(axis=2, dtype=float), low, high], axis=2)


def _dataset(
    data: dict[str, tuple[tuple[str, ...], np.ndarray, str, str]],
    n_units: int,
    seasons: int = 0,
    **coords: np.ndarray,
) -> xr.Dataset:
    """Return values with their units and names in single precision."""
    fixed = {
        "unit": np.arange(n_units), "option": list(OPTIONS), "stat": list(STATS), "quantile": list(FREEZE_QUANTILES),
        "check": list(CHECKS), "layer": [1, 2, 3, 4], "target": list(TARGETS), **coords,
    }  # fmt: skip
    used = {dim for dims, *_ in data.values() for dim in dims}
    out = xr.Dataset(
        {k: (d, v.astype(np.float32), {"units": u, "long_name": text}) for k, (d, v, u, text) in data.items()},
        coords={k: v for k, v in fixed.items() if k in used},
    )
    if seasons:
        out.attrs["seasons"] = seasons
    return out
