"""One season of one block of units: four options on the same weather, from harvest to the next planting (compiled).

The previous small grain is run once and shared; the overwintering cover is run once and forked at each termination
date, since until then nothing differs. Rows of a block are named in `geo.balance.kernel.lanes`.
"""

from __future__ import annotations

import numpy as np

from geo.balance.kernel.compiled import compiled
from geo.balance.kernel.cover import cover_day, end_cover, open_stand
from geo.balance.kernel.day import BARE, PLANTED, decay_day, residue_cover, water_day
from geo.balance.kernel.lanes import (
    ALIVE,
    CANOPY,
    CAPACITY,
    CLOSURE,
    DEAD,
    DEAD_AREA,
    DEAD_DECAY,
    DEPLETION,
    EMERGED,
    FLUX,
    KCB,
    LANES,
    MASS,
    OPEN,
    ROOT,
    SHELTER,
    SIZE,
    SNOW,
    STATE_END,
    STRAW,
    WARMTH,
    WATER,
    fill,
    highest,
    load_soils,
)
from geo.balance.kernel.records import FLUXES, N_SUB
from geo.season import RUN_IN_DAYS

STUBBLE, KILLED, EARLY, LATE = (np.int64(k) for k in range(4))
AT_SEEDING, AT_MID_NOVEMBER, AT_FIRST_APRIL, AT_PLANTING = 0, 1, 2, 3
AT_FREEZE, IN_APRIL, AT_END = 0, 1, 2
STEP_DAYS = 7
N_FLUXES = len(FLUXES)
NEVER = np.int64(-1)
"""A day that does not come."""


@compiled()
def small_grain_growth(day, p):
    """Return how far the small grain is grown `day` days after its start: 0, 1 in mid season, 0 when ripe (FAO-56).

    The basal crop coefficient follows it between its values for bare ground and for mid season.
    """
    ripening = p.run_in_initial_days + p.run_in_development_days + p.run_in_mid_days
    if day < p.run_in_initial_days:
        return 0.0
    if day < p.run_in_initial_days + p.run_in_development_days:
        return (day - p.run_in_initial_days) / p.run_in_development_days
    if day < ripening:
        return 1.0
    return 1.0 - min(1.0, (day - ripening) / (RUN_IN_DAYS - ripening))


@compiled()
def run_in(s, days, start, p):
    """Grow the previous small grain on what is left of spring, and leave its stubble."""
    for j in range(N_SUB * LANES):
        s[WATER + j] = p.run_in_water_share * s[CAPACITY + j]
    fill(s, SNOW, 0.0)
    fill(s, CANOPY, 0.0)
    fill(s, STRAW, p.run_in_straw_share * p.stubble_straw_kg_ha)
    fill(s, DEAD, 0.0)
    fill(s, SHELTER, 0.0)
    full_grown = p.run_in_initial_days + p.run_in_development_days
    canopy = 0.0
    for j in range(RUN_IN_DAYS):
        grown = small_grain_growth(float(j), p)
        if j < full_grown + p.run_in_mid_days:
            canopy = p.run_in_cover * grown
        else:
            canopy = max(canopy - p.run_in_ripening_loss, p.run_in_least_cover)
        reached = min(1.0, (j + p.run_in_root_lead_days) / (full_grown + p.run_in_root_lead_days))
        fill(s, CANOPY, canopy)
        fill(s, KCB, p.run_in_kcb_start + (p.run_in_kcb - p.run_in_kcb_start) * grown)
        fill(s, ROOT, p.run_in_root_start_mm + (p.run_in_root_mm - p.run_in_root_start_mm) * reached)
        fill(s, DEPLETION, p.run_in_depletion_p)
        fill(s, WARMTH, 1.0)
        water_day(s, days[start + j], p, PLANTED)
    start_stubble(s, p)


@compiled()
def start_stubble(s, p):
    """Leave fresh stubble without a cover, and an empty ledger."""
    fill(s, CANOPY, 0.0)
    fill(s, STRAW, p.stubble_straw_kg_ha)
    fill(s, DEAD, 0.0)
    fill(s, DEAD_AREA, p.straw_area_m2_kg)
    fill(s, DEAD_DECAY, 1.0)
    fill(s, SHELTER, p.stubble_height_m)
    fill(s, OPEN, 0.0)
    for k in range(N_FLUXES):
        fill(s, FLUX + k * LANES, 0.0)


@compiled()
def start_from(s, i, harvest_mm):
    """Replace the water of one lane by what was measured, foot by foot (NaN: as simulated; at most the capacity)."""
    first = s[CAPACITY + i] + s[CAPACITY + LANES + i]
    if not np.isnan(harvest_mm[0]) and first > 0.0:
        held = min(max(harvest_mm[0], 0.0), first)
        for k in range(2):
            s[WATER + k * LANES + i] = held * s[CAPACITY + k * LANES + i] / first
    for k in range(2, N_SUB):
        if not np.isnan(harvest_mm[k - 1]):
            s[WATER + k * LANES + i] = min(max(harvest_mm[k - 1], 0.0), s[CAPACITY + k * LANES + i])


