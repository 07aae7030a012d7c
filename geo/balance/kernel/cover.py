"""The living cover of one day: emergence, canopy, roots, growth, frost and termination (compiled).

A mix is a set of functional groups, each on its share of the ground, with its own temperatures, roots and water use.
The mix is the sum of its groups: nothing is added for mixing (Nielsen et al. 2015; Hendrickson et al. 2021).
Rows of a block are named in `geo.balance.kernel.lanes`; group `g` of a row of groups lies ``g * LANES`` further on.
"""

from __future__ import annotations

import numpy as np

from geo.balance.kernel.compiled import compiled
from geo.balance.kernel.day import shelter_height, water_day
from geo.balance.kernel.lanes import (
    ALIVE,
    CANOPY,
    CAPACITY,
    COLD_NIGHTS,
    DEAD,
    DEAD_AREA,
    DEAD_DECAY,
    DEPLETION,
    DIES,
    DYING,
    EMERGED,
    EMERGENCE,
    FAST,
    FROST_MEMORY,
    GROWING,
    HARDENED,
    HEAT,
    KCB,
    LANES,
    MASS,
    OPEN,
    PART,
    ROOT,
    ROOTS,
    SHELTER,
    SNOW,
    STANDING,
    STRESS,
    TAKEN,
    WARMTH,
    WATER,
    fill,
    highest,
    power_of_share,
)
from geo.balance.kernel.records import MAX_GROUPS

SURFACE_MM = 100.0
"""Depth of the roots of a stand that has just come up."""


@compiled(fastmath=FAST)
def ground_cover(heat_gdd, half_cover_gdd, cover_max):
    """Return the ground cover (0-1) of a group after `heat_gdd` degree days: a Hill curve of order 3.

    Half of `cover_max` is reached at `half_cover_gdd`; slow at first, fast near the middle, then level.
    """
    cube = heat_gdd * heat_gdd * heat_gdd
    return cover_max * cube / (cube + half_cover_gdd * half_cover_gdd * half_cover_gdd)


@compiled(fastmath=FAST)
def density_coefficient(cover, height_m, multiplier):
    """Return the density coefficient Kd = min(1, M fc, fc^(1/(1+h))).

    Allen and Pereira (2009), Irrig. Sci. 28:17-34, eq. 10, doi:10.1007/s00271-009-0182-z: fc is the ground cover
    (0-1), h the height (m), M the multiplier.
    """
    return min(1.0, min(multiplier * cover, power_of_share(cover, 1.0 / (1.0 + height_m))))


@compiled(fastmath=FAST)
def _bury(s, groups):
    """Turn the groups that die into residue."""
    for i in range(LANES):
        for g in range(MAX_GROUPS):
            trait = groups[g]
            gone = s[MASS + g * LANES + i] * s[DIES + g * LANES + i]
            total = s[DEAD + i] + gone
            new = gone / max(1e-30, total)
            s[DEAD_AREA + i] += new * (trait.residue_area_m2_kg - s[DEAD_AREA + i])
            s[DEAD_DECAY + i] += new * (trait.decay_multiplier - s[DEAD_DECAY + i])
            s[DEAD + i] = total
            s[MASS + g * LANES + i] -= gone
            s[STANDING + i] -= gone
            s[ALIVE + g * LANES + i] -= s[ALIVE + g * LANES + i] * s[DIES + g * LANES + i]


@compiled()
def end_cover(s, groups):
    """Terminate what lives; it stays on the ground as residue."""
    if groups.size == 0:
        return
    for j in range(MAX_GROUPS * LANES):
        s[DIES + j] = s[ALIVE + j]
    _bury(s, groups)
    fill(s, CANOPY, 0.0)
    fill(s, OPEN, 0.0)


@compiled()
def open_stand(s, groups):
    """Seed the cover: nothing has emerged yet."""
    fill(s, OPEN, 1.0)
    for row in (EMERGED, EMERGENCE, CANOPY, FROST_MEMORY):
        fill(s, row, 0.0)
    for g in range(MAX_GROUPS):
        for row in (HEAT, ROOTS, MASS, HARDENED, COLD_NIGHTS):
            fill(s, row + g * LANES, 0.0)
        fill(s, ALIVE + g * LANES, 1.0 if groups[g].share > 0.0 else 0.0)


