"""One day of the soil water balance of one option, for a block of profiles side by side (compiled).

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
Rows of a block are named in `geo.balance.kernel.lanes`.
"""

from __future__ import annotations

import numpy as np

from geo.balance.kernel.compiled import compiled
from geo.balance.kernel.lanes import (
    BEFORE,
    CANOPY,
    CAPACITY,
    CLOSURE,
    CN_COVER,
    CN_FALLOW,
    DEAD,
    DEAD_AREA,
    DEAD_DECAY,
    DEPLETION,
    DRAINAGE,
    DRY,
    EVAPORATION,
    FAST,
    FOOT_SATURATED,
    FOOT_WILTING,
    KCB,
    LANES,
    OPEN,
    PACK,
    PRECIP,
    REW,
    ROOT,
    ROOT_LIMIT,
    RUNOFF,
    SHELTER,
    SNOW,
    SNOW_LOSS,
    STRAW,
    STRESS,
    SUPPLY,
    TAKEN,
    TRANSPIRATION,
    WARMTH,
    WATER,
    falling,
    fill,
    highest,
)
from geo.balance.kernel.records import N_SUB, SUB_THICKNESS_MM
from geo.profile import LAYER_EDGES_MM, SURFACE_MM

_TOP_MM = (0.0, SURFACE_MM, *LAYER_EDGES_MM[1:4])
_THICKNESS_MM = SUB_THICKNESS_MM
BARE, PLANTED = np.bool_(False), np.bool_(True)


@compiled()
def dry_curve_number(cn2):
    """Return the curve number of a dry surface (ASCE Manual 70, 2016, eqs 14-12 to 14-20)."""
    return cn2 / (2.281 - 0.01281 * cn2)


@compiled()
def wet_curve_number(cn2):
    """Return the curve number of a wet surface (ASCE Manual 70, 2016, eqs 14-12 to 14-20)."""
    return cn2 / (0.427 + 0.00573 * cn2)


@compiled()
def adjusted_curve_number(cn2, depletion_mm, rew_mm, tew_mm):
    """Return the curve number for the wetness of the surface layer.

    ASCE Manual 70 (2016) eqs 14-12 to 14-20: `cn2` is for average wetness, `depletion_mm` is the depletion of the
    evaporation layer below field capacity.
    """
    cn1, cn3 = dry_curve_number(cn2), wet_curve_number(cn2)
    wet = 0.5 * rew_mm
    dry = 0.7 * rew_mm + 0.3 * tew_mm
    if depletion_mm <= wet:
        return cn3
    if depletion_mm >= dry:
        return cn1
    return cn3 + (cn1 - cn3) * (depletion_mm - wet) / (dry - wet)


@compiled()
def runoff_depth(precip_mm, curve_number):
    """Return direct runoff in mm (USDA NEH 630 chapter 10: Ia = 0.2 S, S = 25400/CN - 254)."""
    retention = 25400.0 / curve_number - 254.0
    excess = precip_mm - 0.2 * retention
    if excess <= 0.0:
        return 0.0
    return excess * excess / (excess + retention)


@compiled()
def _steepness(rain_mm, cn2, depletion_mm, rew_mm, tew_mm):
    """Return by how much runoff falls per mm of depletion, between the wet and the dry end of the adjustment."""
    number = adjusted_curve_number(cn2, depletion_mm, rew_mm, tew_mm)
    retention = 25400.0 / number - 254.0
    excess = rain_mm - 0.2 * retention
    if excess <= 0.0:
        return 0.0
    reach = excess + retention
    by_retention = 0.4 * excess * (reach + 2.0 * excess) / (reach * reach)
    by_depletion = (wet_curve_number(cn2) - dry_curve_number(cn2)) / (0.2 * rew_mm + 0.3 * tew_mm)
    return by_retention * 25400.0 / (number * number) * by_depletion


@compiled()
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


@compiled(fastmath=FAST)
def residue_cover(straw_kg_ha, dead_cover_kg_ha, dead_area_m2_kg, p):
    """Return the share of ground under straw and dead cover: 1 - exp(-sum of area x mass), Gregory 1982."""
    return 1.0 - falling((p.straw_area_m2_kg * straw_kg_ha + dead_area_m2_kg * dead_cover_kg_ha) * 1e-4)