@compiled()
def any_day(s, day, groups, p, mix_setting, days_since_seeding):
    """Run one day with a living or emerging cover, or without one."""
    if groups.size > 0 and highest(s, OPEN) > 0.5:
        cover_day(s, day, groups, p, mix_setting[0], mix_setting[1], days_since_seeding)
    else:
        water_day(s, day, p, BARE)
    decay_day(s, day, p)


@compiled()
def available(s, i):
    """Return the plant-available water of the four feet in mm; the dried-out surface counts as zero."""
    total = 0.0
    for k in range(N_SUB):
        total += max(0.0, s[WATER + k * LANES + i])
    return total


@compiled()
def note_layers(out, s, i):
    """Write plant-available water by one-foot layer."""
    out[0] = max(0.0, s[WATER + i]) + max(0.0, s[WATER + LANES + i])
    for k in range(2, N_SUB):
        out[k - 1] = max(0.0, s[WATER + k * LANES + i])


@compiled()
def _whole_cover(s, i, p):
    residue = residue_cover(s[STRAW + i], s[DEAD + i], s[DEAD_AREA + i], p)
    return 1.0 - (1.0 - s[CANOPY + i]) * (1.0 - residue)


@compiled()
def above_ground(s, i, groups):
    """Return the dry matter of living and dead cover, kg/ha."""
    total = s[DEAD + i]
    for g in range(groups.size):
        total += s[MASS + g * LANES + i]
    return total


@compiled()
def _living_share(s, i, groups):
    share = 0.0
    for g in range(groups.size):
        share += groups[g].share * s[ALIVE + g * LANES + i]
    return share * s[EMERGED + i] * s[OPEN + i]


@compiled()
def _note(t, o, year, event, s, units, groups, p, freeze, seeding, paw, stored, mass, cover, living):
    """Write down what is asked for at the start of day `t`."""
    since = t - event.harvest
    step = since // STEP_DAYS if since % STEP_DAYS == 0 else NEVER
    november, april, stop = t == event.mid_november, t == event.first_april, t == event.stop
    if not (step >= 0 or november or april or stop or t in (freeze, seeding)):
        return
    for i in range(units.size):
        u = units[i]
        if 0 <= step < stored.shape[3]:
            stored[u, o, year, step] = available(s, i)
        if t == seeding:
            note_layers(paw[u, o, year, AT_SEEDING], s, i)
        if november:
            note_layers(paw[u, o, year, AT_MID_NOVEMBER], s, i)
        if t == freeze:
            mass[u, o, year, AT_FREEZE] = above_ground(s, i, groups)
            cover[u, o, year, AT_FREEZE] = s[CANOPY + i]
        if april:
            note_layers(paw[u, o, year, AT_FIRST_APRIL], s, i)
            mass[u, o, year, IN_APRIL] = above_ground(s, i, groups)
            cover[u, o, year, IN_APRIL] = _whole_cover(s, i, p)
            # what had to be sprayed before this date was alive: winter did not kill it
            living[u, o, year] = max(living[u, o, year], _living_share(s, i, groups))
        if stop:
            note_layers(paw[u, o, year, AT_PLANTING], s, i)
            mass[u, o, year, AT_END] = above_ground(s, i, groups)
            cover[u, o, year, AT_END] = _whole_cover(s, i, p)


@compiled()
def _close_books(o, year, s, units, emerged, flux):
    """Write the sums of the option; returns the largest daily imbalance."""
    for i in range(units.size):
        emerged[units[i], o, year] = s[EMERGED + i]
        for k in range(N_FLUXES):
            flux[units[i], o, year, k] = s[FLUX + k * LANES + i]
    return highest(s, CLOSURE)


@compiled()
def _copy(to, s):
    for j in range(STATE_END):
        to[j] = s[j]