@compiled(fastmath=FAST)
def _emerge(s, day, groups, p, days_since_seeding):
    """Count warm days with a moist seedbed until the mix is up, or give the stand up."""
    wanted, warm = 0.0, 0.0
    for g in range(MAX_GROUPS):
        wanted += groups[g].share * groups[g].emergence_gdd
        warm += groups[g].share * max(0.0, day.tmean_c - groups[g].base_temperature_c)
    if day.frozen > 0.5:
        warm = 0.0
    too_late = days_since_seeding > p.emergence_limit_days
    wetness = p.seedbed_wetness
    for i in range(LANES):
        waits = s[OPEN + i] * (1.0 - s[EMERGED + i])
        moist = 1.0 if s[WATER + i] >= wetness * s[CAPACITY + i] else 0.0
        s[EMERGENCE + i] += waits * moist * warm
        up = waits if s[EMERGENCE + i] >= wanted else 0.0
        fails = waits - up if too_late else 0.0
        s[EMERGED + i] += up
        s[OPEN + i] -= fails
        for g in range(MAX_GROUPS):
            s[ROOTS + g * LANES + i] = SURFACE_MM if up > 0.5 else s[ROOTS + g * LANES + i]
            s[ALIVE + g * LANES + i] *= 1.0 - fails


@compiled(fastmath=FAST)
def crown_temperature(tmin_c, snow_cm):
    """Return the least temperature at the crown of a cereal, degC.

    Tc = 2 + Tmin (0.4 + 0.0018 (D - 15)^2) for Tmin below zero, D = snow depth up to 15 cm (the crown model that
    general wheat models use after Aase and Siddoway 1979; from memory).
    """
    depth = min(15.0, snow_cm) - 15.0
    return tmin_c if tmin_c >= 0.0 else 2.0 + tmin_c * (0.4 + 0.0018 * depth * depth)


@compiled(fastmath=FAST)
def _frost(s, day, groups, p):
    """Harden, and kill each group at its own temperature; a stand without living groups is closed."""
    tmin_c, cm_per_mm = day.tmin_c, p.snow_depth_cm_per_mm
    hardens = 1.0 if day.tmean_c < p.hardening_below_c else 0.0
    softens = p.dehardening_speed if day.tmean_c > p.hardening_below_c + p.dehardening_span_c else 0.0
    change = hardens - softens
    for i in range(LANES):
        crown = crown_temperature(tmin_c, cm_per_mm * s[SNOW + i])
        memory, living, dying = 0.0, 0.0, 0.0
        for g in range(MAX_GROUPS):
            trait = groups[g]
            felt = crown if trait.crown_sheltered > 0.5 else tmin_c
            lives = s[GROWING + i] * s[ALIVE + g * LANES + i]
            hard = min(1.0, max(0.0, s[HARDENED + g * LANES + i] + lives * change / trait.hardening_days))
            nights = lives * (s[COLD_NIGHTS + g * LANES + i] + 1.0) if felt <= trait.kill_three_nights_c else 0.0
            s[HARDENED + g * LANES + i] = hard
            s[COLD_NIGHTS + g * LANES + i] = nights
            kill_c = trait.kill_c + hard * (trait.kill_hardened_c - trait.kill_c)
            dies = lives if felt <= kill_c else 0.0
            dies = lives if nights >= 3.0 else dies
            s[DIES + g * LANES + i] = dies
            memory = max(memory, lives * (hard + nights))
            living += s[ALIVE + g * LANES + i] - dies
            dying = max(dying, dies)
        s[FROST_MEMORY + i] = memory
        s[DYING + i] = dying
        # the following days are those of bare ground under dead cover
        gone = s[GROWING + i] if living < 0.5 else 0.0
        s[CANOPY + i] *= 1.0 - gone
        s[OPEN + i] -= gone
    if highest(s, DYING) > 0.5:
        _bury(s, groups)


