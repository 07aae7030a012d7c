"""One day of water: snow, frozen ground, infiltration, drainage, evaporation through residue."""

from __future__ import annotations

import numpy as np
import pytest

from geo.balance.kernel.day import residue_cover, storm_runoff
from geo.balance.kernel.records import FLUXES
from tests.water import day_record, pinned_settings, quiet_settings, soil_record, state_record, water_day

EVAPORATION, DRAINAGE, RUNOFF, SNOW_LOSS = (
    FLUXES.index(f"{n}_mm") for n in ("evaporation", "drainage", "runoff", "snow_loss")
)


def one_day(state, soil, used=None, *, kcb=0.0, root=0.0, p=0.5, warmth=1.0, **day):
    parameters = (used or quiet_settings()).parameters
    return water_day(state, soil, day_record(**day), parameters, kcb, root, p, warmth)


def test_rain_fills_from_the_top_and_the_rest_drains():
    soil = soil_record(cn_fallow=30.0)  # so low a number that nothing runs off
    state = state_record(soil, 0.0)
    one_day(state, soil, rain_mm=50.0, et0_mm=0.0)
    np.testing.assert_allclose(state["water_mm"][0], [13.0, 27.0, 10.0, 0.0, 0.0])
    for _ in range(3):
        one_day(state, soil, rain_mm=50.0, et0_mm=0.0)
    np.testing.assert_allclose(state["water_mm"], soil["capacity_mm"])
    assert state["flux_mm"][0, DRAINAGE] + state["flux_mm"][0, RUNOFF] == pytest.approx(200.0 - 147.0 - 13.0)


def test_rain_first_fills_what_evaporation_took_below_the_wilting_point():
    soil = soil_record()
    state = state_record(soil, 0.0)
    state["water_mm"][0, 0] = -5.5
    one_day(state, soil, rain_mm=5.0, et0_mm=0.0)
    assert state["water_mm"][0, 0] == pytest.approx(-0.5)


@pytest.mark.parametrize(
    ("shelter", "kept"),
    [
        pytest.param(0.0, 0.60, id="Pomeroy, Fang and Williams 2011: bare ground loses 40 %"),
        pytest.param(0.2, 0.71, id="half the shelter, half the catch"),
        pytest.param(0.4, 0.82, id="Pomeroy et al., Regina: 40 cm of stubble saves 22 % of the snowfall"),
        pytest.param(1.5, 0.82, id="no more above 0.4 m"),
    ],
)
def test_snow_drifts_from_bare_ground_and_stays_in_stubble(shelter, kept):
    soil = soil_record()
    state = state_record(soil, 0.5, shelter_m=shelter)
    one_day(state, soil, snow_mm=10.0, tmean_c=-5.0, et0_mm=0.0)
    assert state["snow_mm"][0] == pytest.approx(10.0 * kept)
    assert state["flux_mm"][0, SNOW_LOSS] == pytest.approx(10.0 * (1 - kept))


@pytest.mark.parametrize(
    ("temperature", "melt"),
    [pytest.param(t, m, id=f"degree-day melt, 3.0 mm/(degC day), within NEH 630 ch. 11's 2 to 6: {t} degC")
     for t, m in ((-3.0, 0.0), (0.0, 0.0), (3.0, 9.0), (20.0, 40.0))],
)  # fmt: skip
def test_degree_day_melt(temperature, melt):
    soil = soil_record()
    state = state_record(soil, 0.0, snow_mm=40.0)
    one_day(state, soil, tmean_c=temperature, et0_mm=0.0)
    assert state["snow_mm"][0] == pytest.approx(40.0 - melt)
    assert state["water_mm"].sum() == pytest.approx(melt)


def test_snow_shields_the_ground_from_evaporation():
    soil = soil_record()
    under = state_record(soil, 1.0, snow_mm=5.0)
    open_ground = state_record(soil, 1.0)
    for state in (under, open_ground):
        one_day(state, soil, tmean_c=-1.0, et0_mm=2.0)
    assert under["flux_mm"][0, EVAPORATION] == 0.0
    assert under["flux_mm"][0, SNOW_LOSS] == pytest.approx(0.2), "sublimation, a tenth of reference ET"
    assert open_ground["flux_mm"][0, EVAPORATION] == pytest.approx(2.4)


def test_frozen_ground_holds_evaporation_transpiration_and_drainage():
    soil = soil_record()
    state = state_record(soil, 1.0)
    taken, _ = one_day(state, soil, pinned_settings(), kcb=1.0, root=1000.0, frozen=1.0, et0_mm=2.0)
    assert taken == 0.0
    assert 0.0 < state["flux_mm"][0, EVAPORATION] <= 0.2 * 1.2 * 2.0
    np.testing.assert_array_equal(state["water_mm"][0, 1:], soil["capacity_mm"][0, 1:])


