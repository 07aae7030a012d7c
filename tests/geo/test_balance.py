"""What weather alone decides, and the labelled result of a simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.balance.kernel.lanes import LANES, falling, power_of_share
from geo.balance.kernel.records import FLUXES
from geo.balance.simulate import frozen_ground, killing_freeze, pack_days, simulate, snow_share, unit_blocks
from geo.errors import StudyError
from geo.options import OPTIONS
from tests.water import CALENDAR, champion_weather, pinned_settings, profile, run, seasons_of, soils_of


@pytest.mark.parametrize(
    ("temperature", "share"), [(-10.0, 1.0), (0.0, 1.0), (0.5, 0.75), (1.0, 0.5), (2.0, 0.0), (9.0, 0.0)]
)
def test_snow_share(temperature, share):
    assert snow_share(np.array([temperature]))[0] == pytest.approx(share)


def test_rain_and_snow_add_up_to_precipitation():
    weather = champion_weather((1990, 1999))
    days = pack_days(weather)
    np.testing.assert_allclose(days["rain_mm"] + days["snow_mm"], weather["precip_mm"])
    share = days["snow_mm"].sum() / weather["precip_mm"].values.sum()
    assert 0.05 <= share <= 0.20, "less than the fifth of the northern Plains (McCool et al.), but not none"


def test_ground_freezes_late_and_thaws_late():
    """The memory is ten days long: a cold week after warmth does not freeze the ground, a cold month does."""
    temperature = np.concatenate([np.full(60, 10.0), np.full(40, -10.0), np.full(40, 10.0)])[None]
    frozen = frozen_ground(temperature)[0]
    assert not frozen[:65].any()
    first = int(frozen.argmax())
    assert first - 60 == pytest.approx(10 * np.log(20.0 / 9.5), abs=1.0), "10 ln(20/9.5): exponential memory"
    assert frozen[first:100].all()
    assert 0 < int((~frozen[100:]).argmax()) <= 10


def test_a_gap_outside_the_seasons_does_not_blank_the_memory_of_frost():
    weather = champion_weather((1990, 1999))
    gap = weather.copy(deep=True)
    gap["tmin_c"].values[0, 20:40] = np.nan
    whole, broken = pack_days(weather)["frozen"], pack_days(gap)["frozen"]
    np.testing.assert_array_equal(whole[0, 150:], broken[0, 150:])
    assert broken[0, 400:].any()


def test_a_gap_inside_a_season_stops_the_run():
    weather = champion_weather((1990, 1993))
    for name in ("precip_mm", "tmin_c", "tmax_c", "et0_mm"):
        broken = weather.copy(deep=True)
        broken[name].values[0, 500] = np.nan
        with pytest.raises(StudyError, match="missing values inside a season") as caught:
            run(broken, soils_of(profile()), pinned_settings())
        assert "1990" in caught.value.where or "1991" in caught.value.where


def test_a_gap_before_the_first_season_does_not_matter():
    weather = champion_weather((1990, 1993))
    broken = weather.copy(deep=True)
    broken["precip_mm"].values[0, 3] = np.nan
    one, two = (run(w, soils_of(profile()), pinned_settings()) for w in (weather, broken))
    np.testing.assert_array_equal(one["paw_mm"], two["paw_mm"])


@pytest.mark.parametrize("threshold", [0.0, -2.2, -2.8, -4.4])
def test_killing_freeze_is_the_first_cold_night_after_seeding(threshold):
    weather = champion_weather((1982, 2018))
    seasons = seasons_of(weather)
    found = killing_freeze(pack_days(weather), seasons, threshold)[0]
    table = pd.DataFrame({name: weather[name].values for name in ("year", "month", "day")}).assign(
        tmin=weather["tmin_c"].values[0]
    )
    for s, year in enumerate(seasons.year):
        after = table[(table["year"] * 10000 + table["month"] * 100 + table["day"]) > year * 10000 + 801]
        assert found[s] == after.index[after["tmin"].astype("float32") <= np.float32(threshold)][0]


def test_first_killing_freeze_of_the_record_is_in_its_usual_month():
    """South-west Nebraska: median first 28 degF freeze early in October (common practice, no source)."""
    weather = champion_weather()
    found = killing_freeze(pack_days(weather), seasons_of(weather))[0]
    assert 25 < np.median(weather["month"].values[found] * 31 + weather["day"].values[found]) - 9 * 31 < 31 + 25


def test_without_frost_the_last_day_of_march():
    weather = champion_weather((1990, 1992))
    warm = weather.assign(tmin_c=weather["tmin_c"] + 60.0, tmax_c=weather["tmax_c"] + 60.0)
    seasons = seasons_of(warm)
    np.testing.assert_array_equal(killing_freeze(pack_days(warm), seasons)[0], seasons.first_april - 1)


def test_result_is_labelled():
    weather = champion_weather((1990, 1993))
    result = run(weather, soils_of(profile("loam"), profile("sand")), pinned_settings(), ladder_days=(-28, 0))
    assert list(result["option"].values) == list(OPTIONS)
    assert list(result["season"].values) == [1990, 1991, 1992]
    assert dict(result["paw_mm"].sizes) == {"unit": 2, "option": 4, "season": 3, "check": 4, "layer": 4}
    for name in (*FLUXES, "paw_mm", "stored_mm", "ladder_paw_mm"):
        assert result[name].attrs["units"] == "mm"
        assert result[name].attrs["long_name"]
    assert result["biomass_kg_ha"].attrs["units"] == "kg ha-1"
    assert result.attrs["closure_mm"] <= 1e-6
    assert list(result["step"].values[:3]) == [0, 7, 14]
    assert result["emerged"].dtype == bool


def test_negative_rain_and_reference_et_count_as_none():
    weather = champion_weather((1990, 1991))
    odd = weather.copy(deep=True)
    odd["precip_mm"].values[0, weather["precip_mm"].values[0] == 0.0] = -0.3
    one, two = (run(w, soils_of(profile()), pinned_settings()) for w in (weather, odd))
    np.testing.assert_array_equal(one["paw_mm"], two["paw_mm"])


def test_days_packed_once_give_the_same():
    weather = champion_weather((1990, 1993))
    seasons, soils = seasons_of(weather, CALENDAR), soils_of(profile())
    cell = np.zeros(1, int)
    one = simulate(weather, seasons, soils, cell, pinned_settings())
    two = simulate(weather, seasons, soils, cell, pinned_settings(), days=pack_days(weather))
    np.testing.assert_array_equal(one["paw_mm"], two["paw_mm"])


# Side by side -------------------------------------------------------------------------------------------------------


@given(st.lists(st.integers(0, 6), min_size=1, max_size=120))
def test_blocks_hold_every_unit_once_and_one_cell_each(cells):
    cells = np.array(cells)
    blocks = unit_blocks(cells)
    assert blocks.shape[1] == LANES
    assert sorted(blocks[blocks >= 0]) == list(range(len(cells)))
    for block in blocks:
        used = block[block >= 0]
        assert len(set(cells[used])) == 1
        assert (block[: len(used)] >= 0).all(), "spare lanes stand at the end"
    full = sum(-(-np.sum(cells == c) // LANES) for c in set(cells))
    assert len(blocks) == full, "no more blocks than needed"


@pytest.mark.parametrize("units", [1, LANES - 1, LANES, LANES + 1])
def test_a_unit_is_the_same_whatever_runs_beside_it(units):
    weather = champion_weather((1995, 1997))
    rows = [profile("silt loam", 0.6 + 0.1 * k) for k in range(units)]
    together, alone = run(weather, soils_of(*rows)), run(weather, soils_of(rows[-1]))
    for name in ("paw_mm", "biomass_kg_ha", "transpiration_mm", "ladder_paw_mm"):
        np.testing.assert_array_equal(together[name].isel(unit=-1), alone[name].isel(unit=0))


@given(st.floats(0.0, 3.0))
def test_falling_is_the_exponential_of_a_general_library(x):
    """numpy.exp, relative error below 1e-11 where residue lies (100 % of the ground is 3 and more)."""
    assert falling(x) == pytest.approx(np.exp(-x), rel=1e-11)


@given(st.floats(3.0, 60.0))
def test_falling_stays_small_far_out(x):
    assert falling(x) == pytest.approx(np.exp(-x), abs=1e-9)


@given(st.floats(0.01, 1.0), st.floats(0.0, 1.0))
def test_power_of_a_share_is_that_of_a_general_library(share, exponent):
    """numpy.power, relative error below 1e-8."""
    assert power_of_share(share, exponent) == pytest.approx(np.power(share, exponent), rel=1e-8)
