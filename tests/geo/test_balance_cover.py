"""The living cover: emergence, canopy, roots, growth, frost, termination."""

from __future__ import annotations

import numpy as np
import pytest

from geo.balance.kernel.cover import ground_cover
from geo.balance.kernel.records import GROUP
from tests.water import (
    cover_day,
    day_record,
    end_cover,
    open_stand,
    pinned_settings,
    soil_record,
    state_record,
    tables,
)

DEFAULT = {
    "share": 1.0, "base_temperature_c": 5.0, "emergence_gdd": 30.0, "half_cover_gdd": 300.0, "cover_max": 0.9,
    "kcb_full": 1.1, "height_m": 0.5, "root_rate_mm_per_gdd": 1.0, "root_max_mm": 900.0, "depletion_p": 0.5,
    "efficiency_pa": 4.0, "kill_c": -5.0, "kill_hardened_c": -15.0, "kill_three_nights_c": -60.0,
    "hardening_days": 20.0, "decay_multiplier": 1.0, "residue_area_m2_kg": 5.0,
}  # fmt: skip


def groups_of(*changes: dict[str, float]) -> np.ndarray:
    groups = np.zeros(len(changes), GROUP)
    for k, change in enumerate(changes):
        for name, value in {**DEFAULT, **change}.items():
            groups[name][k] = value
    return groups


def sown(share: float = 1.0, *changes: dict[str, float]):
    soil, groups = soil_record(), groups_of(*(changes or ({},)))
    state = state_record(soil, share)
    open_stand(state, groups)
    return soil, groups, state


def live(soil, groups, state, days, *, density=1.0, bonus=0.0, first=0, **day):
    for t in range(days):
        cover_day(
            state,
            soil,
            day_record(**day),
            groups,
            pinned_settings().parameters,
            density,
            bonus,
            first + t,
        )


def established(*changes: dict[str, float]):
    soil, groups, state = sown(1.0, *changes)
    state["emerged"] = 1.0
    state["heat_gdd"][0, : len(groups)] = 500.0
    state["root_mm"][0, : len(groups)] = 800.0
    live(soil, groups, state, 1)
    return soil, groups, state


@pytest.mark.parametrize(
    ("heat", "cover"),
    [pytest.param(h, c, id=f"Hill curve of order 3: {h:g} degC day")
     for h, c in ((0, 0.0), (150, 0.1), (300, 0.45), (600, 0.8), (3000, 0.8991))],
)  # fmt: skip
def test_canopy_curve(heat, cover):
    assert ground_cover(float(heat), 300.0, 0.9) == pytest.approx(cover, abs=1e-4)


def test_emergence_counts_warm_moist_days():
    soil, groups, state = sown()
    live(soil, groups, state, 1, tmean_c=20.0, et0_mm=0.0)
    assert not state["emerged"][0]
    live(soil, groups, state, 1, tmean_c=20.0, et0_mm=0.0)
    assert state["emerged"][0] == 1.0, "two days of 15 degC above the base make the 30 degC day"
    assert state["root_mm"][0, 0] == 100.0


@pytest.mark.parametrize(
    ("share", "day", "why"),
    [(0.0, {"tmean_c": 20.0}, "dry seedbed"), (1.0, {"tmean_c": 4.0}, "below base"),
     (1.0, {"tmean_c": 20.0, "frozen": 1.0}, "frozen")],
)  # fmt: skip
def test_no_emergence(share, day, why):
    soil, groups, state = sown(share)
    live(soil, groups, state, 30, et0_mm=0.0, **day)
    assert state["emerged"][0] == 0.0, why
    assert state["stand_open"][0] == 1.0


def test_a_stand_that_does_not_come_up_is_given_up():
    soil, groups, state = sown(0.0)
    live(soil, groups, state, 62, et0_mm=0.0)
    assert state["stand_open"][0] == 0.0
    assert not state["alive"].any()
    assert state["dead_cover_kg_ha"][0] == 0.0


