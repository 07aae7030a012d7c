"""One season of one response unit: four options on the same weather, from harvest to the next planting (compiled).

The previous small grain is run once and shared; the overwintering cover is run once and forked at each termination
date, since until then nothing differs.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from geo.balance_cover import cover_day, end_cover, open_stand
from geo.balance_day import decay_day, residue_cover, water_day
from geo.balance_types import N_SUB, STATE
from geo.season import RUN_IN_DAYS

STUBBLE, KILLED, EARLY, LATE = 0, 1, 2, 3
AT_SEEDING, AT_MID_NOVEMBER, AT_FIRST_APRIL, AT_PLANTING = 0, 1, 2, 3
AT_FREEZE, IN_APRIL, AT_END = 0, 1, 2
STEP_DAYS = 7


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def run_in(state, soil, days, start, p):
    """Grow the previous small grain on what is left of spring, and leave its stubble."""
    for k in range(N_SUB):
        state.water_mm[k] = p.run_in_water_share * soil.capacity_mm[k]
    state.snow_mm = 0.0
    state.canopy = 0.0
    state.straw_kg_ha = p.run_in_straw_share * p.stubble_straw_kg_ha
    state.shelter_m = 0.0
    full_grown = p.run_in_initial_days + p.run_in_development_days
    for j in range(RUN_IN_DAYS):
        grown = small_grain_growth(float(j), p)
        kcb = p.run_in_kcb_start + (p.run_in_kcb - p.run_in_kcb_start) * grown
        if j < full_grown + p.run_in_mid_days:
            state.canopy = p.run_in_cover * grown
        else:
            state.canopy = max(state.canopy - p.run_in_ripening_loss, p.run_in_least_cover)
        reached = min(1.0, (j + p.run_in_root_lead_days) / (full_grown + p.run_in_root_lead_days))
        root = p.run_in_root_start_mm + (p.run_in_root_mm - p.run_in_root_start_mm) * reached
        water_day(state, soil, days[start + j], p, kcb, root, p.run_in_depletion_p, 1.0)
    state.canopy = 0.0
    state.straw_kg_ha = p.stubble_straw_kg_ha
    state.dead_cover_kg_ha = 0.0
    state.dead_area_m2_kg = p.straw_area_m2_kg
    state.dead_decay = 1.0
    state.shelter_m = p.stubble_height_m
    state.stand_open = 0.0
    for k in range(state.flux_mm.size):
        state.flux_mm[k] = 0.0


@njit(cache=True, error_model="numpy")
def start_from(state, soil, harvest_mm):
    """Replace the water at harvest by what was measured, foot by foot (NaN: as simulated; at most the capacity)."""
    first = soil.capacity_mm[0] + soil.capacity_mm[1]
    if not np.isnan(harvest_mm[0]) and first > 0.0:
        held = min(max(harvest_mm[0], 0.0), first)
        state.water_mm[0] = held * soil.capacity_mm[0] / first
        state.water_mm[1] = held * soil.capacity_mm[1] / first
    for k in range(2, N_SUB):
        if not np.isnan(harvest_mm[k - 1]):
            state.water_mm[k] = min(max(harvest_mm[k - 1], 0.0), soil.capacity_mm[k])


@njit(cache=True, error_model="numpy")
def bare_day(state, soil, day, p):
    """Run one day without a living cover."""
    water_day(state, soil, day, p, 0.0, 0.0, 0.5, 1.0)
    decay_day(state, soil, day, p)


@njit(cache=True, error_model="numpy")
def any_day(state, soil, day, groups, p, mix_setting, days_since_seeding):
    """Run one day with whatever stands: a living or emerging cover, or none."""
    if state.stand_open > 0.5:
        cover_day(state, soil, day, groups, p, mix_setting[0], mix_setting[1], days_since_seeding)
        decay_day(state, soil, day, p)
    else:
        bare_day(state, soil, day, p)


@njit(cache=True, error_model="numpy")
def available(state):
    """Plant-available water of the four feet in mm; the dried-out surface counts as zero."""
    total = max(0.0, state.water_mm[0])
    for k in range(1, N_SUB):
        total += max(0.0, state.water_mm[k])
    return total


@njit(cache=True, error_model="numpy")
def _note_layers(out, state):
    out[0] = max(0.0, state.water_mm[0]) + max(0.0, state.water_mm[1])
    for k in range(2, N_SUB):
        out[k - 1] = max(0.0, state.water_mm[k])


@njit(cache=True, error_model="numpy")
def _whole_cover(state, p):
    return 1.0 - (1.0 - state.canopy) * (1.0 - residue_cover(state, p))


@njit(cache=True, error_model="numpy")
def _mass(state, groups):
    total = state.dead_cover_kg_ha
    for g in range(groups.size):
        total += state.mass_kg_ha[g]
    return total


@njit(cache=True, error_model="numpy")
def _living_share(state, groups):
    if state.emerged < 0.5 or state.stand_open < 0.5:
        return 0.0
    share = 0.0
    for g in range(groups.size):
        if state.alive[g] > 0.5:
            share += groups[g].share
    return share


@njit(cache=True, error_model="numpy")
def _note(t, o, s, event, state, groups, p, freeze, seeding, paw, stored, mass, cover, living):
    """Write down what is asked for at the start of day `t`."""
    since = t - event.harvest
    if since % STEP_DAYS == 0 and since // STEP_DAYS < stored.shape[2]:
        stored[o, s, since // STEP_DAYS] = available(state)
    if t == seeding:
        _note_layers(paw[o, s, AT_SEEDING], state)
    if t == event.mid_november:
        _note_layers(paw[o, s, AT_MID_NOVEMBER], state)
    if t == freeze:
        mass[o, s, AT_FREEZE] = _mass(state, groups)
        cover[o, s, AT_FREEZE] = state.canopy
    if t == event.first_april:
        _note_layers(paw[o, s, AT_FIRST_APRIL], state)
        mass[o, s, IN_APRIL] = _mass(state, groups)
        cover[o, s, IN_APRIL] = _whole_cover(state, p)
        living[o, s] = _living_share(state, groups)
    if t == event.stop:
        _note_layers(paw[o, s, AT_PLANTING], state)
        mass[o, s, AT_END] = _mass(state, groups)
        cover[o, s, AT_END] = _whole_cover(state, p)


@njit(cache=True, error_model="numpy")
def run_season(
    s, soil, days, event, freeze, killed_mix, winter_mix, weeds, mix_settings, harvest_mm, ladder, p,
    paw, stored, mass, cover, living, emerged, flux, ladder_paw, states,
):  # fmt: skip
    """Run season `s` of one unit and write its results in place.

    `states` is scratch: 0 harvest, 1 running, 2 early fork, 3... one a rung of the ladder. `mix_settings` has one row
    a mix: density, water bonus. `weeds` is empty where the stubble is kept clean; else they come up after harvest and
    are sprayed on the early termination date. Returns the largest daily imbalance in mm.
    """
    worst = 0.0
    base = states[0]
    base.closure_mm = 0.0
    run_in(base, soil, days, event.start, p)
    start_from(base, soil, harvest_mm)
    worst = max(worst, base.closure_mm)

    states[1] = states[0]
    now = states[1]
    for t in range(event.harvest, event.stop + 1):
        if t == event.harvest and weeds.size > 0:
            open_stand(now, weeds)
        _note(t, STUBBLE, s, event, now, weeds, p, event.mid_november, event.seeding_winter_killed,
              paw, stored, mass, cover, living)  # fmt: skip
        if t == event.stop:
            break
        if t == event.early_termination and now.stand_open > 0.5:
            end_cover(now, weeds)
        any_day(now, soil, days[t], weeds, p, mix_settings[2], t - event.harvest)
    for k in range(now.flux_mm.size):
        flux[STUBBLE, s, k] = now.flux_mm[k]
    worst = max(worst, now.closure_mm)

    states[1] = states[0]
    sprayed_alive = 0.0
    for t in range(event.harvest, event.stop + 1):
        if t == event.seeding_winter_killed:
            open_stand(now, killed_mix)
        _note(t, KILLED, s, event, now, killed_mix, p, freeze, event.seeding_winter_killed,
              paw, stored, mass, cover, living)  # fmt: skip
        if t == event.stop:
            break
        if t == event.early_termination and now.stand_open > 0.5:
            sprayed_alive = _living_share(now, killed_mix)
            end_cover(now, killed_mix)
        any_day(now, soil, days[t], killed_mix, p, mix_settings[0], t - event.seeding_winter_killed)
    if event.early_termination < event.first_april:
        # what had to be sprayed before the check date was alive: winter did not kill it
        living[KILLED, s] = sprayed_alive
    emerged[KILLED, s] = now.emerged
    for k in range(now.flux_mm.size):
        flux[KILLED, s, k] = now.flux_mm[k]
    worst = max(worst, now.closure_mm)

    states[1] = states[0]
    for t in range(event.harvest, event.stop + 1):
        if t == event.seeding_overwinter:
            open_stand(now, winter_mix)
        _note(t, LATE, s, event, now, winter_mix, p, event.early_termination, event.seeding_overwinter,
              paw, stored, mass, cover, living)  # fmt: skip
        if t == event.early_termination:
            states[2] = states[1]
            _note_common(s, t - event.harvest, paw, stored, mass, cover, living)
        for r in range(ladder.size):
            if t == event.stop + ladder[r]:
                states[3 + r] = states[1]
        if t == event.stop:
            break
        any_day(now, soil, days[t], winter_mix, p, mix_settings[1], t - event.seeding_overwinter)
    emerged[LATE, s] = now.emerged
    emerged[EARLY, s] = now.emerged
    for k in range(now.flux_mm.size):
        flux[LATE, s, k] = now.flux_mm[k]
    worst = max(worst, now.closure_mm)

    early = states[2]
    end_cover(early, winter_mix)
    for t in range(event.early_termination, event.stop + 1):
        _note(t, EARLY, s, event, early, winter_mix, p, -1, event.seeding_overwinter,
              paw, stored, mass, cover, living)  # fmt: skip
        if t == event.first_april:
            living[EARLY, s] = living[LATE, s]
        if t < event.stop:
            bare_day(early, soil, days[t], p)
    if event.early_termination > event.first_april:
        living[EARLY, s] = living[LATE, s]
    for k in range(early.flux_mm.size):
        flux[EARLY, s, k] = early.flux_mm[k]
    worst = max(worst, early.closure_mm)

    for r in range(ladder.size):
        fork = states[3 + r]
        end_cover(fork, winter_mix)
        for t in range(event.stop + ladder[r], event.stop):
            bare_day(fork, soil, days[t], p)
        ladder_paw[r, s] = available(fork)
        worst = max(worst, fork.closure_mm)
    return worst


@njit(cache=True, error_model="numpy")
def _note_common(s, since, paw, stored, mass, cover, living):
    """Give the early-ended option what the overwintering cover did before the fork."""
    for c in range(paw.shape[2]):
        for k in range(paw.shape[3]):
            paw[EARLY, s, c, k] = paw[LATE, s, c, k]
    for j in range(min(stored.shape[2], since // STEP_DAYS + 1)):
        stored[EARLY, s, j] = stored[LATE, s, j]
    for w in range(mass.shape[2]):
        mass[EARLY, s, w] = mass[LATE, s, w]
        cover[EARLY, s, w] = cover[LATE, s, w]
    living[EARLY, s] = living[LATE, s]


@njit(cache=True, error_model="numpy", nogil=True)
def run_units(
    soils, unit_cell, days, events, freezes, killed_mix, winter_mix, weeds, mix_settings, harvest_mm, ladder,
    parameters, paw, stored, mass, cover, living, emerged, flux, ladder_paw,
):  # fmt: skip
    """Run every season of every unit given; returns the worst imbalance in mm.

    Releases the interpreter, so that parts of the units run side by side in threads. (One compiled parallel loop was
    no faster and took a third longer to compile on first use.)
    """
    states = np.zeros(3 + ladder.size, STATE)
    worst = 0.0
    for u in range(soils.size):
        cell = unit_cell[u]
        for s in range(events.size):
            error = run_season(
                s, soils[u], days[cell], events[s], freezes[cell, s], killed_mix, winter_mix, weeds, mix_settings,
                harvest_mm[u], ladder, parameters[0], paw[u], stored[u], mass[u], cover[u], living[u], emerged[u],
                flux[u], ladder_paw[u], states,
            )  # fmt: skip
            worst = max(worst, error)
    return worst