@compiled()
def run_season(
    year, s, forks, units, days, event, freeze, killed_mix, winter_mix, weeds, mix_settings, harvest_mm, ladder, p,
    paw, stored, mass, cover, living, emerged, flux, ladder_paw,
):  # fmt: skip
    """Run one season of one block and write the results of its units in place.

    `s` is the block with its soils loaded; `forks` is scratch for states: 0 harvest, 1 early fork, 2... one a rung of
    the ladder. `mix_settings` has one row a mix: density, water bonus. `weeds` is empty where the stubble is kept
    clean; else they come up after harvest and are sprayed on the early termination date. Returns the largest daily
    imbalance in mm.
    """
    fill(s, CLOSURE, 0.0)
    fill(s, EMERGED, 0.0)
    run_in(s, days, event.start, p)
    for i in range(units.size):
        start_from(s, i, harvest_mm[units[i]])
    _copy(forks[0], s)

    for t in range(event.harvest, event.stop + 1):
        if t == event.harvest and weeds.size > 0:
            open_stand(s, weeds)
        _note(t, STUBBLE, year, event, s, units, weeds, p, event.mid_november, event.seeding_winter_killed,
              paw, stored, mass, cover, living)  # fmt: skip
        if t == event.stop:
            break
        if t == event.early_termination:
            end_cover(s, weeds)
        any_day(s, days[t], weeds, p, mix_settings[2], t - event.harvest)
    worst = _close_books(STUBBLE, year, s, units, emerged, flux)

    _copy(s, forks[0])
    for t in range(event.harvest, event.stop + 1):
        if t == event.seeding_winter_killed:
            open_stand(s, killed_mix)
        _note(t, KILLED, year, event, s, units, killed_mix, p, freeze, event.seeding_winter_killed,
              paw, stored, mass, cover, living)  # fmt: skip
        if t == event.stop:
            break
        if t == event.early_termination:
            if event.early_termination < event.first_april:
                for i in range(units.size):
                    living[units[i], KILLED, year] = _living_share(s, i, killed_mix)
            end_cover(s, killed_mix)
        any_day(s, days[t], killed_mix, p, mix_settings[0], t - event.seeding_winter_killed)
    worst = max(worst, _close_books(KILLED, year, s, units, emerged, flux))

    _copy(s, forks[0])
    for t in range(event.harvest, event.stop + 1):
        if t == event.seeding_overwinter:
            open_stand(s, winter_mix)
        _note(t, LATE, year, event, s, units, winter_mix, p, event.early_termination, event.seeding_overwinter,
              paw, stored, mass, cover, living)  # fmt: skip
        if t == event.early_termination:
            _copy(forks[1], s)
            for i in range(units.size):
                _note_common(units[i], year, t - event.harvest, paw, stored, mass, cover, living)
        for r in range(ladder.size):
            if t == event.stop + ladder[r]:
                _copy(forks[2 + r], s)
        if t == event.stop:
            break
        any_day(s, days[t], winter_mix, p, mix_settings[1], t - event.seeding_overwinter)
    worst = max(worst, _close_books(LATE, year, s, units, emerged, flux))

    _copy(s, forks[1])
    end_cover(s, winter_mix)
    for t in range(event.early_termination, event.stop + 1):
        _note(t, EARLY, year, event, s, units, winter_mix, p, NEVER, event.seeding_overwinter,
              paw, stored, mass, cover, living)  # fmt: skip
        if t < event.stop:
            any_day(s, days[t], winter_mix[:0], p, mix_settings[1], t)
    for i in range(units.size):
        living[units[i], EARLY, year] = living[units[i], LATE, year]
    worst = max(worst, _close_books(EARLY, year, s, units, emerged, flux))

    for r in range(ladder.size):
        _copy(s, forks[2 + r])
        end_cover(s, winter_mix)
        for t in range(event.stop + ladder[r], event.stop):
            any_day(s, days[t], winter_mix[:0], p, mix_settings[1], t)
        for i in range(units.size):
            ladder_paw[units[i], r, year] = available(s, i)
        worst = max(worst, highest(s, CLOSURE))
    return worst


@compiled()
def _note_common(u, year, since, paw, stored, mass, cover, living):
    """Give the early-ended option what the overwintering cover did before the fork."""
    for check in range(paw.shape[3]):
        for layer in range(paw.shape[4]):
            paw[u, EARLY, year, check, layer] = paw[u, LATE, year, check, layer]
    for j in range(min(stored.shape[3], since // STEP_DAYS + 1)):
        stored[u, EARLY, year, j] = stored[u, LATE, year, j]
    for when in range(mass.shape[3]):
        mass[u, EARLY, year, when] = mass[u, LATE, year, when]
        cover[u, EARLY, year, when] = cover[u, LATE, year, when]
    living[u, EARLY, year] = living[u, LATE, year]


@compiled(nogil=True)
def run_blocks(
    blocks, unit_cell, soils, days, events, freezes, killed_mix, winter_mix, weeds, mix_settings, harvest_mm, ladder,
    parameters, paw, stored, mass, cover, living, emerged, flux, ladder_paw,
):  # fmt: skip
    """Run every season of every block; returns the worst imbalance in mm.

    `blocks` has one row a block: `LANES` units of one climate cell, -1 where there are fewer. `soils` are the plain
    numbers of the profiles. Releases the interpreter, so that blocks run side by side in threads. (One compiled
    parallel loop was no faster and took a third longer to compile on first use.)
    """
    s = np.zeros(SIZE)
    forks = np.zeros((2 + ladder.size, STATE_END))
    lanes = np.zeros(LANES, np.int64)
    worst = 0.0
    for b in range(blocks.shape[0]):
        count = 0
        for i in range(LANES):
            if blocks[b, i] >= 0:
                count += 1
        for i in range(LANES):
            lanes[i] = blocks[b, min(i, count - 1)]  # spare lanes repeat the last unit
        load_soils(s, soils, lanes)
        cell = unit_cell[lanes[0]]
        for year in range(events.size):
            error = run_season(
                year, s, forks, lanes[:count], days[cell], events[year], freezes[cell, year], killed_mix, winter_mix,
                weeds, mix_settings, harvest_mm, ladder, parameters[0],
                paw, stored, mass, cover, living, emerged, flux, ladder_paw,
            )  # fmt: skip
            worst = max(worst, error)
    return worst
