"""One day of the soil water balance of one option on one profile (compiled).

The physics, in the order of the day:

1. snow falls, drifts and melts; melt and rain on frozen ground enter in part (Zhao and Gray 1997 form);
2. runoff by curve number with the moisture adjustment of ASCE Manual 70 (2016, eqs 14-12 to 14-20);
3. infiltration fills the sublayers from the top; what is above field capacity passes on, and out at the bottom;
4. a share of the water of the top 100 mm moves down while there is room (see docs/water_balance.md for why);
5. evaporation of the top 100 mm by the dual crop coefficient (FAO-56 eqs 71-77), cut by residue and stubble;
6. transpiration by the cover with the density coefficient (Allen and Pereira 2009) and the p-fraction stress
   (FAO-56 eq. 84), taken from the rooted layers in proportion to the water that they hold;
7. growth, frost, decay of residue.

Every term is a flux between named stores, so that the balance closes by construction and is checked each day.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from geo.balance_types import N_SUB

PRECIP, EVAPORATION, TRANSPIRATION, DRAINAGE, RUNOFF, SNOW_LOSS = 0, 1, 2, 3, 4, 5


@njit(cache=True, error_model="numpy")
def adjusted_curve_number(cn2, depletion_mm, rew_mm, tew_mm):
    """Return the curve number for the wetness of the surface layer.

    ASCE Manual 70 (2016) eqs 14-12 to 14-20: `cn2` is for average wetness, `depletion_mm` is the depletion of the
    evaporation layer below field capacity.
    """
    cn1 = cn2 / (2.281 - 0.01281 * cn2)
    cn3 = cn2 / (0.427 + 0.00573 * cn2)
    wet = 0.5 * rew_mm
    dry = 0.7 * rew_mm + 0.3 * tew_mm
    if depletion_mm <= wet:
        return cn3
    if depletion_mm >= dry:
        return cn1
    return cn3 + (cn1 - cn3) * (depletion_mm - wet) / (dry - wet)


@njit(cache=True, error_model="numpy")
def runoff_depth(precip_mm, curve_number):
    """Return direct runoff in mm (USDA NEH 630 chapter 10: Ia = 0.2 S, S = 25400/CN - 254)."""
    retention = 25400.0 / curve_number - 254.0
    excess = precip_mm - 0.2 * retention
    if excess <= 0.0:
        return 0.0
    return excess * excess / (excess + retention)


@njit(cache=True, error_model="numpy")
def _steepness(rain_mm, cn2, depletion_mm, rew_mm, tew_mm):
    """Return by how much runoff falls per mm of depletion, between the wet and the dry end of the adjustment."""
    number = adjusted_curve_number(cn2, depletion_mm, rew_mm, tew_mm)
    retention = 25400.0 / number - 254.0
    excess = rain_mm - 0.2 * retention
    if excess <= 0.0:
        return 0.0
    reach = excess + retention
    by_retention = 0.4 * excess * (reach + 2.0 * excess) / (reach * reach)
    wettest, driest = cn2 / (0.427 + 0.00573 * cn2), cn2 / (2.281 - 0.01281 * cn2)
    by_depletion = (wettest - driest) / (0.2 * rew_mm + 0.3 * tew_mm)
    return by_retention * 25400.0 / (number * number) * by_depletion


@njit(cache=True, error_model="numpy")
def storm_runoff(rain_mm, cn2, depletion_mm, rew_mm, tew_mm):
    """Return runoff in mm such that a wetter surface never ends the storm drier than a drier one would.

    The published adjustment is so steep in places that 8 mm more water in the surface layer sheds 11 mm more of one
    storm. Runoff is convex in the depletion, so there is one depletion up to which it falls by more than 1 mm per mm;
    from there to wetter surfaces it is held to 1 mm per mm.
    """
    runoff = runoff_depth(rain_mm, adjusted_curve_number(cn2, depletion_mm, rew_mm, tew_mm))
    if runoff <= 0.0:
        return 0.0
    low = max(depletion_mm, 0.5 * rew_mm)
    high = 0.7 * rew_mm + 0.3 * tew_mm
    if low >= high or _steepness(rain_mm, cn2, low, rew_mm, tew_mm) <= 1.0:
        return runoff
    for _ in range(24):
        middle = 0.5 * (low + high)
        if _steepness(rain_mm, cn2, middle, rew_mm, tew_mm) > 1.0:
            low = middle
        else:
            high = middle
    drier = runoff_depth(rain_mm, adjusted_curve_number(cn2, high, rew_mm, tew_mm))
    return min(runoff, drier + high - depletion_mm)


@njit(cache=True, error_model="numpy")
def residue_cover(state, p):
    """Return the share of ground under straw and dead cover: 1 - exp(-sum of area x mass), Gregory 1982."""
    load = p.straw_area_m2_kg * state.straw_kg_ha + state.dead_area_m2_kg * state.dead_cover_kg_ha
    return 1.0 - np.exp(-load * 1e-4)


@njit(cache=True, error_model="numpy")
def _evaporation_factor(state, p):
    shelter = min(1.0, state.shelter_m / p.full_shelter_m)
    return (1.0 - p.residue_evaporation_cut * residue_cover(state, p)) * (1.0 - p.standing_stubble_cut * shelter)


@njit(cache=True, error_model="numpy")
def _water_in(state, soil, day, p):
    """Snow, melt, runoff and infiltration of the day."""
    rain = day.rain_mm
    if day.snow_mm > 0.0:
        shelter = min(1.0, state.shelter_m / p.full_shelter_m)
        drift = day.snow_mm * max(0.0, p.snow_drift_share - p.snow_catch_share * shelter)
        state.flux_mm[SNOW_LOSS] += drift
        state.snow_mm += day.snow_mm - drift
    melt = 0.0
    pack = state.snow_mm + rain
    if state.snow_mm > 0.0:
        sublimed = min(state.snow_mm, p.snow_sublimation * day.et0_mm)
        state.snow_mm -= sublimed
        state.flux_mm[SNOW_LOSS] += sublimed
        melt = min(state.snow_mm, p.melt_mm_per_c * max(0.0, day.tmean_c))
        state.snow_mm -= melt
    water = state.water_mm
    if day.frozen > 0.5:
        supply = rain + melt
        if supply > 0.0:
            held = soil.foot_wilting_mm + water[0] + water[1]
            free = max(0.0, 1.0 - held / soil.foot_saturated_mm)
            limit = (max(pack, p.frozen_least_pack_mm) / p.frozen_pack_mm) ** p.frozen_pack_exponent
            entering = supply * min(1.0, p.frozen_infiltration * limit * free**p.frozen_pore_exponent)
            state.flux_mm[RUNOFF] += supply - entering
            supply = entering
    else:
        supply = melt + rain
        if rain > 0.0:
            cn2 = soil.cn_fallow + (soil.cn_cover - soil.cn_fallow) * state.canopy
            tew = soil.capacity_mm[0] + soil.dry_mm
            shed = storm_runoff(rain, cn2, soil.capacity_mm[0] - water[0], soil.rew_mm, tew)
            state.flux_mm[RUNOFF] += shed
            supply -= shed
    for k in range(N_SUB):
        room = soil.capacity_mm[k] - water[k]
        entering = min(supply, room)
        water[k] += entering
        supply -= entering
    state.flux_mm[DRAINAGE] += supply


@njit(cache=True, error_model="numpy")
def _drain_surface(state, soil, day, p):
    """Move water of the surface layer into the room below it; the wetter it is, the faster (unsaturated flow).

    The share that moves in a day is ``surface_drain_share`` at field capacity and falls in proportion to wetness, so
    that large rains are stored and small ones evaporate (Jia and Unger 2001).
    """
    if day.frozen > 0.5:
        return
    water = state.water_mm
    wet = max(0.0, water[0])
    moving = p.surface_drain_share * wet * wet / max(1.0, soil.capacity_mm[0])
    for k in range(1, N_SUB):
        step = min(moving, soil.capacity_mm[k] - water[k])
        water[k] += step
        water[0] -= step
        moving -= step


@njit(cache=True, error_model="numpy")
def _evaporate(state, soil, day, p, kcb):
    """Evaporation of the top 100 mm (FAO-56 eqs 71, 74, 75), none through snow, little from frozen ground."""
    if state.snow_mm > 0.0:
        return 0.0
    tew = soil.capacity_mm[0] + soil.dry_mm
    depletion = soil.capacity_mm[0] - state.water_mm[0]
    rew = min(soil.rew_mm, 0.95 * tew)
    reduction = 1.0 if depletion <= rew else max(0.0, (tew - depletion) / (tew - rew))
    exposed = min(1.0, max(0.01, 1.0 - state.canopy))
    ke = min(reduction * max(0.0, p.kc_max - kcb), exposed * p.kc_max)
    demand = ke * day.et0_mm * _evaporation_factor(state, p)
    if day.frozen > 0.5:
        demand *= p.frozen_evaporation_share
    taken = min(demand, max(0.0, tew - depletion))
    state.water_mm[0] -= taken
    return taken


@njit(cache=True, error_model="numpy")
def _rooted(k, root_mm):
    """Return the share of sublayer `k` that roots of this depth reach."""
    if k == 0:
        return min(1.0, root_mm / 100.0)
    top = 100.0 if k == 1 else 304.8 * (k - 1.0)
    thickness = 204.8 if k == 1 else 304.8
    return min(1.0, max(0.0, (root_mm - top) / thickness))


@njit(cache=True, error_model="numpy")
def _take_up(state, soil, demand_mm, root_mm, depletion_p):
    """Transpire from the rooted layers; returns (taken_mm, stress coefficient). FAO-56 eqs 82-84."""
    total = 0.0
    held = 0.0
    for k in range(N_SUB):
        rooted = _rooted(k, root_mm)
        total += rooted * soil.capacity_mm[k]
        held += rooted * max(0.0, state.water_mm[k])
    if total <= 0.0 or held <= 0.0:
        return 0.0, 0.0
    p = min(0.8, max(0.1, depletion_p + 0.04 * (5.0 - demand_mm)))
    stress = min(1.0, held / ((1.0 - p) * total))
    wanted = min(demand_mm * stress, held)
    taken = 0.0
    for k in range(N_SUB):
        part = wanted * _rooted(k, root_mm) * max(0.0, state.water_mm[k]) / held
        state.water_mm[k] -= part
        taken += part
    return taken, stress


@njit(cache=True, error_model="numpy")
def _stored(state):
    total = state.snow_mm
    for k in range(N_SUB):
        total += state.water_mm[k]
    return total


@njit(cache=True, error_model="numpy")
def _spent(state):
    total = 0.0
    for k in range(1, state.flux_mm.size):
        total += state.flux_mm[k]
    return total


@njit(cache=True, error_model="numpy")
def water_day(state, soil, day, p, kcb, root_mm, depletion_p, transpiration_share):
    """Run the water of one day and return (transpiration_mm, stress coefficient).

    `kcb` is the basal crop coefficient of the day, `transpiration_share` what cold leaves of it. Updates `state`,
    its fluxes and its closure error.
    """
    before = _stored(state) + _spent(state)
    precip = day.rain_mm + day.snow_mm
    state.flux_mm[PRECIP] += precip
    _water_in(state, soil, day, p)
    _drain_surface(state, soil, day, p)
    state.flux_mm[EVAPORATION] += _evaporate(state, soil, day, p, kcb)
    taken, stress = 0.0, 1.0
    if kcb > 0.0:
        demand = kcb * day.et0_mm * transpiration_share
        if day.frozen > 0.5:
            demand = 0.0
        taken, stress = _take_up(state, soil, demand, min(root_mm, soil.root_limit_mm), depletion_p)
        state.flux_mm[TRANSPIRATION] += taken
    error = abs(_stored(state) + _spent(state) - before - precip)
    state.closure_mm = max(state.closure_mm, error)
    return taken, stress


@njit(cache=True, error_model="numpy")
def decay_day(state, soil, day, p):
    """Let residue rot: decomposition days are the lesser of a temperature and a moisture coefficient (Stroo 1989)."""
    wetness = min(1.0, max(0.0, state.water_mm[0] / max(1.0, soil.capacity_mm[0])))
    days = min(day.decay_heat, wetness)
    state.straw_kg_ha *= 1.0 - p.straw_decay_per_day * days
    state.dead_cover_kg_ha *= 1.0 - min(1.0, p.straw_decay_per_day * state.dead_decay * days)
    if state.stand_open < 0.5:
        state.shelter_m = shelter_height(state.dead_cover_kg_ha, p)


@njit(cache=True, error_model="numpy")
def shelter_height(cover_kg_ha, p):
    """Return the height of stubble and cover that holds snow and slows wind, m; it falls as the cover rots."""
    height_m = p.stubble_height_m + cover_kg_ha * 0.001 * p.cover_height_m_per_t_ha
    return max(p.stubble_height_m, min(p.full_shelter_m, height_m))
