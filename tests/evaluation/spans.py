"""Run the water balance over spans of any length, so that field trials with their own dates can be repeated.

The study runs four options between fixed dates. Trials differ: fallow of fourteen months, covers sown in spring and
ended in early summer before wheat, twenty days of drying. All of them are run here with the very same compiled days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from geo.balance.kernel.compiled import compiled
from geo.balance.kernel.cover import end_cover, open_stand
from geo.balance.kernel.day import PLANTED, water_day
from geo.balance.kernel.lanes import (
    CANOPY,
    CAPACITY,
    DEPLETION,
    FLUX,
    KCB,
    LANES,
    ROOT,
    SNOW,
    WARMTH,
    WATER,
    fill,
    pad_mix,
)
from geo.balance.kernel.records import FLUXES, GROUP, N_SUB, STATE
from geo.balance.kernel.season_run import above_ground, any_day, available, note_layers, run_in, start_stubble
from geo.balance.parameters import BalanceSettings, Mix
from geo.season import RUN_IN_DAYS
from tests.water import pack_lanes

NEVER = -1
"""Position of an event that does not happen."""

TRACK = np.dtype(
    [
        ("available_mm", "f8"),  # plant-available water of the four feet at the start of the day
        ("layer_mm", "f8", (4,)),  # the same by one-foot layer
        ("surface_mm", "f8"),  # water of the top 100 mm above wilting point; may be below zero
        ("snow_mm", "f8"),
        ("flux_mm", "f8", (len(FLUXES),)),  # sums since the start of the track
        ("biomass_kg_ha", "f8"),  # above ground: living and dead cover
        ("canopy", "f8"),
    ],
    align=True,
)
"""What is written down at the start of every day of a span."""


@dataclass(frozen=True, slots=True)
class Span:
    """Positions on the time axis of what happens in one span.

    Attributes
    ----------
    begin, stop : int
        First day that is run, and the day at whose start the run ends.
    run_in : bool
        Grow the previous small grain in the 135 days before `begin` and start on its stubble; otherwise start from
        `water_share`.
    water_share : float
        Plant-available water at `begin` as a share of capacity, when there is no run-in.
    sow, end : int
        Seeding and termination of the cover; `NEVER` for fallow.
    """

    begin: int
    stop: int
    run_in: bool = True
    water_share: float = 1.0
    sow: int = NEVER
    end: int = NEVER


@compiled()
def _write(row, s, groups):
    row.available_mm = available(s, 0)
    note_layers(row.layer_mm, s, 0)
    row.surface_mm = s[WATER]
    row.snow_mm = s[SNOW]
    for k in range(row.flux_mm.size):
        row.flux_mm[k] = s[FLUX + k * LANES]
    row.biomass_kg_ha = above_ground(s, 0, groups)
    row.canopy = s[CANOPY]


@compiled()
def _run(s, days, begin, stop, with_run_in, water_share, sow, end, groups, mix_setting, p, track):
    if with_run_in:
        run_in(s, days, begin - RUN_IN_DAYS, p)
    else:
        for j in range(N_SUB * LANES):
            s[WATER + j] = water_share * s[CAPACITY + j]
        start_stubble(s, p)
    for t in range(begin, stop):
        _write(track[t - begin], s, groups)
        if t == sow:
            open_stand(s, groups)
        if t == end:
            end_cover(s, groups)
        any_day(s, days[t], groups, p, mix_setting, t - sow)
    _write(track[stop - begin], s, groups)


def _block(soil: np.ndarray) -> np.ndarray:
    """Return a block with one soil on every lane and nothing in store."""
    return pack_lanes(np.zeros(1, STATE), np.atleast_1d(soil))


def run_span(
    soil: np.ndarray, days: np.ndarray, span: Span, settings: BalanceSettings, mix: Mix | None = None
) -> np.ndarray:
    """Run one profile over one span.

    Parameters
    ----------
    soil : one record of `SOIL`
    days : structured array of `DAY`, shape (time,)
    span : Span
    settings : BalanceSettings
    mix : Mix, optional
        The cover; needed when the span has a seeding date.

    Returns
    -------
    structured array of `TRACK`, shape (stop - begin + 1,)
        Depths in mm, mass in kg/ha; row 0 is the start of the first day.

    Raises
    ------
    ValueError
        The span does not fit the record, or a cover is sown without a mix.
    """
    first = span.begin - (RUN_IN_DAYS if span.run_in else 0)
    if first < 0 or span.stop > len(days) or span.stop <= span.begin:
        raise ValueError(f"the span {span} does not fit a record of {len(days)} days")
    if span.sow != NEVER and mix is None:
        raise ValueError("a span with a seeding date needs a mix")
    groups = np.zeros(1, GROUP)[:0] if mix is None else pad_mix(mix.groups)
    mix_setting = np.array([1.0, 0.0] if mix is None else [mix.density, mix.water_bonus])
    track = np.zeros(span.stop - span.begin + 1, TRACK)
    _run(
        _block(soil), days, span.begin, span.stop, span.run_in, span.water_share, span.sow, span.end, groups,
        mix_setting, settings.parameters[0], track,
    )  # fmt: skip
    return track


@compiled()
def _run_fixed(s, days, kcb, canopy, root_mm, depletion_p, p, groups, track):
    for j in range(N_SUB * LANES):
        s[WATER + j] = s[CAPACITY + j]
    fill(s, CANOPY, canopy)
    for t in range(days.size):
        _write(track[t], s, groups)
        fill(s, KCB, kcb)
        fill(s, ROOT, root_mm)
        fill(s, DEPLETION, depletion_p)
        fill(s, WARMTH, 1.0)
        water_day(s, days[t], p, PLANTED)
    _write(track[days.size], s, groups)


def run_fixed_crop(
    soil: np.ndarray,
    days: np.ndarray,
    settings: BalanceSettings,
    *,
    kcb: float,
    canopy: float,
    root_mm: float,
    depletion_p: float,
) -> np.ndarray:
    """Run a crop that does not change, from a full profile, without residue: the plain dual crop coefficient.

    For comparison with independent FAO-56 code. ``kcb`` 0 is bare soil.

    Returns
    -------
    structured array of `TRACK`, shape (time + 1,)
    """
    track = np.zeros(len(days) + 1, TRACK)
    _run_fixed(
        _block(soil), days, kcb, canopy, root_mm, depletion_p, settings.parameters[0], np.zeros(1, GROUP)[:0], track
    )
    return track


def flux(track: np.ndarray, name: str, first: int = 0, last: int = -1) -> float:
    """Return the sum of one flux in mm between two rows of a track; `name` as in `FLUXES` without ``_mm``."""
    k = FLUXES.index(f"{name}_mm")
    return float(track["flux_mm"][last, k] - track["flux_mm"][first, k])


@dataclass(frozen=True, slots=True)
class DateFinder:
    """Finds month-days on the time axis of a daily record.

    Attributes
    ----------
    key : int array (time,)
        Dates as yyyymmdd.
    """

    key: np.ndarray

    @classmethod
    def of(cls, weather: xr.Dataset) -> DateFinder:
        """Build from the integer coordinates of daily weather."""
        year, month, day = (weather[name].values.astype(np.int64) for name in ("year", "month", "day"))
        return cls(year * 10000 + month * 100 + day)

    def at(self, year: int, date: tuple[int, int]) -> int:
        """Return the position of a date; `NEVER` when the record does not reach it."""
        wanted = year * 10000 + date[0] * 100 + date[1]
        place = int(np.searchsorted(self.key, wanted))
        return place if place < len(self.key) and self.key[place] == wanted else NEVER

    def years(self) -> range:
        """Return the years of the record."""
        return range(int(self.key[0] // 10000), int(self.key[-1] // 10000) + 1)
