"""The layout of the compiled balance: units of one climate cell side by side, so that one step serves many.

A block is one flat array of rows of `LANES` numbers: first the state (the fields of `STATE`, in order), then the soil
(`SOIL`), then scratch. ``s[SNOW + i]`` is the snow on lane `i`, ``s[WATER + k * LANES + i]`` its sublayer `k`. The
lanes of a block share their weather, so that whatever depends on weather alone is a branch for all of them; what
differs from lane to lane is written as a choice between values, and layers and groups are counted inside the loop
over lanes. One array with fixed places lets the compiler see that rows do not overlap.
"""

from __future__ import annotations

import numpy as np
from numba.core import config

from geo.balance.kernel.compiled import compiled
from geo.balance.kernel.records import FLUXES, GROUP, MAX_GROUPS, SOIL, STATE

LANES = 1 if config.DISABLE_JIT else 16  # type: ignore[attr-defined]
"""Units side by side (shorter loops are unrolled, not widened); one where the compiler is off."""
FAST = {"nnan", "nsz", "contract"}
"""Freedoms of the compiler in the loops over lanes: no NaN inside a season, no signed zero, fused multiply-add."""

STATE_END = STATE.itemsize // 8 * LANES
_SOIL_END = STATE_END + SOIL.itemsize // 8 * LANES


def _row(dtype: np.dtype, name: str, start: int = 0) -> np.int64:
    """Return where a field begins; as `numpy.int64`, since a function is compiled again for each plain constant."""
    fields = dtype.fields
    assert fields is not None
    return np.int64(start + int(fields[name][1]) // 8 * LANES)


WATER, SNOW = _row(STATE, "water_mm"), _row(STATE, "snow_mm")
STRAW, DEAD = _row(STATE, "straw_kg_ha"), _row(STATE, "dead_cover_kg_ha")
DEAD_AREA, DEAD_DECAY = _row(STATE, "dead_area_m2_kg"), _row(STATE, "dead_decay")
SHELTER = _row(STATE, "shelter_m")
EMERGENCE, EMERGED, OPEN = _row(STATE, "emergence_gdd"), _row(STATE, "emerged"), _row(STATE, "stand_open")
HEAT, ROOTS, MASS = _row(STATE, "heat_gdd"), _row(STATE, "root_mm"), _row(STATE, "mass_kg_ha")
HARDENED, COLD_NIGHTS = _row(STATE, "hardened"), _row(STATE, "cold_nights")
FROST_MEMORY, ALIVE = _row(STATE, "frost_memory"), _row(STATE, "alive")
PART, CANOPY = _row(STATE, "cover_part"), _row(STATE, "canopy")
FLUX, CLOSURE = _row(STATE, "flux_mm"), _row(STATE, "closure_mm")
PRECIP, EVAPORATION, TRANSPIRATION, DRAINAGE, RUNOFF, SNOW_LOSS = (
    np.int64(FLUX + k * LANES) for k in range(len(FLUXES))
)

CAPACITY, DRY, REW = (_row(SOIL, n, STATE_END) for n in ("capacity_mm", "dry_mm", "rew_mm"))
FOOT_WILTING, FOOT_SATURATED = (_row(SOIL, n, STATE_END) for n in ("foot_wilting_mm", "foot_saturated_mm"))
CN_FALLOW, CN_COVER, ROOT_LIMIT = (_row(SOIL, n, STATE_END) for n in ("cn_fallow", "cn_cover", "root_limit_mm"))

_SCRATCH = (
    KCB,  # basal crop coefficient of today
    ROOT,  # root depth of the whole mix, mm
    DEPLETION,  # its p-fraction
    WARMTH,  # share of transpiration that cold leaves
    TAKEN,  # transpired today, mm
    STRESS,  # stress coefficient of today
    SUPPLY,  # water on its way into the soil, mm
    PACK,  # snow and rain on it, before melt, mm
    BEFORE,  # stores and spendings at the start of the day, mm
    GROWING,  # 1 on lanes with an emerged, open stand
    STANDING,  # dry matter of the living cover, kg/ha
    DYING,  # 1 on lanes where any group dies today
    DIES,  # the same by group
) = tuple(np.int64(_SOIL_END + k * LANES) for k in range(13))
SIZE = int(DIES) + MAX_GROUPS * LANES


def pad_mix(groups: np.ndarray) -> np.ndarray:
    """Return the groups of a mix, filled up to `MAX_GROUPS` with groups that have no share of the ground."""
    padded = np.zeros(MAX_GROUPS, GROUP)
    for name in ("half_cover_gdd", "hardening_days"):
        padded[name] = 1.0
    padded["kill_c"] = padded["kill_hardened_c"] = padded["kill_three_nights_c"] = -999.0
    padded[: len(groups)] = groups
    return padded


def soil_rows(soils: np.ndarray) -> np.ndarray:
    """Return `SOIL` records as plain numbers, shape (unit, field), in the order of the rows of a block."""
    return np.ascontiguousarray(soils).view(np.float64).reshape(len(soils), -1)


@compiled()
def load_soils(s, soils, units):
    """Put the soils of `units` on the lanes."""
    for row in range(soils.shape[1]):
        for i in range(LANES):
            s[STATE_END + row * LANES + i] = soils[units[i], row]


@compiled(fastmath=FAST)
def highest(s, row):
    """Return the largest value of a row."""
    most = s[row]
    for i in range(1, LANES):
        most = max(most, s[row + i])
    return most


@compiled(fastmath=FAST)
def fill(s, row, value):
    """Set a row to one value."""
    for i in range(LANES):
        s[row + i] = value


@compiled(fastmath=FAST, inline="always")
def falling(x):
    """Return exp(-x) for x >= 0, from sums and products alone, so that lanes stay side by side.

    exp(-x) = exp(-x/64)^64 with the series of exp to the seventh power: relative error below 1e-12 up to x = 3 and
    below 1e-8 up to x = 10.
    """
    y = min(x, 40.0) * (1.0 / 64.0)
    e = 1.0 - y / 7.0
    e = 1.0 - y * (1.0 / 6.0) * e
    e = 1.0 - y * (1.0 / 5.0) * e
    e = 1.0 - y * (1.0 / 4.0) * e
    e = 1.0 - y * (1.0 / 3.0) * e
    e = 1.0 - y * (1.0 / 2.0) * e
    e = 1.0 - y * e
    e *= e
    e *= e
    e *= e
    e *= e
    e *= e
    return e * e


@compiled(fastmath=FAST, inline="always")
def power_of_share(share, exponent):
    """Return share^exponent for a share of 0.01 to 1 and an exponent of 0 to 1 (relative error below 1e-8).

    ln(c) = 32 artanh((r - 1)/(r + 1)), r the sixteenth root of c.
    """
    root = np.sqrt(np.sqrt(np.sqrt(np.sqrt(share))))
    z = (1.0 - root) / (1.0 + root)
    z2 = z * z
    series = 1.0 + z2 * (1.0 / 3.0 + z2 * (1.0 / 5.0 + z2 * (1.0 / 7.0 + z2 * (1.0 / 9.0 + z2 * (1.0 / 11.0)))))
    return falling(32.0 * z * series * exponent)
