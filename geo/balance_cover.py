"""The living cover of one day: emergence, canopy, roots, growth, frost and termination (compiled).

A mix is a set of functional groups, each on its share of the ground, with its own temperatures, roots and water use.
The mix is the sum of its groups: nothing is added for mixing (Nielsen et al. 2015; Hendrickson et al. 2021).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from geo.balance_day import shelter_height, water_day


@njit(cache=True, error_model="numpy")
def ground_cover(heat_gdd, half_cover_gdd, cover_max):
    """Return the ground cover (0-1) of a group after `heat_gdd` degree days: a Hill curve of order 3.

    Half of `cover_max` is reached at `half_cover_gdd`; slow at first, fast near the middle, then level.
    """
    cube = heat_gdd * heat_gdd * heat_gdd
    return cover_max * cube / (cube + half_cover_gdd * half_cover_gdd * half_cover_gdd)


@njit(cache=True, error_model="numpy")
def density_coefficient(cover, height_m, multiplier):
    """Return Kd = min(1, M fc, fc^(1/(1+h))) (Allen and Pereira 2009)."""
    if cover <= 0.0:
        return 0.0
    return min(1.0, min(multiplier * cover, cover ** (1.0 / (1.0 + height_m))))


@njit(cache=True, error_model="numpy")
def bury_group(state, groups, g):
    """Turn a dead group into residue."""
    mass = state.mass_kg_ha[g]
    total = state.dead_cover_kg_ha + mass
    if total > 0.0:
        old = state.dead_cover_kg_ha / total
        state.dead_area_m2_kg = old * state.dead_area_m2_kg + (1.0 - old) * groups[g].residue_area_m2_kg
        state.dead_decay = old * state.dead_decay + (1.0 - old) * groups[g].decay_multiplier
    state.dead_cover_kg_ha = total
    state.mass_kg_ha[g] = 0.0
    state.alive[g] = 0.0


@njit(cache=True, error_model="numpy")
def end_cover(state, groups):
    """Terminate what lives; it stays on the ground as residue."""
    for g in range(groups.size):
        if state.alive[g] > 0.5:
            bury_group(state, groups, g)
    state.canopy = 0.0
    state.stand_open = 0.0


@njit(cache=True, error_model="numpy")
def open_stand(state, groups):
    """Seed the cover: nothing has emerged yet."""
    state.stand_open = 1.0
    state.emerged = 0.0
    state.emergence_gdd = 0.0
    state.canopy = 0.0
    state.frost_memory = 0.0
    for g in range(groups.size):
        state.heat_gdd[g] = 0.0
        state.root_mm[g] = 0.0
        state.mass_kg_ha[g] = 0.0
        state.hardened[g] = 0.0
        state.cold_nights[g] = 0.0
        state.alive[g] = 1.0


@njit(cache=True, error_model="numpy")
def _emerge(state, soil, day, groups, p, days_since_seeding):
    """Count warm days with a moist seedbed until the mix is up, or give the stand up."""
    wanted = 0.0
    warm = 0.0
    for g in range(groups.size):
        wanted += groups[g].share * groups[g].emergence_gdd
        warm += groups[g].share * max(0.0, day.tmean_c - groups[g].base_temperature_c)
    if state.water_mm[0] >= p.seedbed_wetness * soil.capacity_mm[0] and day.frozen < 0.5:
        state.emergence_gdd += warm
    if state.emergence_gdd >= wanted:
        state.emerged = 1.0
        for g in range(groups.size):
            state.root_mm[g] = 100.0
    elif days_since_seeding > p.emergence_limit_days:
        state.stand_open = 0.0
        for g in range(groups.size):
            state.alive[g] = 0.0


@njit(cache=True, error_model="numpy")
def crown_temperature(tmin_c, snow_cm):
    """Return the least temperature at the crown of a cereal, degC.

    Tc = 2 + Tmin (0.4 + 0.0018 (D - 15)^2) for Tmin below zero, D = snow depth up to 15 cm (the crown model that
    general wheat models use after Aase and Siddoway 1979; from memory).
    """
    if tmin_c >= 0.0:
        return tmin_c
    depth = min(15.0, snow_cm) - 15.0
    return 2.0 + tmin_c * (0.4 + 0.0018 * depth * depth)


@njit(cache=True, error_model="numpy")
def _frost(state, day, groups, p):
    """Harden, and kill each group at its own temperature."""
    crown = crown_temperature(day.tmin_c, p.snow_depth_cm_per_mm * state.snow_mm)
    living = 0
    state.frost_memory = 0.0
    for g in range(groups.size):
        if state.alive[g] < 0.5:
            continue
        trait = groups[g]
        felt = crown if trait.crown_sheltered > 0.5 else day.tmin_c
        if day.tmean_c < p.hardening_below_c:
            state.hardened[g] = min(1.0, state.hardened[g] + 1.0 / trait.hardening_days)
        elif day.tmean_c > p.hardening_below_c + p.dehardening_span_c:
            state.hardened[g] = max(0.0, state.hardened[g] - p.dehardening_speed / trait.hardening_days)
        kill = trait.kill_c + state.hardened[g] * (trait.kill_hardened_c - trait.kill_c)
        state.cold_nights[g] = state.cold_nights[g] + 1.0 if felt <= trait.kill_three_nights_c else 0.0
        state.frost_memory = max(state.frost_memory, state.hardened[g] + state.cold_nights[g])
        if felt <= kill or state.cold_nights[g] >= 3.0:
            bury_group(state, groups, g)
        else:
            living += 1
    if living == 0:  # nothing is left to run; the days that follow are those of bare ground under dead cover
        state.canopy = 0.0
        state.stand_open = 0.0


@njit(cache=True, error_model="numpy")
def cover_day(state, soil, day, groups, p, density, water_bonus, days_since_seeding):
    """Run one day of a seeded option: water, growth and frost.

    `density` scales the canopy limit by its square root (1 = full stand). `water_bonus` cuts transpiration demand by
    that share; it is 0 unless a user tests the contested claim.
    """
    if state.emerged < 0.5:
        water_day(state, soil, day, p, 0.0, 0.0, 0.5, 1.0)
        _emerge(state, soil, day, groups, p, days_since_seeding)
        return
    canopy = 0.0
    kcb_full = 0.0
    height = 0.0
    root = 0.0
    depletion = 0.0
    warmth = 0.0
    kills_at = -99.0
    thinning = np.sqrt(min(1.0, density))
    per_degree = 1.0 / p.growth_span_c
    for g in range(groups.size):
        if state.alive[g] < 0.5:
            continue
        trait = groups[g]
        kills_at = max(kills_at, trait.kill_c, trait.kill_hardened_c, trait.kill_three_nights_c)
        part = trait.share * ground_cover(state.heat_gdd[g], trait.half_cover_gdd, trait.cover_max * thinning)
        state.cover_part[g] = part
        canopy += part
        kcb_full += part * trait.kcb_full
        height += part * trait.height_m
        root += part * state.root_mm[g]
        depletion += part * trait.depletion_p
        warmth += part * min(1.0, max(0.0, (day.tmean_c - trait.base_temperature_c) * per_degree))
    state.canopy = canopy
    kcb = 0.0
    if canopy > 1e-9:
        share = 1.0 / canopy
        height *= share
        root = max(100.0, root * share)
        depletion *= share
        warmth *= share
        kcb = kcb_full * share * density_coefficient(canopy, height, p.canopy_multiplier) * (1.0 - water_bonus)
    else:
        root, depletion, warmth = 100.0, 0.5, 1.0
    taken, stress = water_day(state, soil, day, p, kcb, root, depletion, warmth)
    standing = 0.0
    # Pa / kPa = g dry matter per kg water; 1 g/kg = 10 kg/ha per mm (Tanner and Sinclair 1983 form)
    growth = 10.0 * taken / (canopy * max(p.vpd_floor_kpa, day.vpd_kpa)) if canopy > 1e-9 else 0.0
    for g in range(groups.size):
        if state.alive[g] < 0.5:
            continue
        trait = groups[g]
        heat = max(0.0, day.tmean_c - trait.base_temperature_c) * stress
        state.mass_kg_ha[g] += growth * state.cover_part[g] * trait.efficiency_pa
        state.heat_gdd[g] += heat
        state.root_mm[g] = min(trait.root_max_mm, state.root_mm[g] + trait.root_rate_mm_per_gdd * heat)
        standing += state.mass_kg_ha[g]
    if day.tmin_c <= kills_at or day.tmean_c < p.hardening_below_c or state.frost_memory > 0.0:
        _frost(state, day, groups, p)
    state.shelter_m = shelter_height(standing + state.dead_cover_kg_ha, p)