@compiled(fastmath=FAST)
def _snow(s, day, p):
    """Update the snow pack (fall, drift, sublimation, melt); rain and melt become the supply of the day."""
    rain, snow = day.rain_mm, day.snow_mm
    if snow <= 0.0 and highest(s, SNOW) <= 0.0:
        fill(s, SUPPLY, rain)
        fill(s, PACK, rain)
        return
    full_shelter_m, drift_share, catch_share = p.full_shelter_m, p.snow_drift_share, p.snow_catch_share
    can_sublime = p.snow_sublimation * day.et0_mm
    can_melt = p.melt_mm_per_c * max(0.0, day.tmean_c)
    for i in range(LANES):
        shelter = min(1.0, s[SHELTER + i] / full_shelter_m)
        drift = snow * max(0.0, drift_share - catch_share * shelter)
        lying = s[SNOW + i] + snow - drift
        sublimed = min(lying, can_sublime)
        melt = min(lying - sublimed, can_melt)
        s[PACK + i] = lying + rain
        s[SNOW + i] = lying - sublimed - melt
        s[SNOW_LOSS + i] += drift + sublimed
        s[SUPPLY + i] = rain + melt


@compiled()
def _enter_frozen(s, p):
    """Hold back what frozen ground does not let in; it runs off."""
    for i in range(LANES):
        held = s[FOOT_WILTING + i] + s[WATER + i] + s[WATER + LANES + i]
        free = max(0.0, 1.0 - held / s[FOOT_SATURATED + i])
        limit = (max(s[PACK + i], p.frozen_least_pack_mm) / p.frozen_pack_mm) ** p.frozen_pack_exponent
        entering = s[SUPPLY + i] * min(1.0, p.frozen_infiltration * limit * free**p.frozen_pore_exponent)
        s[RUNOFF + i] += s[SUPPLY + i] - entering
        s[SUPPLY + i] = entering


@compiled(fastmath=FAST)
def _curve_number(s, i):
    """Return the curve number of average wetness: between fallow and cover, by the living canopy."""
    return s[CN_FALLOW + i] + (s[CN_COVER + i] - s[CN_FALLOW + i]) * s[CANOPY + i]


@compiled(fastmath=FAST)
def _most_excess(s, rain_mm):
    """Return the largest rain beyond the initial abstraction on any lane, mm; runoff is looked at only above zero."""
    most = -1.0
    for i in range(LANES):
        most = max(most, rain_mm - 0.2 * (25400.0 / wet_curve_number(_curve_number(s, i)) - 254.0))
    return most


@compiled()
def _run_off(s, rain_mm):
    """Shed the storm's runoff."""
    for i in range(LANES):
        tew = s[CAPACITY + i] + s[DRY + i]
        shed = storm_runoff(rain_mm, _curve_number(s, i), s[CAPACITY + i] - s[WATER + i], s[REW + i], tew)
        s[RUNOFF + i] += shed
        s[SUPPLY + i] -= shed


@compiled(fastmath=FAST)
def _infiltrate(s):
    """Fill the sublayers from the top; the rest drains."""
    for i in range(LANES):
        supply = s[SUPPLY + i]
        for k in range(N_SUB):
            entering = min(supply, s[CAPACITY + k * LANES + i] - s[WATER + k * LANES + i])
            s[WATER + k * LANES + i] += entering
            supply -= entering
        s[DRAINAGE + i] += supply


@compiled()
def _water_in(s, day, p):
    """Snow, melt, runoff and infiltration of the day."""
    _snow(s, day, p)
    if highest(s, SUPPLY) <= 0.0:
        return
    if day.frozen > 0.5:
        _enter_frozen(s, p)
    elif day.rain_mm > 0.0 and _most_excess(s, day.rain_mm) > 0.0:
        _run_off(s, day.rain_mm)
    _infiltrate(s)


@compiled(fastmath=FAST)
def _drain_surface(s, p):
    """Move water of the surface layer into the room below it; the wetter it is, the faster (unsaturated flow).

    The share that moves in a day is ``surface_drain_share`` at field capacity and falls in proportion to wetness, so
    that large rains are stored and small ones evaporate (Jia and Unger 2001).
    """
    share = p.surface_drain_share
    for i in range(LANES):
        wet = max(0.0, s[WATER + i])
        wants = share * wet * wet / max(1.0, s[CAPACITY + i])
        left = wants
        for k in range(1, N_SUB):
            step = min(left, s[CAPACITY + k * LANES + i] - s[WATER + k * LANES + i])
            s[WATER + k * LANES + i] += step
            left -= step
        s[WATER + i] -= wants - left


