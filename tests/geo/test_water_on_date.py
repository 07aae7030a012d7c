"""The modelled water on any date: the checks only look, so a moved check changes nothing but what is seen."""

from __future__ import annotations

import numpy as np
import pytest

from geo.balance.simulate import simulate
from geo.balance.water_on_date import days_after_harvest, harvest_year, in_season, positions_on, water_on
from geo.errors import StudyError
from geo.season import Calendar
from tests import water

CALENDAR = Calendar()


@pytest.fixture(scope="module")
def weather():
    """Five years of the record of Champion, Nebraska, with a leap year."""
    return water.champion_weather((1990, 1994))


@pytest.fixture(scope="module")
def soils():
    return water.soils_of(water.profile("silt loam"), water.profile("loamy sand", feet=2.5))


CELLS = np.zeros(2, int)


@pytest.mark.parametrize(
    ("date", "inside", "days", "year"),
    [
        ((7, 20), True, 0, 2011),
        ((12, 31), True, 164, 2011),
        ((1, 1), True, 165, 2010),
        ((2, 29), True, 223, 2010),
        ((5, 15), True, 299, 2010),
        ((5, 16), False, 300, 2010),
        ((7, 19), False, 364, 2010),
    ],
    ids=str,
)
def test_which_season_a_date_belongs_to(date, inside, days, year):
    """A season runs from harvest on 20 July to planting on 15 May."""
    assert in_season(date, CALENDAR) is inside
    assert days_after_harvest(date, CALENDAR) == days
    assert harvest_year(2011, date, CALENDAR) == year


def test_the_day_is_found_in_every_season_of_a_record_with_leap_years(weather):
    seasons = water.seasons_of(weather, CALENDAR)
    for date in ((7, 20), (11, 11), (2, 29), (3, 1), (5, 15)):
        there = positions_on(weather, seasons, date, CALENDAR)
        month, day = (weather[k].values[there] for k in ("month", "day"))
        assert set(zip(month.tolist(), day.tolist(), strict=True)) == {(2, 28) if date == (2, 29) else date}
        assert (seasons.harvest <= there).all()
        assert (there <= seasons.stop).all()


def test_nothing_is_modelled_between_planting_and_harvest(weather):
    with pytest.raises(StudyError, match="between planting and harvest"):
        positions_on(weather, water.seasons_of(weather, CALENDAR), (6, 10), CALENDAR)


def test_on_the_dates_of_the_checks_it_is_what_the_run_itself_wrote_down(weather, soils, settings):
    seasons = water.seasons_of(weather, CALENDAR)
    run = simulate(weather, seasons, soils, CELLS, settings)
    for check, date in (("mid_november", (11, 15)), ("first_april", (4, 1)), ("planting", (5, 15))):
        found = water_on(date, CALENDAR, weather, seasons, soils, CELLS, settings)
        np.testing.assert_array_equal(found.values, run["paw_mm"].sel(check=check).values, err_msg=check)
    found = water_on((8, 1), CALENDAR, weather, seasons, soils, CELLS, settings)
    seeded = run["paw_mm"].sel(check="seeding", option="winter_killed")
    np.testing.assert_array_equal(found.sel(option="winter_killed").values, seeded.values)


@pytest.mark.parametrize("step", [0, 14, 70, 154, 280])
def test_feet_add_up_to_the_weekly_track_of_the_profile(weather, soils, settings, step):
    """The track is written every seven days after harvest, whatever the calendar says."""
    seasons = water.seasons_of(weather, CALENDAR)
    track = simulate(weather, seasons, soils, CELLS, settings)["stored_mm"].sel(step=step)
    there = seasons.harvest + step
    date = (int(weather["month"].values[there[0]]), int(weather["day"].values[there[0]]))
    same = positions_on(weather, seasons, date, CALENDAR) == there  # a leap day moves the others by one
    assert same.sum() >= 2
    found = water_on(date, CALENDAR, weather, seasons, soils, CELLS, settings).sum("layer")
    np.testing.assert_allclose(found.values[..., same], track.values[..., same], rtol=1e-5)