@pytest.mark.parametrize("wet", [0.25, 0.5, 1.0])
def test_surface_water_moves_down_faster_when_wetter(wet):
    """The share that moves is the parameter at field capacity and falls in proportion to wetness."""
    soil = soil_record()
    state = state_record(soil, 0.0)
    state["water_mm"][0, 0] = 13.0 * wet
    used = quiet_settings().changed(surface_drain_share=0.3)
    one_day(state, soil, used, et0_mm=0.0)
    assert state["water_mm"][0, 1] == pytest.approx(0.3 * wet * 13.0 * wet)
    assert state["water_mm"].sum() == pytest.approx(13.0 * wet), "moved, not lost"


def test_surface_water_stays_when_there_is_no_room_below():
    soil = soil_record()
    state = state_record(soil, 1.0)
    one_day(state, soil, quiet_settings().changed(surface_drain_share=0.5), et0_mm=0.0)
    np.testing.assert_array_equal(state["water_mm"], soil["capacity_mm"])


def test_small_rains_evaporate_and_large_rains_are_stored():
    """Jia and Unger 2001: event size dominates. Ten rains of 5 mm store a smaller share than one of 50 mm."""
    soil = soil_record(cn_fallow=60.0)

    def stored(events):
        state = state_record(soil, 0.1, straw_kg_ha=4000.0, shelter_m=0.25)
        before = state["water_mm"].sum()
        for t in range(40):
            one_day(state, soil, pinned_settings(), rain_mm=events.get(t, 0.0), et0_mm=7.0)
        return (state["water_mm"].sum() - before) / 50.0

    small, large = stored({4 * k: 5.0 for k in range(10)}), stored({0: 50.0})
    assert small < 0.3
    assert large > small + 0.2


def test_residue_and_stubble_cut_evaporation_by_their_shares():
    soil = soil_record()
    used = quiet_settings().changed(residue_evaporation_cut=0.6, standing_stubble_cut=0.2)
    bare, covered = state_record(soil), state_record(soil, straw_kg_ha=2000.0, shelter_m=0.2)
    share = residue_cover(2000.0, 0.0, 0.0, used.parameters[0])
    for state in (bare, covered):
        one_day(state, soil, used, et0_mm=5.0)
    cut = covered["flux_mm"][0, EVAPORATION] / bare["flux_mm"][0, EVAPORATION]
    assert cut == pytest.approx((1 - 0.6 * share) * (1 - 0.2 * 0.5))


def test_a_cover_sheds_less_rain_than_fallow():
    soil = soil_record()
    open_ground, covered = state_record(soil, 0.4), state_record(soil, 0.4, canopy=0.9)
    for state in (open_ground, covered):
        one_day(state, soil, rain_mm=60.0)
    assert covered["flux_mm"][0, RUNOFF] < open_ground["flux_mm"][0, RUNOFF]


@pytest.mark.parametrize("number", [60.0, 74.0, 83.0, 90.0])
@pytest.mark.parametrize(("rew", "tew"), [(4.5, 9.0), (9.0, 20.0), (10.0, 26.0)])
def test_a_wetter_surface_never_ends_a_storm_drier(number, rew, tew):
    depletion = np.linspace(0.0, tew, 400)
    for rain in (5.0, 15.0, 30.0, 60.0, 120.0):
        after = [rain - storm_runoff(rain, number, d, rew, tew) - d for d in depletion]
        assert np.diff(after).max() <= 1e-9


@pytest.mark.parametrize("depletion", [0.0, 6.0, 12.0])
def test_a_larger_storm_never_stores_less(depletion):
    rain = np.linspace(0.0, 150.0, 600)
    stored = [r - storm_runoff(r, 83.0, depletion, 9.0, 20.0) for r in rain]
    assert np.diff(stored).min() >= -1e-9
    assert min(stored) >= 0.0


def test_roots_stop_at_the_restriction():
    soil = soil_record(root_limit_mm=304.8)
    state = state_record(soil, 1.0)
    for _ in range(10):
        one_day(state, soil, kcb=1.0, root=1200.0, et0_mm=8.0)
    np.testing.assert_array_equal(state["water_mm"][0, 2:], soil["capacity_mm"][0, 2:])
    assert state["water_mm"][0, :2].sum() < 10.0


def test_dry_soil_gives_nothing():
    soil = soil_record()
    state = state_record(soil, 0.0)
    taken, stress = one_day(state, soil, kcb=1.0, root=1200.0, et0_mm=8.0)
    assert taken == 0.0
    assert stress == 0.0
    assert state["flux_mm"][0, EVAPORATION] <= soil["dry_mm"][0]


def test_a_profile_without_capacity_passes_everything_on():
    soil = soil_record(capacity_mm=[0.0] * 5, dry_mm=0.0)
    state = state_record(soil)
    one_day(state, soil, kcb=1.0, root=500.0, rain_mm=30.0)
    flux = state["flux_mm"][0]
    assert flux[DRAINAGE] + flux[RUNOFF] == pytest.approx(30.0)
    assert state["closure_mm"][0] <= 1e-9