def test_transpiration_and_growth_need_warmth():
    soil, groups, state = established()
    before, mass = state["flux_mm"][0, 2], state["mass_kg_ha"][0, 0]
    live(soil, groups, state, 1, tmean_c=5.0, tmin_c=1.0)
    assert state["flux_mm"][0, 2] == before
    assert state["mass_kg_ha"][0, 0] == mass
    live(soil, groups, state, 1, tmean_c=7.5, tmin_c=1.0)
    half = state["flux_mm"][0, 2] - before
    live(soil, groups, state, 1, tmean_c=10.0, tmin_c=1.0)
    assert state["flux_mm"][0, 2] - before - half == pytest.approx(2 * half, rel=0.05)


def test_roots_deepen_with_heat_to_their_limit():
    soil, groups, state = established()
    live(soil, groups, state, 3, tmean_c=20.0, et0_mm=1.0)
    assert state["root_mm"][0, 0] == pytest.approx(800.0 + 4 * 15.0)
    live(soil, groups, state, 30, tmean_c=20.0, et0_mm=1.0)
    assert state["root_mm"][0, 0] == 900.0


def test_drought_slows_canopy_and_roots():
    soil, groups, wet = established()
    _, _, dry = established()
    dry["water_mm"] *= 0.1
    heat = dry["heat_gdd"][0, 0]
    live(soil, groups, wet, 1)
    live(soil, groups, dry, 1)
    assert dry["heat_gdd"][0, 0] - heat < 0.5 * (wet["heat_gdd"][0, 0] - heat)


def test_a_mix_is_the_sum_of_its_groups():
    """Two equal halves use the water and make the dry matter of one whole (no bonus: Nielsen et al. 2015)."""
    one, two = established(), established({"share": 0.5}, {"share": 0.5})
    for soil, groups, state in (one, two):
        live(soil, groups, state, 20)
    np.testing.assert_allclose(one[2]["water_mm"], two[2]["water_mm"], rtol=1e-12)
    assert one[2]["mass_kg_ha"].sum() == pytest.approx(two[2]["mass_kg_ha"].sum())


def test_shipped_mixes_have_no_water_bonus():
    """Replicated trials found mixes to use no less water than single species (Nielsen et al. 2015)."""
    assert all(mix["mix_water_bonus"] == 0.0 for mix in tables().mixes.values())


def test_the_contested_bonus_cuts_demand_by_its_share():
    plain, cut = established(), established()
    plain_before, cut_before = plain[2]["flux_mm"][0, 2], cut[2]["flux_mm"][0, 2]
    live(*plain, 1, et0_mm=3.0)
    live(*cut, 1, et0_mm=3.0, bonus=0.25)
    assert (cut[2]["flux_mm"][0, 2] - cut_before) / (plain[2]["flux_mm"][0, 2] - plain_before) == pytest.approx(0.75)


def test_a_thin_stand_covers_by_the_root_of_its_density():
    full, thin = established(), established()
    live(*full, 1)
    live(*thin, 1, density=0.25)
    assert thin[2]["canopy"][0] / full[2]["canopy"][0] == pytest.approx(0.5, rel=1e-6)


@pytest.mark.parametrize(
    ("trait", "tmin", "dies"),
    [
        pytest.param({}, -4.9, False, id="above the killing temperature"),
        pytest.param({}, -5.0, True, id="at the killing temperature"),
        pytest.param({"crown_sheltered": 1.0}, -8.6, False, id="a crown feels 2 + 0.805 Tmin, -4.9 degC"),
        pytest.param({"crown_sheltered": 1.0}, -9.0, True, id="a crown feels 2 + 0.805 Tmin, -5.2 degC"),
    ],
)
def test_frost_kills_unhardened_plants(trait, tmin, dies):
    soil, groups, state = established(trait)
    mass = state["mass_kg_ha"][0, 0]
    live(soil, groups, state, 1, tmin_c=tmin, tmean_c=12.0, et0_mm=0.0)
    assert (state["alive"][0, 0] == 0.0) == dies
    if dies:
        assert state["dead_cover_kg_ha"][0] == pytest.approx(mass), "it stays on the ground as residue"
        assert state["mass_kg_ha"][0, 0] == 0.0


