"""The daily kernel against the dual crop coefficient of FAO-56 (Allen, Pereira, Raes and Smith 1998).

Settings are chosen so that the equations are the same: no drain out of the surface layer, no residue, no stubble.
Expected numbers are worked from the published equations by hand, not by this program.
"""

from __future__ import annotations

import numpy as np
import pytest

from geo.balance.kernel.cover import density_coefficient
from geo.balance.kernel.day import residue_cover
from tests.water import (
    day_record,
    pinned_settings,
    profile,
    quiet_settings,
    soil_record,
    soils_of,
    state_record,
    tables,
    take_up,
    water_day,
)

EVAPORATION, TRANSPIRATION = 1, 2


def evaporate(
    days: int,
    tew: float,
    rew: float,
    et0: float,
    *,
    kc_max=1.2,
    kcb=0.0,
    canopy=0.0,
    depletion=0.0,
    straw=0.0,
    cut=0.0,
):
    """Dry a surface layer and return evaporation by day and the depletion at the end."""
    soil = soil_record(dry_mm=5.0, rew_mm=rew)
    soil["capacity_mm"][0, 0] = tew - 5.0
    state = state_record(soil, straw_kg_ha=straw, canopy=canopy)
    state["water_mm"][0, 0] -= depletion
    p = quiet_settings(kc_max=kc_max).changed(residue_evaporation_cut=cut).parameters
    daily = []
    for _ in range(days):
        before = state["flux_mm"][0, EVAPORATION]
        water_day(state, soil, day_record(et0_mm=et0), p, kcb, 0.0, 0.5, 0.0)
        daily.append(state["flux_mm"][0, EVAPORATION] - before)
    assert state["flux_mm"][0, TRANSPIRATION] == 0.0
    return np.array(daily), float(soil["capacity_mm"][0, 0] - state["water_mm"][0, 0])


@pytest.mark.parametrize(
    ("case", "expected", "total"),
    [
        pytest.param(
            {"days": 10, "tew": 23.5, "rew": 9.5, "et0": 6.0, "kcb": 0.15},
            [6.30, 6.30, 4.90, 2.70, 1.48, 0.82, 0.45, 0.25, 0.14, 0.07], 23.41,
            id="FAO-56 eqs 71, 74, 77, bare silt loam, worked by hand",
        ),
        pytest.param(
            {"days": 10, "tew": 23.5, "rew": 9.5, "et0": 6.0, "kcb": 0.15, "straw": -np.log(0.2) / 5.228e-4,
             "cut": 0.5},
            [3.78, 3.78, 3.78, 3.28, 2.40, 1.75, 1.28, 0.93, 0.68, 0.50], 22.16,
            id="FAO-56 chapter 11 mulch rule, 80 % of the ground covered, worked by hand",
        ),
        pytest.param(
            {"days": 4, "tew": 12.0, "rew": 8.0, "et0": 4.5}, [5.40, 5.40, 1.20, 0.0], 12.00,
            id="FAO-56 eq 77 with De limited to TEW, loamy sand, worked by hand",
        ),
    ],
)  # fmt: skip
def test_bare_drying(case, expected, total):
    daily, depletion = evaporate(**case)
    np.testing.assert_allclose(daily, expected, atol=0.006)
    assert daily.sum() == pytest.approx(total, abs=0.006)
    assert depletion == pytest.approx(daily.sum(), abs=1e-9)


@pytest.mark.parametrize(
    ("case", "evaporation", "end"),
    [
        pytest.param({"depletion": 5.0}, 4.69, 12.22, id="FAO-56 eqs 71-77, stage one, Kr 1"),
        pytest.param({"depletion": 15.0}, 2.85, 19.38, id="FAO-56 eq 74, Kr 0.607"),
        pytest.param({"depletion": 20.0}, 1.17, 21.81, id="FAO-56 eq 74, Kr 0.250"),
    ],
)  # fmt: skip
def test_partial_cover(case, evaporation, end):
    """Kcb 0.60, ground cover 0.35, Kc max 1.270, ET0 7; the published depletion is that of the exposed part only."""
    daily, depletion = evaporate(1, 23.5, 9.5, 7.0, kc_max=1.270, kcb=0.60, canopy=0.35, **case)
    assert daily[0] == pytest.approx(evaporation, abs=0.01)
    assert case["depletion"] + daily[0] / 0.65 == pytest.approx(end, abs=0.02)
    assert depletion == pytest.approx(case["depletion"] + daily[0]), (
        "spread over the whole layer, so that water closes"
    )


