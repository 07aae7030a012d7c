"""Field trials repeated with the model: fallow storage, covers before and after a crop, drying under straw.

Every function runs all seasons of a daily record and returns one row a season, in the terms of the trial.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from geo.balance.kernel.records import DAY, FLUXES
from geo.balance.parameters import BalanceSettings, Mix
from geo.balance.simulate import pack_days
from geo.season import RUN_IN_DAYS
from tests.evaluation.spans import NEVER, DateFinder, Span, flux, run_span

MonthDay = tuple[int, int]
MM_PER_IN = 25.4
FOOT_IN = 12
_DRAINAGE = FLUXES.index("drainage_mm")


@dataclass(frozen=True)
class Place:
    """A daily record of one place, packed.

    Attributes
    ----------
    days : structured array of `DAY`, shape (time,)
    dates : DateFinder
    """

    days: np.ndarray
    dates: DateFinder

    @classmethod
    def of(cls, weather: xr.Dataset, cell: int = 0) -> Place:
        """Pack one cell of daily weather."""
        return cls(pack_days(weather)[cell], DateFinder.of(weather))

    def precip_mm(self, first: int, last: int) -> float:
        """Return the precipitation from one position to another."""
        part = self.days[first:last]
        return float(part["rain_mm"].sum() + part["snow_mm"].sum())

    def snow_mm(self, first: int, last: int) -> float:
        """Return what of it fell as snow."""
        return float(self.days["snow_mm"][first:last].sum())


@dataclass(frozen=True, slots=True)
class Period:
    """A part of the fallow: years after the harvest year and month-day, from and to."""

    first: tuple[int, MonthDay]
    last: tuple[int, MonthDay]


def _stored(track: np.ndarray, row: int) -> float:
    """Return water of the profile, of the snow pack, and what drained below four feet since the start, mm.

    Trials measure to 1.65 to 1.8 m; the model's profile ends at 1.22 m. What drained out of it counts as stored.
    """
    return float(track["available_mm"][row] + track["snow_mm"][row] + track["flux_mm"][row, _DRAINAGE])


def fallow_storage(
    soil: np.ndarray, place: Place, settings: BalanceSettings, harvest: MonthDay, periods: Mapping[str, Period]
) -> pd.DataFrame:
    """Run clean fallow after harvest and measure how much of the precipitation it stores.

    Parameters
    ----------
    soil : one record of `SOIL`
    place : Place
    settings : BalanceSettings
        Tilled fallow: little straw and no standing stubble.
    harvest : (month, day)
    periods : mapping of name to Period

    Returns
    -------
    DataFrame
        One row a harvest year and period: ``period``, ``year``, ``gain_mm`` (profile, snow and drainage below four
        feet), ``profile_gain_mm`` (profile alone), ``precip_mm``.
    """
    rows = []
    for year in place.dates.years():
        begin = place.dates.at(year, harvest)
        ends = {n: place.dates.at(year + p.last[0], p.last[1]) for n, p in periods.items()}
        if begin < RUN_IN_DAYS or min(ends.values()) == NEVER:
            continue
        track = run_span(soil, place.days, Span(begin, max(ends.values())), settings)
        for name, period in periods.items():
            i, j = place.dates.at(year + period.first[0], period.first[1]) - begin, ends[name] - begin
            rows.append(
                {
                    "period": name,
                    "year": year,
                    "gain_mm": _stored(track, j) - _stored(track, i),
                    "profile_gain_mm": float(track["available_mm"][j] - track["available_mm"][i]),
                    "precip_mm": place.precip_mm(begin + i, begin + j),
                }
            )
    return pd.DataFrame(rows)


def mean_efficiency(table: pd.DataFrame, period: str, gain: str = "gain_mm") -> float:
    """Return stored over fallen water, summed over all seasons of one period."""
    part = table[table["period"] == period]
    return float(part[gain].sum() / part["precip_mm"].sum())


def cover_before_wheat(
    soil: np.ndarray,
    place: Place,
    settings: BalanceSettings,
    mix: Mix,
    *,
    harvest: MonthDay = (7, 5),
    sow: MonthDay = (4, 5),
    end: MonthDay = (6, 25),
    wheat: MonthDay = (9, 20),
) -> pd.DataFrame:
    """Grow a cover in the spring of a wheat-fallow rotation, beside fallow.

    Returns
    -------
    DataFrame
        One row a season: ``cover_use_mm`` and ``fallow_use_mm`` from seeding to termination as a trial reckons them
        (precipitation less what soil, snow and the ground below four feet gained), ``biomass_kg_ha`` at termination,
        ``loss_mm`` (fallow less cover at wheat seeding, counted like the use), ``profile_loss_mm`` (the top four feet
        alone), ``precip_mm``.
    """
    rows = []
    for year in place.dates.years():
        at = place.dates.at
        begin, first, last, stop = at(year, harvest), at(year + 1, sow), at(year + 1, end), at(year + 1, wheat)
        if begin < RUN_IN_DAYS or stop == NEVER:
            continue
        fallow = run_span(soil, place.days, Span(begin, stop), settings)
        cover = run_span(soil, place.days, Span(begin, stop, sow=first, end=last), settings, mix)
        i, j = first - begin, last - begin
        rain = place.precip_mm(first, last)
        rows.append(
            {
                "year": year + 1,
                "cover_use_mm": rain - (_stored(cover, j) - _stored(cover, i)),
                "fallow_use_mm": rain - (_stored(fallow, j) - _stored(fallow, i)),
                "biomass_kg_ha": float(cover["biomass_kg_ha"][j]),
                "loss_mm": _stored(fallow, -1) - _stored(cover, -1),
                "profile_loss_mm": float(fallow["available_mm"][-1] - cover["available_mm"][-1]),
                "precip_mm": rain,
            }
        )
    return pd.DataFrame(rows)


def cover_after_harvest(
    soil: np.ndarray,
    place: Place,
    settings: BalanceSettings,
    mix: Mix,
    *,
    harvest: MonthDay,
    sow: MonthDay,
    fall: MonthDay = (11, 1),
    spring: MonthDay = (4, 30),
) -> pd.DataFrame:
    """Grow a cover after harvest, beside stubble, through the winter.

    Returns
    -------
    DataFrame
        One row a season: ``biomass_kg_ha`` (largest before winter), ``transpiration_mm``; ``fall_gap_24_mm``,
        ``spring_gap_24_mm`` and the same for 36 and 48 inches (stubble less cover); ``stubble_48_mm``,
        ``cover_48_mm`` in spring; ``precip_mm`` and ``snow_mm`` between the two dates.
    """
    rows = []
    for year in place.dates.years():
        at = place.dates.at
        begin, first, check, stop = at(year, harvest), at(year, sow), at(year, fall), at(year + 1, spring)
        if begin < RUN_IN_DAYS or stop == NEVER:
            continue
        stubble = run_span(soil, place.days, Span(begin, stop), settings)
        cover = run_span(soil, place.days, Span(begin, stop, sow=first, end=at(year + 1, (4, 1))), settings, mix)
        k = check - begin
        row = {
            "year": year,
            "biomass_kg_ha": float(cover["biomass_kg_ha"][: k + 1].max()),
            "transpiration_mm": flux(cover, "transpiration", 0, k),
            "precip_mm": place.precip_mm(check, stop),
            "snow_mm": place.snow_mm(check, stop),
            "stubble_48_mm": float(stubble["layer_mm"][-1].sum()),
            "cover_48_mm": float(cover["layer_mm"][-1].sum()),
        }
        for feet in (2, 3, 4):
            gap = (stubble["layer_mm"] - cover["layer_mm"])[:, :feet].sum(axis=1)
            row[f"fall_gap_{feet * FOOT_IN}_mm"] = float(gap[k])
            row[f"spring_gap_{feet * FOOT_IN}_mm"] = float(gap[-1])
        rows.append(row)
    return pd.DataFrame(rows)


def straw_for_cover(cover: float, area_m2_kg: float) -> float:
    """Return the straw in kg/ha that covers this share of the ground: the inverse of 1 - exp(-area x mass)."""
    return float(-np.log(1.0 - cover) / area_m2_kg * 1e4)


def drying(
    soil: np.ndarray,
    settings: BalanceSettings,
    *,
    cover: float,
    et0_mm: float,
    days: int,
    rain_every: int = 0,
    rain_mm: float = 0.0,
) -> float:
    """Return the evaporation in mm of a wet soil under flat straw, without plants, standing stubble or frost.

    Parameters
    ----------
    cover : float
        Share of the ground under straw.
    et0_mm : float
        Reference ET of every day.
    days : int
        Length.
    rain_every, rain_mm : int, float
        Rain on every n-th day (0: none).
    """
    weather = np.zeros(days, DAY)
    weather["tmean_c"], weather["tmin_c"], weather["et0_mm"], weather["vpd_kpa"] = 18.0, 10.0, et0_mm, 1.5
    if rain_every:
        weather["rain_mm"][rain_every::rain_every] = rain_mm
    straw = straw_for_cover(cover, settings.value("straw_area_m2_kg"))
    laid = settings.changed(stubble_straw_kg_ha=straw, stubble_height_m=0.0, straw_decay_per_day=0.0)
    track = run_span(soil, weather, Span(0, days, run_in=False, water_share=1.0), laid)
    return flux(track, "evaporation")


def straw_saving(
    soil: np.ndarray,
    place: Place,
    settings: BalanceSettings,
    years: Sequence[int],
    *,
    straw_kg_ha: float,
    irrigation_mm: Sequence[float] = (),
    first: MonthDay = (6, 1),
    last: MonthDay = (9, 15),
    water_share: float = 0.6,
) -> float:
    """Return what flat straw saves of the evaporation of bare ground over a warm season, mm a day, mean of `years`.

    As in small lysimeters without plants: rain of the record, and irrigations at even distances between the first and
    the last sixth of the season.
    """
    saved, days = 0.0, 0
    for year in years:
        begin, stop = place.dates.at(year, first), place.dates.at(year, last)
        weather = place.days[begin:stop].copy()
        n = len(weather)
        for k, depth in zip(np.linspace(n / 6, 5 * n / 6, len(irrigation_mm)), irrigation_mm, strict=True):
            weather["rain_mm"][int(k)] += depth
        lost = [
            flux(
                run_span(
                    soil,
                    weather,
                    Span(0, n, run_in=False, water_share=water_share),
                    settings.changed(stubble_straw_kg_ha=straw, stubble_height_m=0.0),
                ),
                "evaporation",
            )
            for straw in (0.0, straw_kg_ha)
        ]
        saved += lost[0] - lost[1]
        days += n
    return saved / days


def dormant_loss(
    soil: np.ndarray,
    place: Place,
    settings: BalanceSettings,
    *,
    start: MonthDay = (9, 20),
    first: MonthDay = (10, 15),
    last: MonthDay = (4, 30),
    water_share: float = 0.8,
) -> pd.DataFrame:
    """Return what the ground without plants loses to the air from fall to spring.

    The field holds `water_share` of its capacity on `start`, as after an irrigated crop, and lies under the residue
    of `settings`.

    Returns
    -------
    DataFrame
        One row a season: ``year``, ``loss_mm`` (evaporation, sublimation and drifting), ``precip_mm``.
    """
    rows = []
    for year in place.dates.years():
        begin, i, stop = (place.dates.at(y, d) for y, d in ((year, start), (year, first), (year + 1, last)))
        if NEVER in (begin, stop):
            continue
        track = run_span(soil, place.days, Span(begin, stop, run_in=False, water_share=water_share), settings)
        loss = flux(track, "evaporation", i - begin) + flux(track, "snow_loss", i - begin)
        rows.append({"year": year, "loss_mm": loss, "precip_mm": place.precip_mm(i, stop)})
    return pd.DataFrame(rows)


def best_split(precip_mm: np.ndarray, passes: np.ndarray) -> float:
    """Return the precipitation above which places pass and below which they fail, with the fewest exceptions.

    The middle between the two places on either side; NaN when all pass or all fail.
    """
    order = np.argsort(precip_mm)
    rain, good = np.asarray(precip_mm, float)[order], np.asarray(passes, bool)[order]
    if good.all() or not good.any():
        return float("nan")
    wrong = [(good[:k].sum() + (~good[k:]).sum()) for k in range(len(rain) + 1)]
    k = int(np.argmin(wrong))
    if k == 0 or k == len(rain):
        return float("nan")
    return float(0.5 * (rain[k - 1] + rain[k]))
