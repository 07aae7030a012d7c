"""What a field's answer would be from the water that was measured at harvest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import xarray as xr
from scipy.sparse import csr_matrix

from geo.balance import simulate, water_on
from geo.options import OPTIONS
from geo.rating import PLANTING, Limits, find_zones, margins, outcomes_for_rule, place_means, test_values
from geo.season import Calendar, day_of_year
from pipelines.run.context import Context
from pipelines.run.measured_places import Place, Places, Sounding, field_ground
from pipelines.run.seasons import Seasons

NUMBERS = ("planting_water_mm", "planting_gap_mm", "shortfall_years")
WINTER_AND_SEASON = ("cover_ok_years", "winterkill_years", "survival_years")
COLUMNS = [
    "place", "name", "is_field", "date", "after_harvest", "feet", "measured_mm", "modelled_mm", "option", "zone_code",
    "zone_code_start", *NUMBERS, *(f"{name}_start" for name in NUMBERS),
]  # fmt: skip


def start_answers(
    context: Context, places: Places, run: Seasons, chosen: Mapping[str, list[Sounding]]
) -> pd.DataFrame:
    """Run the ground of each place from the water measured at harvest, under the weather of every season.

    Parameters
    ----------
    context : Context
    places : Places
    run : Seasons
        The units as modelled.
    chosen : mapping
        Soundings that count as taken at harvest, by place (`choose_starts`).

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
    ground, weather, model = places.ground, places.ground.weather, context.tables.model
    soils, cells = ground.soil_records, ground.unit_cell
    capacity = foot_capacity(soils)
    whole = {place: _whole(places, same[0]) for place, same in chosen.items()}
    unit = np.concatenate([g.units["unit"].to_numpy() for g in whole.values()])
    full = np.concatenate(
        [np.tile(_wetness(same, capacity), (len(whole[place].units), 1)) for place, same in chosen.items()]
    )
    water = full * capacity[unit]
    settings, calendar = context.tables.settings(), context.study.calendar
    restarted = simulate(
        weather.daily, weather.seasons, soils[unit], cells[unit], settings, ladder_days=(), days=weather.days,
        rules=model, harvest_water_mm=water,
    )  # fmt: skip
    at_harvest = water_on(
        calendar.harvest, calendar, weather.daily, weather.seasons, soils[unit], cells[unit], settings,
        weather.days, model,
    ).sel(option="stubble").mean("season").values  # fmt: skip
    answers = _answers(context, places, run, restarted, whole)
    rows, first = [], 0
    for k, (place, same) in enumerate(chosen.items()):
        part = slice(first, first + len(whole[place].units))
        first = part.stop
        share = whole[place].units["share"].to_numpy()
        feet = np.isfinite(full[part][0])
        common = {
            **{key: getattr(same[0], key) for key in ("place", "name", "is_field", "date")},
            "after_harvest": _signed_days(same[0].month_day, calendar),
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
    """Return the soundings of each place that count as taken at harvest: those of the last year, nearest to harvest.

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


def _whole(places: Places, sounding: Sounding) -> Place:
    """Return the ground that the answer is for: the whole field, or the point."""
    return (field_ground(places, sounding.place) if sounding.is_field else None) or sounding.ground


def _answers(
    context: Context, places: Places, run: Seasons, restarted: xr.Dataset, whole: Mapping[str, Place]
) -> dict[str, np.ndarray]:
    """Return zone and numbers of each place, as modelled and from the measured start; (place,) or (place, option)."""
    unit = np.concatenate([p.units["unit"].to_numpy() for p in whole.values()])
    share = np.concatenate([p.units["share"].to_numpy() for p in whole.values()])
    starts = np.concatenate([[0], np.cumsum([len(p.units) for p in whole.values()])])
    weights = csr_matrix((share, np.arange(len(unit)), starts), shape=(len(whole), len(unit)))
    capacity = places.ground.capacity_mm[unit]
    tested = outcomes_for_rule(restarted, capacity, context.rules.dryland, context.tables.model)
    water = restarted["paw_mm"].values[:, :, :, PLANTING].sum(axis=-1, dtype=float).mean(axis=2)
    after = tested.assign(planting_water_mm=(("unit", "option"), water))
    before = run.outcomes[[*NUMBERS, *WINTER_AND_SEASON]].isel(unit=unit)
    before = before.sel(stat="mean", drop=True)
    irrigated = dict(zip(places.ground.fields["field_id"], places.ground.fields["irrigated"], strict=True))
    limits = Limits.of(
        context.rules.dryland, context.rules.irrigated, np.array([irrigated.get(p, False) for p in whole], bool)
    )
    answers: dict[str, np.ndarray] = {}
    for end, by_unit in (("", before), ("_start", after)):
        values = margins(place_means(weights, test_values(by_unit)), limits)
        answers[f"zone_code{end}"] = find_zones(values, np.ones(len(whole), bool)).code
        for name in NUMBERS:
            answers[f"{name}{end}"] = place_means(weights, by_unit[name].values)
    return answers


def _at(values: np.ndarray, place: int, option: int) -> float | int:
    return values[place] if values.ndim == 1 else values[place, option]
