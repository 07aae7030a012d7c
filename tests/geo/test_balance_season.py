"""One season: the shared run-in, the four options, what is written down and when."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from geo.balance.kernel.records import STATE
from geo.balance.kernel.season_run import run_in, small_grain_growth
from geo.options import COVERS
from geo.season import RUN_IN_DAYS, Calendar
from tests.water import (
    champion_weather,
    on_a_lane,
    pinned_settings,
    profile,
    run,
    soil_record,
    soils_of,
    total,
    weather_of,
    weeds_on,
)

CALENDAR = Calendar(planting=(5, 1))


def steady(temperature: float = 18.0, rain_every: int = 6, rain: float = 12.0, **changes: float) -> xr.Dataset:
    """Return two years of the same mild day, with rain every few days; `changes`: date -> minimum temperature."""
    dates = pd.date_range("2001-01-01", "2002-12-31")
    tmin = np.full(len(dates), temperature - 7.0)
    tmax = np.full(len(dates), temperature + 7.0)
    for date, value in changes.items():
        tmin[dates == pd.Timestamp(date.replace("_", "-").lstrip("d"))] = value
    precip = np.where(np.arange(len(dates)) % rain_every == 0, rain, 0.0)
    return weather_of(
        pd.DataFrame({"year": dates.year, "month": dates.month, "day": dates.day, "tmin": tmin, "tmax": tmax,
                      "precip": precip, "et0": 4.0})
    )  # fmt: skip


@pytest.mark.parametrize(
    ("day", "kcb"),
    [pytest.param(d, k, id=f"FAO-56 tables 11 and 17, small grain 20/25/60/30 days, .15/1.10/.15: day {d}")
     for d, k in ((0, 0.15), (32.5, 0.625), (45, 1.10), (104, 1.10), (120, 0.625), (135, 0.15))],
)  # fmt: skip
def test_small_grain_curve(day, kcb):
    p = pinned_settings().parameters[0]
    got = p["run_in_kcb_start"] + (p["run_in_kcb"] - p["run_in_kcb_start"]) * small_grain_growth(float(day), p)
    assert got == pytest.approx(kcb)
    assert RUN_IN_DAYS == 20 + 25 + 60 + 30


def test_run_in_leaves_a_drier_profile_its_stubble_and_clean_books():
    from geo.balance.simulate import pack_days

    soil = soils_of(profile("silt loam"))
    days = pack_days(champion_weather((1995, 1996)))[0]
    state = np.zeros(1, STATE)
    on_a_lane(state, soil, lambda block: run_in(block, days, 66, pinned_settings().parameters[0]))
    assert state["water_mm"].sum() < 0.6 * soil["capacity_mm"].sum()
    assert state["straw_kg_ha"][0] == 4000.0
    assert state["shelter_m"][0] == 0.25
    assert state["canopy"][0] == 0.0
    assert not state["flux_mm"].any(), "the ledger starts at harvest"


def test_all_options_start_from_the_same_harvest():
    result = run(champion_weather((1995, 1998)), soils_of(profile("silt loam"), profile("sand")), pinned_settings())
    first = result["stored_mm"].sel(step=[0, 7])
    for option in result["option"].values[1:]:
        np.testing.assert_array_equal(first.sel(option=option), first.sel(option="stubble"))


def test_each_cover_differs_from_stubble_only_after_its_own_seeding():
    result = run(champion_weather((1995, 1998)), soils_of(profile("silt loam")), pinned_settings())
    seeded = {"winter_killed": 12, "overwinter_early": 47, "overwinter_late": 47}  # days after harvest on 20 July
    for option, day in seeded.items():
        track, bare = result["stored_mm"].sel(option=option), result["stored_mm"].sel(option="stubble")
        before = result["step"].values <= day
        np.testing.assert_array_equal(track.isel(step=before), bare.isel(step=before))
        assert float(np.abs(track - bare).max()) > 1.0


def test_checks_are_the_states_of_their_dates():
    """Seeding on day 0 of a step, mid-November, first of April: paw sums equal the weekly track on the same day."""
    calendar = Calendar(
        harvest=(7, 20), seeding_winter_killed=(8, 3), seeding_overwinter=(9, 7), mid_november=(11, 16),
        first_april=(4, 5), early_termination=(4, 5), planting=(5, 3),
    )  # fmt: skip
    weather = champion_weather((1994, 1995))  # no leap day between
    result = run(weather, soils_of(profile("silt loam")), pinned_settings(), calendar)
    paw, track = total(result["paw_mm"]), result["stored_mm"]
    days = {
        ("stubble", "seeding"): 14, ("winter_killed", "seeding"): 14, ("overwinter_late", "seeding"): 49,
        ("overwinter_early", "seeding"): 49, ("stubble", "mid_november"): 119, ("winter_killed", "mid_november"): 119,
        ("overwinter_late", "first_april"): 259, ("overwinter_early", "first_april"): 259,
        ("stubble", "planting"): 287, ("overwinter_early", "planting"): 287,
        ("overwinter_late", "planting"): 287, ("winter_killed", "planting"): 287,
    }  # fmt: skip
    for (option, check), step in days.items():
        at = track.sel(option=option, step=step)
        np.testing.assert_allclose(paw.sel(option=option, check=check), at, atol=1e-3, err_msg=f"{option} {check}")


def test_the_early_option_stops_using_water_on_its_date():
    result = run(champion_weather((1990, 2000)), soils_of(profile("silt loam")), pinned_settings())
    early, late = (result["transpiration_mm"].sel(option=f"overwinter_{n}") for n in ("early", "late"))
    assert (early <= late).all()
    assert float((late - early).mean()) > 10.0
    before = result["stored_mm"].sel(step=slice(0, 253))
    np.testing.assert_array_equal(before.sel(option="overwinter_early"), before.sel(option="overwinter_late"))


def test_later_termination_never_leaves_more_water_on_a_dry_record():
    result = run(
        champion_weather(), soils_of(profile("silt loam")), pinned_settings(), ladder_days=(-56, -42, -28, -14, 0)
    )
    mean = result["ladder_paw_mm"].mean("season").values[0]
    assert (np.diff(mean) < 0).all()


def test_cover_and_mass_are_written_before_the_killing_freeze():
    """A mix that dies of frost on 20 October is seen whole on that day, and as residue in April."""
    weather = steady(d2001_10_20=-20.0)
    result = run(weather, soils_of(profile("silt loam")), pinned_settings()).sel(option="winter_killed")
    at_freeze = float(result["ground_cover"].sel(when="freeze").squeeze())
    assert at_freeze > 0.5
    assert float(result["living_share"].squeeze()) == 0.0
    mass = result["biomass_kg_ha"].squeeze()
    assert float(mass.sel(when="freeze")) > float(mass.sel(when="first_april")) > float(mass.sel(when="end")) > 0.0


def test_a_mild_winter_kills_nothing():
    result = run(steady(), soils_of(profile("silt loam")), pinned_settings()).sel(option="winter_killed")
    assert float(result["living_share"].squeeze()) == pytest.approx(1.0)


@pytest.mark.parametrize("early", [(3, 1), (3, 31), (4, 1), (4, 15)])
def test_a_cover_that_has_to_be_sprayed_was_not_winter_killed(early):
    """Whatever the date of spraying: before, on, or after the first of April."""
    calendar = Calendar(planting=(5, 1), early_termination=early)
    result = run(steady(), soils_of(profile("silt loam")), pinned_settings(), calendar)
    np.testing.assert_allclose(result["living_share"].sel(option="winter_killed"), 1.0)
    for option in ("overwinter_early", "overwinter_late"):
        np.testing.assert_allclose(result["living_share"].sel(option=option), 1.0, err_msg=option)


@pytest.mark.parametrize("early", [(3, 1), (4, 1), (4, 15)])
def test_survival_is_the_same_for_both_overwintering_options(early):
    """They are one stand until the first is ended, so that winter cannot tell them apart."""
    calendar = Calendar(planting=(5, 1), early_termination=early)
    result = run(champion_weather(), soils_of(profile("silt loam"), profile("sand")), pinned_settings(), calendar)
    a, b = (result["living_share"].sel(option=f"overwinter_{n}") for n in ("early", "late"))
    np.testing.assert_array_equal(a, b)
    for when in ("freeze",):
        for name in ("ground_cover", "biomass_kg_ha"):
            one, two = (result[name].sel(option=f"overwinter_{n}", when=when) for n in ("early", "late"))
            np.testing.assert_array_equal(one, two)


def test_early_termination_at_planting_is_late_termination():
    calendar = Calendar(planting=(5, 1), early_termination=(5, 1))
    result = run(champion_weather((1990, 1995)), soils_of(profile("silt loam")), pinned_settings(), calendar)
    paw = result["paw_mm"]
    np.testing.assert_array_equal(paw.sel(option="overwinter_early"), paw.sel(option="overwinter_late"))
    np.testing.assert_array_equal(
        result["transpiration_mm"].sel(option="overwinter_early"),
        result["transpiration_mm"].sel(option="overwinter_late"),
    )


def test_layers_are_feet():
    """A soil whose second foot alone holds water reports it in layer 2."""
    soil = soil_record(capacity_mm=[0.0, 0.0, 50.0, 0.0, 0.0], dry_mm=0.0)
    result = run(steady(), soil, pinned_settings())
    paw = result["paw_mm"].sel(option="stubble", check="planting").squeeze()
    np.testing.assert_allclose(paw, [0.0, 50.0, 0.0, 0.0], atol=1e-4)


# Stubble that is not sprayed, and water that was measured -----------------------------------------------------------


def test_weeds_take_water_from_stubble_and_touch_no_cover():
    weather, soils = champion_weather((1990, 2000)), soils_of(profile("silt loam"), profile("sand"))
    clean, weedy = run(weather, soils, pinned_settings()), run(weather, soils, weeds_on(pinned_settings()))
    covers = list(COVERS)
    lost = (total(clean["paw_mm"]) - total(weedy["paw_mm"])).sel(option="stubble", check="planting")
    assert (weedy["transpiration_mm"].sel(option="stubble") > 0).all()
    assert (clean["transpiration_mm"].sel(option="stubble") == 0).all()
    assert lost.median("season").values[0] > 5.0, "weeds use water (common practice, no source: how much is open)"
    for name in ("paw_mm", "biomass_kg_ha", "drainage_mm"):
        np.testing.assert_array_equal(weedy[name].sel(option=covers), clean[name].sel(option=covers))
    assert weedy.attrs["closure_mm"] < 1e-9


def test_weeds_are_sprayed_on_the_early_date():
    warm = steady(temperature=18.0)
    weedy = run(warm, soils_of(profile("loam")), weeds_on(pinned_settings()), Calendar(early_termination=(3, 1)))
    assert weedy["living_share"].sel(option="stubble").item() == 0.0
    assert weedy["biomass_kg_ha"].sel(option="stubble", when="first_april").item() > 0.0, "they lie dead"


def test_measured_water_at_harvest_replaces_the_run_in_foot_by_foot():
    weather, soils = champion_weather((1995, 1998)), soils_of(profile("silt loam", 2.0))
    measured = np.array([[20.0, np.nan, 0.0, 500.0]])
    free, fixed = (run(weather, soils, pinned_settings(), harvest_water_mm=w) for w in (None, measured))
    start = fixed["stored_mm"].sel(step=0, option="stubble").values[0]
    second = start - 20.0 - 0.0 - 2.0 * 25.4  # more than the capacity counts as the capacity
    assert (second >= 0).all()
    assert (second <= 2.0 * 25.4).all()
    assert np.ptp(free["stored_mm"].sel(step=0, option="stubble").values - start) > 1.0
    np.testing.assert_array_equal(
        fixed["stored_mm"].sel(step=0, option="overwinter_late"), fixed["stored_mm"].sel(step=0, option="stubble")
    )
    assert fixed.attrs["closure_mm"] < 1e-9
