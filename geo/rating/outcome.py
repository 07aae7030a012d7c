"""What is measured of each option: water left, gaps, shortfall years, cover, frost, by site over all seasons.

All comparisons are paired: same profile, same weather, same season.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from geo.ground.response_units import ResponseUnits
from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.options import OPTIONS
from geo.rating.weighted import mixture_mean, mixture_quantile, padded_members
from geo.rating.zones import TOLERANCE, ZoneRules
from geo.season import CHECKS, SeasonIndex, days_of_year

QUANTILES = (0.10, 0.25, 0.50, 0.75, 0.90)
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
        Position of the killing freeze (`geo.balance.simulate.killing_freeze`).
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


def freeze_quantiles(freeze_day: np.ndarray, q: tuple[float, ...] = QUANTILES) -> np.ndarray:
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
        From `geo.balance.simulate.simulate`.

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


def latest_safe_day(day: np.ndarray, gap_mm: np.ndarray, shortfall_years: np.ndarray, rules: ZoneRules) -> np.ndarray:
    """Return the latest termination day of year that keeps the water tests; NaN when none does.

    Parameters
    ----------
    day : array (rung,)
        Tried dates, early to late.
    gap_mm, shortfall_years : arrays (site, rung)
        Median planting gap and share of shortfall years for each date.
    rules : ZoneRules

    Notes
    -----
    Between two tried dates the answer is interpolated to where the first test fails.
    """
    slack = np.stack([rules.planting_gap_max_mm - gap_mm, rules.shortfall_max - shortfall_years], axis=-1)
    passed = (slack >= -TOLERANCE).all(axis=-1)
    good = np.cumprod(passed, axis=1).sum(axis=1)
    out = np.full(gap_mm.shape[0], np.nan)
    last = len(day) - 1
    for site in np.flatnonzero((good > 0) & ~np.isnan(gap_mm).any(axis=1)):
        k = good[site] - 1
        if k == last:
            out[site] = day[last]
            continue
        here, there = np.maximum(slack[site, k], 0.0), slack[site, k + 1]
        share = min(h / (h - t) for h, t in zip(here, there, strict=True) if t < -TOLERANCE)
        out[site] = day[k] + share * (day[k + 1] - day[k])
    return out


def site_outcomes(
    run: xr.Dataset,
    capacity_mm: np.ndarray,
    units: ResponseUnits,
    climate: CellClimate,
    rules: ZoneRules,
    planting_day: int,
    *,
    full: bool = True,
    model: ModelRules = DEFAULT_RULES,
) -> xr.Dataset:
    """Summarise a simulation by site.

    Parameters
    ----------
    run : Dataset
        From `geo.balance.simulate.simulate`.
    capacity_mm : array (unit,)
        Plant-available water capacity of the four feet.
    units : ResponseUnits
    climate : CellClimate
    rules : ZoneRules
        Planting-water target and ground-cover target.
    planting_day : int
        Day of year of the next planting.
    model : ModelRules
        What counts as alive, dead and a fall gap.
    full : bool
        False leaves out what only maps and pages need (tracks, layers), for parameter sets.

    Returns
    -------
    Dataset
        See DEVELOPERS.md. Members of a site are weighted by component share.
    """
    n_sites = len(units.sites)
    unit, weight = padded_members(units.site_units, n_sites)
    total = run["paw_mm"].values.sum(axis=-1)
    planting = total[:, :, :, PLANTING]
    gap = planting[:, :1] - planting
    target = rules.target_share * capacity_mm[:, None, None]
    cover = run["ground_cover"].values
    living = run["living_share"].values
    is_cover = (np.arange(len(OPTIONS)) > 0)[None, :]

    def mean(values: np.ndarray) -> np.ndarray:
        return mixture_mean(values, unit, weight)

    quantiles = QUANTILES if full else (0.5,)

    def spread(values: np.ndarray) -> np.ndarray:
        """Turn (unit, option, season) into (site, option, quantile)."""
        return mixture_quantile(np.moveaxis(values, 2, 1), unit, weight, quantiles).transpose(0, 2, 1)

    def covers(values: np.ndarray) -> np.ndarray:
        return np.where(is_cover, values, np.nan)

    reached = covers(mean((cover[:, :, :, 0] >= rules.ground_cover_min).mean(axis=2)))
    so, soq = ("site", "option"), ("site", "option", "quantile")
    ladder = planting_day + run["rung"].values
    data: dict[str, tuple[tuple[str, ...], np.ndarray, str, str]] = {
        "planting_gap_mm": (soq, spread(gap), "mm", "stubble minus option at next planting"),
        "shortfall_years": (so, mean(shortfall(planting[:, :1], planting, target).mean(axis=2)), "1",
                            "share of years in which the option costs the planting-water target"),
        "cover_ok_years": (so, reached, "1", "share of years that reach the ground-cover target"),
        "winterkill_years": (so, covers(mean((living <= model.dead_share).mean(axis=2))), "1",
                             "share of winters that leave no live cover"),
        "survival_years": (so, covers(mean((living >= model.alive_share).mean(axis=2))), "1",
                           "share of winters that at least half the stand lives through"),
    }  # fmt: skip
    if full:
        least = model.least_fall_gap_mm
        data |= _for_pages(run, total, gap, capacity_mm, units, climate, mean, spread, unit, weight, least)
        rung_paw = run["ladder_paw_mm"].values
        rung_gap = np.moveaxis(planting[:, :1] - rung_paw, 2, 1)
        rung_gap_mid = mixture_quantile(rung_gap, unit, weight, (0.5,))[:, 0]
        rung_short = mean(shortfall(planting[:, :1], rung_paw, target).mean(axis=2))
        sl = ("site", "ladder")
        data |= {
            "planting_water_mm": (soq, spread(planting), "mm", "plant-available water at next planting"),
            "termination_gap_mm": (sl, rung_gap_mid, "mm", "median planting gap by termination date"),
            "termination_shortfall": (sl, rung_short, "1", "shortfall years by termination date"),
            "latest_termination_day": (("site",), latest_safe_day(ladder, rung_gap_mid, rung_short, rules),
                                       "day of year", "latest safe termination of the overwintering mix"),
        }  # fmt: skip
    out = xr.Dataset(
        {k: (d, v.astype(np.float32), {"units": u, "long_name": text}) for k, (d, v, u, text) in data.items()},
        coords={
            "site": np.arange(n_sites), "option": list(OPTIONS), "quantile": list(quantiles), "check": list(CHECKS),
            "layer": [1, 2, 3, 4], "step": run["step"].values, "target": list(TARGETS), "ladder": ladder,
        },
    )  # fmt: skip
    out.attrs["seasons"] = int(run.sizes["season"])
    return out


def _for_pages(  # type: ignore[no-untyped-def]
    run, total, gap, capacity_mm, units, climate, mean, spread, unit, weight, least_gap_mm
):
    """Return the outcomes that only maps and pages show."""
    so, soq = ("site", "option"), ("site", "option", "quantile")
    planting, november = total[:, :, :, PLANTING], total[:, :, :, MID_NOVEMBER]
    fall_gap = november[:, :1] - november
    fall, spring = spread(fall_gap), spread(gap)
    middle = QUANTILES.index(0.5)
    with np.errstate(invalid="ignore", divide="ignore"):
        recovery = np.where(fall[:, :, middle] > least_gap_mm, 1 - spring[:, :, middle] / fall[:, :, middle], np.nan)
    targets = np.array(TARGETS)[:, None, None] * capacity_mm[:, None, None, None]
    by_target = shortfall(planting[:, None, :1], planting[:, None], targets).mean(axis=3).transpose(0, 2, 1)
    rank = climate.spring_precip_mm.argsort(axis=1).argsort(axis=1)[units.units["cell"].to_numpy()]
    third = max(1, rank.shape[1] // 3)
    cell = units.sites["cell"].to_numpy()

    def some_springs(keep: np.ndarray) -> np.ndarray:
        picked = np.where(keep[:, None, :], gap, np.nan)
        return mixture_quantile(np.moveaxis(picked, 2, 1), unit, weight, (0.5,))[:, 0]

    def median_of(values: np.ndarray) -> np.ndarray:
        return mixture_quantile(np.moveaxis(values, 2, 1), unit, weight, (0.5,))[:, 0]

    mass, cover = run["biomass_kg_ha"].values, run["ground_cover"].values
    track = mixture_quantile(np.moveaxis(run["stored_mm"].values, 2, 1), unit, weight, QUANTILES).transpose(
        0, 2, 1, 3
    )
    freeze = freeze_quantiles(climate.freeze_day)[cell]
    return {
        "fall_gap_mm": (soq, fall, "mm", "stubble minus option in mid-November"),
        "recovery": (so, recovery, "1", "share of the fall gap that is gone at planting"),
        "shortfall_by_target": ((*so, "target"), mean(by_target), "1", "shortfall years by planting-water target"),
        "biomass_kg_ha": (soq, spread(mass[..., 0]), "kg ha-1", "cover dry matter at the killing freeze"),
        "ground_cover": (soq, spread(cover[..., 0]), "1", "ground cover of the growing cover at the killing freeze"),
        "april_ground_cover": (soq, spread(cover[..., 1]), "1", "ground cover with residue on the first of April"),
        "paw_layer_mm": (("site", "option", "check", "layer"), median_of(run["paw_mm"].values), "mm",
                         "median plant-available water by one-foot layer"),
        "stored_mm": (("site", "option", "quantile", "step"), track, "mm", "stored water through the season"),
        "dry_spring_gap_mm": (so, some_springs(rank < third), "mm", "median planting gap after the driest springs"),
        "wet_spring_gap_mm": (so, some_springs(rank >= rank.shape[1] - third), "mm", "after the wettest springs"),
        "first_freeze_day": (("site", "quantile"), freeze, "day of year", "first killing freeze"),
        "heat_after_harvest_gdd": (("site",), climate.heat_gdd.mean(axis=1)[cell], "degC day",
                                   "growing degree days above 4.4 degC from harvest to the killing freeze"),
        "capacity_mm": (("site",), mean(capacity_mm), "mm", "available water capacity of four feet"),
        "precip_mm": (("site",), climate.annual_precip_mm[cell], "mm", "annual precipitation"),
        "et0_mm": (("site",), climate.annual_et0_mm[cell], "mm", "annual reference evapotranspiration"),
        **{name: (so, mean(run[name].values.mean(axis=2)), "mm", f"mean {name[:-3]}, harvest to planting")
           for name in ("transpiration_mm", "evaporation_mm", "drainage_mm", "runoff_mm")},
    }  # fmt: skip