@compiled(fastmath=FAST)
def _evaporate(s, day, p):
    """Evaporation of the top 100 mm (FAO-56 eqs 71, 74, 75), none through snow, little from frozen ground."""
    kc_max, residue_cut, stubble_cut = p.kc_max, p.residue_evaporation_cut, p.standing_stubble_cut
    full_shelter_m = p.full_shelter_m
    et0_mm = day.et0_mm * (p.frozen_evaporation_share if day.frozen > 0.5 else 1.0)
    for i in range(LANES):
        tew = s[CAPACITY + i] + s[DRY + i]
        depletion = s[CAPACITY + i] - s[WATER + i]
        rew = min(s[REW + i], 0.95 * tew)
        reduction = min(1.0, max(0.0, (tew - depletion) / max(1e-9, tew - rew)))
        exposed = min(1.0, max(0.01, 1.0 - s[CANOPY + i]))
        ke = min(reduction * max(0.0, kc_max - s[KCB + i]), exposed * kc_max)
        covered = residue_cover(s[STRAW + i], s[DEAD + i], s[DEAD_AREA + i], p)
        shelter = min(1.0, s[SHELTER + i] / full_shelter_m)
        demand = ke * et0_mm * (1.0 - residue_cut * covered) * (1.0 - stubble_cut * shelter)
        taken = min(demand, max(0.0, tew - depletion))
        taken = 0.0 if s[SNOW + i] > 0.0 else taken
        s[WATER + i] -= taken
        s[EVAPORATION + i] += taken


@compiled(fastmath=FAST)
def take_up(s, et0_mm):
    """Transpire from the rooted layers; leaves the depth taken and the stress coefficient. FAO-56 eqs 82-84."""
    for i in range(LANES):
        root = min(s[ROOT + i], s[ROOT_LIMIT + i])
        held, total = 0.0, 0.0
        for k in range(N_SUB):
            rooted = min(1.0, max(0.0, (root - _TOP_MM[k]) / _THICKNESS_MM[k]))
            total += rooted * s[CAPACITY + k * LANES + i]
            held += rooted * max(0.0, s[WATER + k * LANES + i])
        demand = s[KCB + i] * et0_mm * s[WARMTH + i]
        p = min(0.8, max(0.1, s[DEPLETION + i] + 0.04 * (5.0 - demand)))
        stress = min(1.0, held / max(1e-9, (1.0 - p) * total))
        stress = 1.0 if s[KCB + i] <= 0.0 else stress
        taken = min(demand * stress, held)
        s[STRESS + i] = stress
        share, used = taken / max(1e-9, held), 0.0
        for k in range(N_SUB):
            rooted = min(1.0, max(0.0, (root - _TOP_MM[k]) / _THICKNESS_MM[k]))
            part = share * rooted * max(0.0, s[WATER + k * LANES + i])
            s[WATER + k * LANES + i] -= part
            used += part
        s[TAKEN + i] = used
        s[TRANSPIRATION + i] += used


@compiled()
def _ledger(s, i):
    """Return stores plus spendings of one lane, mm (without the freedoms of `FAST`: it is what checks the others)."""
    total = s[SNOW + i]
    for k in range(N_SUB):
        total += s[WATER + k * LANES + i]
    return total + s[EVAPORATION + i] + s[TRANSPIRATION + i] + s[DRAINAGE + i] + s[RUNOFF + i] + s[SNOW_LOSS + i]


@compiled()
def water_day(s, day, p, planted):
    """Run the water of one day on a block.

    On `planted` ground the rows of Kcb, roots, p-fraction and warmth say what the plants want; `BARE` has none.
    Leaves the depth taken and the stress coefficient of the day, and the largest imbalance so far.
    """
    for i in range(LANES):
        s[BEFORE + i] = _ledger(s, i)
    precip = day.rain_mm + day.snow_mm
    _water_in(s, day, p)
    if day.frozen <= 0.5:
        _drain_surface(s, p)
    if not planted:
        fill(s, KCB, 0.0)
    _evaporate(s, day, p)
    if planted:
        take_up(s, 0.0 if day.frozen > 0.5 else day.et0_mm)
    for i in range(LANES):
        s[PRECIP + i] += precip
        s[CLOSURE + i] = max(s[CLOSURE + i], abs(_ledger(s, i) - s[BEFORE + i] - precip))


@compiled(fastmath=FAST)
def decay_day(s, day, p):
    """Decompose residue: a day counts as the lesser of a temperature and a moisture coefficient (Stroo 1989)."""
    per_day, heat = p.straw_decay_per_day, day.decay_heat
    for i in range(LANES):
        days = min(heat, min(1.0, max(0.0, s[WATER + i] / max(1.0, s[CAPACITY + i]))))
        dead = s[DEAD + i] * (1.0 - min(1.0, per_day * s[DEAD_DECAY + i] * days))
        s[STRAW + i] *= 1.0 - per_day * days
        s[DEAD + i] = dead
        s[SHELTER + i] = s[SHELTER + i] if s[OPEN + i] > 0.5 else shelter_height(dead, p)


@compiled(fastmath=FAST)
def shelter_height(cover_kg_ha, p):
    """Return the height of stubble and cover that holds snow and slows wind, m; it falls as the cover rots."""
    height_m = p.stubble_height_m + cover_kg_ha * 0.001 * p.cover_height_m_per_t_ha
    return max(p.stubble_height_m, min(p.full_shelter_m, height_m))