def test_cool_days_harden_and_warm_days_undo_it():
    soil, groups, state = established()
    live(soil, groups, state, 10, tmean_c=4.0, tmin_c=0.0)
    assert state["hardened"][0, 0] == pytest.approx(0.5)
    live(soil, groups, state, 1, tmean_c=4.0, tmin_c=-9.5)
    assert state["alive"][0, 0] == 1.0, "half hardened: dies at -10 degC"
    live(soil, groups, state, 2, tmean_c=12.0, tmin_c=5.0)
    assert state["hardened"][0, 0] == pytest.approx(0.55), "neither hardens nor softens in between"
    live(soil, groups, state, 2, tmean_c=16.0, tmin_c=9.0)
    assert state["hardened"][0, 0] == pytest.approx(0.35)
    live(soil, groups, state, 1, tmean_c=4.0, tmin_c=-9.5)
    assert state["alive"][0, 0] == 0.0


def test_snow_saves_the_crown():
    soil, groups, bare = established({"crown_sheltered": 1.0})
    _, _, snowy = established({"crown_sheltered": 1.0})
    snowy["snow_mm"] = 20.0
    for state in (bare, snowy):
        live(soil, groups, state, 1, tmean_c=-8.0, tmin_c=-14.0, et0_mm=0.0)
    assert bare["alive"][0, 0] == 0.0
    assert snowy["alive"][0, 0] == 1.0


def test_three_cold_nights_in_a_row():
    soil, groups, state = established({"kill_three_nights_c": -3.0})
    for tmin in (-3.5, -3.5, 1.0, -3.5, -3.5):
        live(soil, groups, state, 1, tmin_c=tmin, tmean_c=12.0)
    assert state["alive"][0, 0] == 1.0, "the warm night starts the count anew"
    live(soil, groups, state, 1, tmin_c=-3.5, tmean_c=12.0)
    assert state["alive"][0, 0] == 0.0


def test_dead_groups_use_no_water_and_living_ones_go_on():
    soil, groups, state = established({"share": 0.5, "kill_c": -1.0}, {"share": 0.5})
    live(soil, groups, state, 1, tmin_c=-2.0, tmean_c=12.0)
    np.testing.assert_array_equal(state["alive"][0, :2], [0.0, 1.0])
    mass = state["mass_kg_ha"][0].copy()
    live(soil, groups, state, 1)
    assert state["mass_kg_ha"][0, 0] == 0.0
    assert state["mass_kg_ha"][0, 1] > mass[1]
    assert state["canopy"][0] < 0.5


def test_termination_leaves_residue_and_no_canopy():
    soil, groups, state = established(
        {"share": 0.6}, {"share": 0.4, "residue_area_m2_kg": 3.0, "decay_multiplier": 2.0}
    )
    mass = state["mass_kg_ha"][0, :2].copy()
    end_cover(state, groups)
    assert state["canopy"][0] == 0.0
    assert state["stand_open"][0] == 0.0
    assert state["dead_cover_kg_ha"][0] == pytest.approx(mass.sum())
    assert state["dead_area_m2_kg"][0] == pytest.approx((5.0 * mass[0] + 3.0 * mass[1]) / mass.sum())
    assert state["dead_decay"][0] == pytest.approx((1.0 * mass[0] + 2.0 * mass[1]) / mass.sum())


def test_growth_shelters_snow_up_to_the_full_height():
    soil, groups, state = established()
    state["mass_kg_ha"][0, 0] = 1000.0
    live(soil, groups, state, 1, et0_mm=0.0)
    assert state["shelter_m"][0] == pytest.approx(0.25 + 0.1, abs=1e-6)
    state["mass_kg_ha"][0, 0] = 9000.0
    live(soil, groups, state, 1, et0_mm=0.0)
    assert state["shelter_m"][0] == pytest.approx(0.4)


def test_a_group_that_dies_shelters_once():
    """On the day of its death a group is residue and no longer standing: 0.4 and 0.6 t/ha shelter as 1 t/ha."""
    soil, groups, state = established({"share": 0.5, "kill_c": -1.0}, {"share": 0.5})
    state["mass_kg_ha"][0, :2] = 400.0, 600.0
    live(soil, groups, state, 1, tmin_c=-2.0, tmean_c=12.0, et0_mm=0.0)
    assert state["shelter_m"][0] == pytest.approx(0.25 + 0.1)