def test_energy_limit_before_exposed_ground():
    """FAO-56 chapter 7 cotton day: Kcb 0.9, Kc max 1.30, few 0.47, ET0 7: Ke 0.40, Kc 1.30, ETc 9.1."""
    daily, _ = evaporate(1, 23.5, 9.5, 7.0, kc_max=1.30, kcb=0.9, canopy=0.53)
    assert daily[0] == pytest.approx(0.40 * 7.0, abs=0.01)
    assert daily[0] + 0.9 * 7.0 == pytest.approx(9.1, abs=0.01)


def test_exposed_ground_limits_evaporation():
    """FAO-56 eq 71: few x Kc max binds under a nearly closed canopy (0.05 x 1.2 x 6 = 0.36 mm)."""
    daily, _ = evaporate(1, 23.5, 9.5, 6.0, kcb=0.5, canopy=0.95)
    assert daily[0] == pytest.approx(0.36, abs=1e-9)
    closed, _ = evaporate(1, 23.5, 9.5, 6.0, kcb=0.5, canopy=1.0)
    assert closed[0] == pytest.approx(0.01 * 1.2 * 6.0, abs=1e-9), "few never falls below 0.01"


def _root_zone(depletion: float):
    """Return a root zone of TAW 200 mm, rooted throughout."""
    soil = soil_record(capacity_mm=[20.0, 30.0, 50.0, 50.0, 50.0])
    return soil, state_record(soil, 1.0 - depletion / 200.0)


@pytest.mark.parametrize(
    ("depletion", "stress"),
    [pytest.param(d, s, id=f"FAO-56 eq 84: TAW 200, p 0.55, Dr {d:g}")
     for d, s in ((0.0, 1.0), (110.0, 1.0), (150.0, 0.556), (180.0, 0.222), (200.0, 0.0))],
)  # fmt: skip
def test_stress_coefficient(depletion, stress):
    soil, state = _root_zone(depletion)
    taken, ks = take_up(state, soil, 5.0, 1219.2, 0.55)
    assert ks == pytest.approx(stress, abs=0.001)
    assert taken == pytest.approx(5.0 * ks, abs=1e-9)
    assert state["water_mm"].sum() == pytest.approx(200.0 - depletion - taken)


@pytest.mark.parametrize(
    ("etc", "p"),
    [
        pytest.param(e, p, id=f"FAO-56 table 22 footnote: p 0.55, ETc {e:g}")
        for e, p in ((3.0, 0.63), (5.0, 0.55), (8.0, 0.43))
    ]
    + [pytest.param(20.0, 0.10, id="FAO-56: p not below 0.1"), pytest.param(0.01, 0.749, id="FAO-56: low demand")],
)
def test_depletion_fraction_follows_demand(etc, p):
    soil, state = _root_zone(190.0)
    _, ks = take_up(state, soil, etc, 1219.2, 0.55)
    assert 1.0 - 10.0 / 200.0 / ks == pytest.approx(p, abs=0.002)


def test_uptake_in_proportion_to_rooted_water():
    soil, state = _root_zone(0.0)
    state["water_mm"][0] = [4.0, 16.0, 30.0, 10.0, 40.0]
    before = state["water_mm"][0].copy()
    taken, _ = take_up(state, soil, 5.0, 609.6 + 152.4, 0.55)
    used = before - state["water_mm"][0]
    np.testing.assert_allclose(used / taken, np.array([4.0, 16.0, 30.0, 5.0, 0.0]) / 55.0, atol=1e-12)


@pytest.mark.parametrize(
    ("field_capacity", "wilting", "tew"),
    [pytest.param(fc, wp, t, id=f"FAO-56 eq 73: FC {fc} WP {wp}")
     for fc, wp, t in ((0.31, 0.11, 25.5), (0.25, 0.12, 19.0), (0.36, 0.22, 25.0))],
)  # fmt: skip
def test_total_evaporable_water(field_capacity, wilting, tew):
    row = profile("silt loam", (field_capacity - wilting) * 12.0)
    soil = soils_of({**row, "wp_surface": wilting, "fc_surface": field_capacity})
    assert soil["capacity_mm"][0, 0] + soil["dry_mm"][0] == pytest.approx(tew)


# FAO-56 table 22 and chapter 8: field capacity and wilting point -> mm per m; maize 1.2 m, p 0.55
@pytest.mark.parametrize(
    ("field_capacity", "wilting", "taw_per_m", "raw_maize"),
    [
        pytest.param(0.15, 0.06, 90.0, 59.0, id="FAO-56 example 36, loamy sand"),
        pytest.param(0.32, 0.15, 170.0, 112.0, id="FAO-56 example 36, silt"),
        pytest.param(0.35, 0.23, 120.0, 79.0, id="FAO-56 example 36, silty clay"),
    ],
)
def test_readily_available_water(field_capacity, wilting, taw_per_m, raw_maize):
    """Stress starts exactly where RAW is used up (maize root zone 1.2 m, demand 5 mm)."""
    row = profile("silt loam", (field_capacity - wilting) * 12.0)
    soil = soils_of({**row, "wp_surface": wilting})
    taw = soil["capacity_mm"][0].sum() * 1000.0 / 1219.2
    assert taw == pytest.approx(taw_per_m, abs=0.01)

    def stress(depletion):
        state = state_record(soil, 1.0 - depletion / (taw * 1.2192))
        return take_up(state, soil, 5.0, 1219.2, 0.55)[1]

    raw = raw_maize * 1.2192 / 1.2
    assert stress(raw - 1.0) == 1.0
    assert stress(raw + 1.0) < 1.0