@compiled(fastmath=FAST)
def _canopy(s, day, groups, p, density, water_bonus):
    """Build the canopy of the day from its groups: cover, Kcb, roots, p-fraction and warmth of the whole mix."""
    thinning, multiplier, per_degree = np.sqrt(min(1.0, density)), p.canopy_multiplier, 1.0 / p.growth_span_c
    tmean_c = day.tmean_c
    for i in range(LANES):
        canopy, kcb, height, root, depletion, warmth = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for g in range(MAX_GROUPS):
            trait = groups[g]
            heat = s[HEAT + g * LANES + i]
            part = trait.share * ground_cover(heat, trait.half_cover_gdd, trait.cover_max * thinning)
            part *= s[GROWING + i] * s[ALIVE + g * LANES + i]
            s[PART + g * LANES + i] = part
            canopy += part
            kcb += part * trait.kcb_full
            height += part * trait.height_m
            root += part * s[ROOTS + g * LANES + i]
            depletion += part * trait.depletion_p
            warmth += part * min(1.0, max(0.0, (tmean_c - trait.base_temperature_c) * per_degree))
        per_cover = 1.0 / max(1e-9, canopy)
        kd = density_coefficient(canopy, height * per_cover, multiplier)
        some = canopy > 1e-9
        s[CANOPY + i] = canopy
        s[KCB + i] = kcb * per_cover * kd * (1.0 - water_bonus) if some else 0.0
        s[ROOT + i] = max(SURFACE_MM, root * per_cover) if some else SURFACE_MM
        s[DEPLETION + i] = depletion * per_cover if some else 0.5
        s[WARMTH + i] = warmth * per_cover if some else 1.0


@compiled(fastmath=FAST)
def _grow(s, day, groups, p):
    """Turn water into dry matter and heat into canopy and roots."""
    # Pa / kPa = g dry matter per kg water; 1 g/kg = 10 kg/ha per mm (Tanner and Sinclair 1983 form)
    per_mm, tmean_c = 10.0 / max(p.vpd_floor_kpa, day.vpd_kpa), day.tmean_c
    for i in range(LANES):
        per_cover = per_mm * s[TAKEN + i] / max(1e-9, s[CANOPY + i])
        standing = 0.0
        for g in range(MAX_GROUPS):
            trait = groups[g]
            lives = s[GROWING + i] * s[ALIVE + g * LANES + i]
            gained = max(0.0, tmean_c - trait.base_temperature_c) * s[STRESS + i] * lives
            mass = s[MASS + g * LANES + i] + per_cover * s[PART + g * LANES + i] * trait.efficiency_pa
            roots = s[ROOTS + g * LANES + i]
            deeper = min(trait.root_max_mm, roots + trait.root_rate_mm_per_gdd * gained)
            s[MASS + g * LANES + i] = mass
            s[HEAT + g * LANES + i] += gained
            s[ROOTS + g * LANES + i] = deeper if lives > 0.5 else roots
            standing += mass
        s[STANDING + i] = standing


@compiled(fastmath=FAST)
def _shelter(s, p):
    """Let a standing cover hold snow and slow wind."""
    for i in range(LANES):
        height = shelter_height(s[STANDING + i] + s[DEAD + i], p)
        s[SHELTER + i] = height if s[GROWING + i] > 0.5 else s[SHELTER + i]


@compiled(fastmath=FAST)
def cover_day(s, day, groups, p, density, water_bonus, days_since_seeding):
    """Run one day of a seeded option: water, growth and frost.

    `density` scales the canopy limit by its square root (1 = full stand). `water_bonus` cuts transpiration demand by
    that share; it is 0 unless a user tests the contested claim. Lanes whose stand is closed run as bare ground.
    """
    waiting = 0.0
    for i in range(LANES):
        s[GROWING + i] = s[OPEN + i] * s[EMERGED + i]
        waiting = max(waiting, s[OPEN + i] - s[GROWING + i])
    grows = highest(s, GROWING) > 0.5
    if grows:
        _canopy(s, day, groups, p, density, water_bonus)
    water_day(s, day, p, grows)
    if grows:
        _grow(s, day, groups, p)
        kills_at = -99.0  # the crown is never colder than the air, so above this no group dies
        for g in range(MAX_GROUPS):
            trait = groups[g]
            kills_at = max(kills_at, trait.kill_c, trait.kill_hardened_c, trait.kill_three_nights_c)
        if day.tmin_c <= kills_at or day.tmean_c < p.hardening_below_c or highest(s, FROST_MEMORY) > 0.0:
            _frost(s, day, groups, p)
        _shelter(s, p)
    if waiting > 0.5:
        _emerge(s, day, groups, p, days_since_seeding)
