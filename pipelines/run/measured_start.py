"""What a field's answer would be from the water that was measured at harvest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import xarray as xr
from scipy.sparse import csr_matrix

from geo.balance.simulate import simulate
from geo.balance.water_on_date import water_on
from geo.ground.response_units import ResponseUnits
from geo.options import OPTIONS
from geo.rating.fields import field_means, widest_zone
from geo.rating.outcome import PLANTING, site_outcomes
from geo.rating.weighted import mixture_quantile, padded_members
from geo.rating.zone_codes import ZONE_CODES
from geo.rating.zones import classify
from geo.season import Calendar, day_of_year
from pipelines.run.measured_places import Ground, Sounding, field_ground
from pipelines.run.state import Run, need
from pipelines.study.tables import zone_rules

NUMBERS = ("planting_water_mm", "planting_gap_mm", "shortfall_years")
COLUMNS = [
    "place", "name", "is_field", "date", "after_harvest", "feet", "measured_mm", "modelled_mm", "option", "zone_code",
    "zone_code_start", *NUMBERS, *(f"{name}_start" for name in NUMBERS),
]  # fmt: skip


def start_answers(run: Run, chosen: Mapping[str, list[Sounding]]) -> pd.DataFrame:
    """Run the ground of each place from the water measured at harvest, under the weather of every season.

    Parameters
    ----------
    run : Run
    chosen : mapping
        Soundings that stand for harvest, by place (`choose_starts`).

    Returns
    -------
    DataFrame
        As in `pipelines.run.measured.Measured`.

    Notes
    -----
    A spot is carried over to the other soils of its field as a share of capacity: a sand next to it holds less. Feet
    that were not measured start as modelled. Water above capacity drains, as in the model.
    """
    if not chosen:
        return pd.DataFrame(columns=COLUMNS)
    soils, cells = need(run.soil_records), need(run.units).units["cell"].to_numpy()
    capacity = foot_capacity(soils)
    whole = {place: _whole(run, same[0]) for place, same in chosen.items()}
    unit = np.concatenate([g.units["unit"].to_numpy() for g in whole.values()])
    full = np.concatenate(
        [np.tile(_wetness(same, capacity), (len(whole[place].units), 1)) for place, same in chosen.items()]
    )
    water = full * capacity[unit]
    settings = run.tables.settings()
    restarted = simulate(
        need(run.weather), need(run.seasons), soils[unit], cells[unit], settings, ladder_days=(), days=run.days,
        rules=run.tables.model, harvest_water_mm=water,
    )  # fmt: skip
    at_harvest = water_on(
        run.study.calendar.harvest, run.study.calendar, need(run.weather), need(run.seasons), soils[unit],
        cells[unit], settings, run.days, run.tables.model,
    ).sel(option="stubble").median("season").values  # fmt: skip
    answers = _answers(run, restarted, whole)
    rows, first = [], 0
    for k, (place, same) in enumerate(chosen.items()):
        part = slice(first, first + len(whole[place].units))
        first = part.stop
        share = whole[place].units["share"].to_numpy()
        feet = np.isfinite(full[part][0])
        common = {
            **{key: getattr(same[0], key) for key in ("place", "name", "is_field", "date")},
            "after_harvest": _signed_days(same[0].month_day, run.study.calendar),
            "feet": int(feet.sum()),
            "measured_mm": float((share @ water[part])[feet].sum()),
            "modelled_mm": float((share @ at_harvest[part])[feet].sum()),
        }
        for j, option in enumerate(OPTIONS):
            rows.append(common | {"option": option} | {n: _at(v, k, j) for n, v in answers.items()})
    return pd.DataFrame(rows, columns=COLUMNS)


def foot_capacity(soils: np.ndarray) -> np.ndarray:
    """Return the capacity of the four feet of packed soils, mm, shape (unit, 4)."""
    capacity = soils["capacity_mm"]
    return np.column_stack([capacity[:, 0] + capacity[:, 1], capacity[:, 2:]])


def choose_starts(parts: Sequence[Sounding], calendar: Calendar, near: int) -> dict[str, list[Sounding]]:
    """Return the soundings of each place that stand for harvest: those of the last year, nearest to harvest.

    Only stubble, or ground on which the cover was not yet sown. Where none lies within `near` days of harvest, the
    first after it and before seeding counts.
    """
    sown = {
        "winter_killed": calendar.seeding_winter_killed,
        "overwinter_early": calendar.seeding_overwinter,
        "overwinter_late": calendar.seeding_overwinter,
    }
    until = _signed_days(calendar.seeding_winter_killed, calendar)
    found: dict[str, list[tuple[tuple[bool, int, int], Sounding]]] = {}
    for p in parts:
        days = _signed_days(p.month_day, calendar)
        bare = p.option == "stubble" or days <= _signed_days(sown[p.option], calendar)
        close = abs(days) <= near
        if bare and (close or 0 <= days <= until):
            found.setdefault(p.place, []).append(((close, p.date.year, -abs(days)), p))
    out = {}
    for place, ranked in found.items():
        best = max(rank for rank, _ in ranked)
        date = next(p.date for rank, p in ranked if rank == best)
        out[place] = [p for _, p in ranked if p.date == date]
    return out


def _signed_days(month_day: tuple[int, int], calendar: Calendar) -> int:
    """Return the days from harvest, negative before it, -182 to 182."""
    return (day_of_year(month_day) - day_of_year(calendar.harvest) + 182) % 365 - 182


def _wetness(same: list[Sounding], capacity: np.ndarray) -> np.ndarray:
    """Return the measured water by foot as a share of what the soil at the spot can hold; mean of the soundings."""
    shares = []
    for p in same:
        room = p.ground.units["share"].to_numpy() @ capacity[p.ground.units["unit"].to_numpy()]
        with np.errstate(invalid="ignore", divide="ignore"):
            shares.append(np.where(room > 0, np.clip(p.measured_mm / room, 0.0, 1.0), np.nan))
    known = np.isfinite(shares)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.nansum(shares, axis=0) / known.sum(axis=0))


def _whole(run: Run, sounding: Sounding) -> Ground:
    """Return the ground that the answer is for: the whole field, or the point."""
    return (field_ground(run, sounding.place) if sounding.is_field else None) or sounding.ground


def _answers(run: Run, restarted: xr.Dataset, whole: Mapping[str, Ground]) -> dict[str, np.ndarray]:
    """Return zone and numbers of each place, as modelled and from the measured start; (place,) or (place, option)."""
    sites = need(run.units).sites
    site = np.concatenate([g.sites["site"].to_numpy() for g in whole.values()])
    lengths = [len(g.sites) for g in whole.values()]
    share = np.concatenate([g.sites["share"].to_numpy() for g in whole.values()])
    place = np.repeat(np.arange(len(whole)), lengths)
    weights = csr_matrix((share, (place, np.arange(len(site)))), shape=(len(whole), len(site)))
    own = _own_units(run, whole)
    dryland, irrigated = zone_rules(run.tables, run.study)
    capacity = need(run.soil_records)["capacity_mm"].sum(axis=1)[own.units["source"].to_numpy()]
    outcomes = site_outcomes(
        restarted, capacity, own, need(run.cell_climate), dryland, day_of_year(run.study.calendar.planting),
        full=False, model=run.tables.model,
    )  # fmt: skip
    unit, weight = padded_members(own.site_units, len(site))
    planting = restarted["paw_mm"].values[:, :, :, PLANTING].sum(axis=-1)
    water = mixture_quantile(np.moveaxis(planting, 2, 1), unit, weight, (0.5,))[:, 0]
    rated = sites["rated_share"].to_numpy()[site]
    tables = classify(outcomes, dryland, rated).table, classify(outcomes, irrigated, rated, water_tests=False).table
    base = need(run.outcomes).isel(site=site)
    before = need(run.zones).table.iloc[site], need(run.irrigated_zones).iloc[site]
    wet = _irrigated(run, list(whole))
    return {
        "zone_code": _zone(weights, before, wet),
        "zone_code_start": _zone(weights, tables, wet),
        "planting_water_mm": field_means(weights, base["planting_water_mm"].sel(quantile=0.5).values),
        "planting_water_mm_start": field_means(weights, water),
        "planting_gap_mm": field_means(weights, base["planting_gap_mm"].sel(quantile=0.5).values),
        "planting_gap_mm_start": field_means(weights, outcomes["planting_gap_mm"].sel(quantile=0.5).values),
        "shortfall_years": field_means(weights, base["shortfall_years"].values),
        "shortfall_years_start": field_means(weights, outcomes["shortfall_years"].values),
    }


def _own_units(run: Run, whole: Mapping[str, Ground]) -> ResponseUnits:
    """Return sites and units of the places, each place with its own copy, for its own start."""
    units = need(run.units)
    site_rows, unit_rows, pairs, sites, count = [], [], [], 0, 0
    for ground in whole.values():
        number = pd.Series(np.arange(len(ground.units)) + count, index=ground.units["unit"].to_numpy())
        own = ground.sites[["site"]].assign(own=np.arange(len(ground.sites)) + sites)
        here = units.site_units.merge(own, on="site")
        pairs.append(pd.DataFrame({"site": here["own"], "unit": here["unit"].map(number), "weight": here["weight"]}))
        site_rows.append(units.sites.loc[ground.sites["site"]])
        unit_rows.append(units.units.loc[ground.units["unit"]].assign(source=ground.units["unit"].to_numpy()))
        sites += len(ground.sites)
        count += len(ground.units)
    return ResponseUnits(
        pd.concat(unit_rows).reset_index(drop=True),
        pd.concat(site_rows).reset_index(drop=True),
        pd.concat(pairs).reset_index(drop=True),
        np.zeros((0, 0), np.int32),
    )


def _irrigated(run: Run, places: list[str]) -> np.ndarray:
    fields = need(run.fields)
    wet = dict(zip(fields["field_id"].astype(str), fields["irrigated"].astype(bool), strict=True))
    return np.array([wet.get(place, False) for place in places], bool)


def _zone(weights: csr_matrix, tables: tuple[pd.DataFrame, pd.DataFrame], wet: np.ndarray) -> np.ndarray:
    """Return the zone with the most rated ground of each place, as for a field."""
    part = weights.tocoo()
    codes = np.where(wet[part.row], *(table["zone_code"].to_numpy()[part.col] for table in reversed(tables)))
    shares = np.zeros((weights.shape[0], len(ZONE_CODES) + 1))
    np.add.at(shares, (part.row, codes), part.data)
    rated = shares[:, 1 : ZONE_CODES["not_rated"]].round(9).any(axis=1)
    return np.where(rated, widest_zone(shares), ZONE_CODES["not_rated"])


def _at(values: np.ndarray, place: int, option: int) -> float | int:
    return values[place] if values.ndim == 1 else values[place, option]