# FAO-56 table 19, readily evaporable water in mm by texture
_TABLE_19 = {
    "sand": (2, 7), "loamy sand": (4, 8), "sandy loam": (6, 10), "loam": (8, 10), "silt loam": (8, 11),
    "silt": (8, 11), "silty clay loam": (8, 11), "silty clay": (8, 12), "clay": (8, 12),
}  # fmt: skip


@pytest.mark.parametrize(
    ("texture", "span"), [pytest.param(t, s, id=f"FAO-56 table 19: {t}") for t, s in _TABLE_19.items()]
)
def test_readily_evaporable_water(texture, span):
    assert span[0] <= tables().rew_mm[texture] <= span[1]


@pytest.mark.parametrize(
    ("cover", "height", "kd", "kcb_with_floor"),
    [
        pytest.param(0.3, 0.3, 0.396, 0.526, id="Allen and Pereira 2009: cover 0.3, h 0.3"),
        pytest.param(0.6, 0.5, 0.711, 0.826, id="Allen and Pereira 2009: cover 0.6, h 0.5"),
        pytest.param(0.8, 1.0, 0.894, 1.000, id="Allen and Pereira 2009: cover 0.8, h 1.0"),
        pytest.param(0.1, 0.1, 0.123, 0.267, id="Allen and Pereira 2009: cover 0.1, h 0.1"),
    ],
)
def test_density_coefficient(cover, height, kd, kcb_with_floor):
    """The published Kcb = Kcmin + Kd (Kcb full - Kcmin); the balance takes Kcmin 0, so that Kcb = Kd x Kcb full."""
    got = density_coefficient(cover, height, 1.5)
    assert got == pytest.approx(kd, abs=0.001)
    assert 0.15 + got * (1.10 - 0.15) == pytest.approx(kcb_with_floor, abs=0.001)


def test_density_limits():
    assert density_coefficient(0.0, 1.0, 1.5) == 0.0
    assert density_coefficient(1.0, 1.0, 1.5) == 1.0
    assert density_coefficient(0.05, 2.0, 1.5) == pytest.approx(0.075), "sparse: the multiplier binds"


@pytest.mark.parametrize(
    ("mass", "cover"),
    [pytest.param(m, c, id=f"Gregory 1982 form, small-grain straw 5.228 m2/kg: {m} kg/ha")
     for m, c in ((500, 23.0), (682, 30.0), (1000, 40.7), (1753, 60.0), (2000, 64.9), (3000, 79.2), (4000, 87.6),
                  (5000, 92.7))],
)  # fmt: skip
def test_residue_cover(mass, cover):
    got = residue_cover(mass, 0.0, 0.0, pinned_settings().parameters[0])
    assert 100.0 * got == pytest.approx(cover, abs=0.06)


def test_residues_add_in_the_exponent():
    """Cover of two residues: 1 - exp(-(a1 m1 + a2 m2)) (Gregory 1982)."""
    assert residue_cover(1000.0, 500.0, 4.0, pinned_settings().parameters[0]) == pytest.approx(
        1 - np.exp(-0.5228 - 0.2)
    )


@pytest.mark.parametrize(
    ("covered", "cut", "greb"),
    [pytest.param(c, r, g, id=f"FAO-56 chapter 11: {c:.0%} covered; Greb 1966 {g:.0%}")
     for c, r, g in ((0.3, 0.15, 0.16), (0.6, 0.30, 0.33), (0.9, 0.45, 0.49))],
)  # fmt: skip
def test_mulch_rule_near_measured_cut(covered, cut, greb):
    """Five percent less evaporation for each ten percent of ground covered, within five points of the trial."""
    straw = -np.log(1.0 - covered) / 5.228e-4
    bare, _ = evaporate(1, 23.5, 9.5, 3.0)
    mulched, _ = evaporate(1, 23.5, 9.5, 3.0, straw=straw, cut=0.5)
    assert 1.0 - mulched[0] / bare[0] == pytest.approx(cut, abs=1e-6)
    assert abs(cut - greb) <= 0.05
