"""Spans of any length: the same days as the study, closed, with the events where they belong."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from geo.balance.parameters import BalanceSettings, pack_soils
from geo.balance.simulate import pack_days, simulate
from geo.season import Calendar, index_seasons
from pipelines.study.tables import load_tables
from tests.evaluation.climate import moved_record
from tests.evaluation.spans import NEVER, DateFinder, Span, flux, run_fixed_crop, run_span
from tests.evaluation.trials import (
    Period,
    Place,
    best_split,
    cover_after_harvest,
    cover_before_wheat,
    dormant_loss,
    drying,
    fallow_storage,
    mean_efficiency,
    straw_for_cover,
    straw_saving,
)

TABLES = load_tables()
SETTINGS: BalanceSettings = TABLES.settings()
PROFILE = pd.DataFrame(
    [
        {
            **{f"awc_{k}_mm": 50.0 for k in range(1, 5)}, "wp_surface": 0.12, "fc_surface": 0.3, "sat_surface": 0.48,
            "root_limit_mm": 1219.2, "surface_texture": "silt loam", "hydrologic_group": "B",
        }
    ]
)  # fmt: skip
SOIL = pack_soils(PROFILE, TABLES.rew_mm, TABLES.curve_numbers)[0]


def invented_weather(years: int = 4, seed: int = 3) -> xr.Dataset:
    """Days with a plain seasonal course and showers."""
    rng = np.random.default_rng(seed)
    dates = pd.date_range("2001-01-01", periods=365 * years + 1, freq="D")
    wave = -np.cos(2 * np.pi * (dates.day_of_year.to_numpy() - 15) / 365)
    mean = 9 + 14 * wave + rng.normal(0, 3, len(dates))
    rain = np.where(rng.random(len(dates)) < 0.2, rng.gamma(0.8, 8.0, len(dates)), 0.0)
    data = {"precip_mm": rain, "tmin_c": mean - 7, "tmax_c": mean + 7, "et0_mm": 3.4 + 2.6 * wave}
    return xr.Dataset(
        {k: (("cell", "time"), np.asarray(v, float)[None]) for k, v in data.items()},
        coords={k: ("time", getattr(dates, k).to_numpy()) for k in ("year", "month", "day")},
    )


WEATHER = invented_weather()
PLACE = Place.of(WEATHER)


@pytest.mark.slow
def test_span_gives_what_the_study_gives() -> None:
    """Stubble and the winter-killed mix of `simulate`, to the float32 of its results."""
    calendar = Calendar()
    seasons = index_seasons(WEATHER, calendar)
    study = simulate(WEATHER, seasons, np.array([SOIL]), np.zeros(1, int), SETTINGS)
    days = pack_days(WEATHER)[0]
    for s in range(len(seasons)):
        fallow = run_span(SOIL, days, Span(int(seasons.harvest[s]), int(seasons.stop[s])), SETTINGS)
        expected = study["paw_mm"].sel(option="stubble", check="planting").values[0, s]
        assert fallow["layer_mm"][-1] == pytest.approx(expected, abs=1e-3)
        span = Span(
            int(seasons.harvest[s]), int(seasons.stop[s]), sow=int(seasons.seeding_winter_killed[s]),
            end=int(seasons.early_termination[s]),
        )  # fmt: skip
        cover = run_span(SOIL, days, span, SETTINGS, SETTINGS.winter_killed)
        expected = study["paw_mm"].sel(option="winter_killed", check="planting").values[0, s]
        assert cover["layer_mm"][-1] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("cover", [False, True])
def test_every_day_of_a_span_closes(cover: bool) -> None:
    begin, stop = PLACE.dates.at(2001, (7, 20)), PLACE.dates.at(2002, (9, 20))
    span = Span(begin, stop, sow=begin + 12 if cover else NEVER, end=begin + 260 if cover else NEVER)
    track = run_span(SOIL, PLACE.days, span, SETTINGS, SETTINGS.winter_killed if cover else None)
    surface_below = np.minimum(track["surface_mm"], 0.0)
    # the first foot shows the surface layer without what it lacks below the wilting point
    stores = track["layer_mm"].sum(axis=1) + surface_below + track["snow_mm"]
    spent = track["flux_mm"][:, 1:].sum(axis=1)
    fallen = track["flux_mm"][:, 0]
    assert stores + spent - fallen == pytest.approx(np.full(len(track), stores[0]), abs=1e-6)
    assert fallen[-1] == pytest.approx(PLACE.precip_mm(begin, stop), abs=1e-6)


def test_cover_starts_and_ends_where_it_should() -> None:
    begin, sow, end = (PLACE.dates.at(2002, d) for d in ((4, 1), (4, 10), (6, 20)))
    span = Span(begin, begin + 150, run_in=False, water_share=0.9, sow=sow, end=end)
    track = run_span(SOIL, PLACE.days, span, SETTINGS, SETTINGS.winter_killed)
    grown = np.diff(track["flux_mm"][:, 2])
    assert grown[: sow - begin].sum() == 0
    assert grown[sow - begin : end - begin].sum() > 5
    assert grown[end - begin :].sum() == 0
    assert track["available_mm"][0] == pytest.approx(0.9 * 200.0)


@pytest.mark.parametrize(
    ("span", "mix"),
    [
        pytest.param(Span(10, 60), None, id="no room for the run-in"),
        pytest.param(Span(200, 10**6), None, id="beyond the record"),
        pytest.param(Span(300, 300), None, id="no days"),
        pytest.param(Span(300, 400, sow=310, end=350), None, id="sown without a mix"),
    ],
)
def test_spans_that_do_not_fit_are_refused(span: Span, mix: None) -> None:
    with pytest.raises(ValueError, match="span"):
        run_span(SOIL, PLACE.days, span, SETTINGS, mix)


def test_dates_are_found() -> None:
    dates = DateFinder.of(WEATHER)
    assert WEATHER["month"].values[dates.at(2003, (2, 28))] == 2
    assert dates.at(2003, (2, 29)) == NEVER
    assert dates.at(1999, (1, 1)) == NEVER
    assert list(dates.years())[:4] == [2001, 2002, 2003, 2004]


def test_more_straw_stores_more() -> None:
    periods = {"all": Period((0, (7, 20)), (1, (9, 1)))}
    stores = [
        mean_efficiency(
            fallow_storage(SOIL, PLACE, SETTINGS.changed(stubble_straw_kg_ha=kg), (7, 20), periods), "all"
        )
        for kg in (0.0, 2000.0, 6000.0)
    ]
    assert stores[0] < stores[1] < stores[2] < 1.0


def test_cover_before_wheat_uses_more_than_fallow_and_a_bonus_less() -> None:
    mix = SETTINGS.winter_killed
    plain = cover_before_wheat(SOIL, PLACE, SETTINGS, mix)
    assert (plain["cover_use_mm"] > plain["fallow_use_mm"]).all()
    saving = cover_before_wheat(SOIL, PLACE, SETTINGS, dataclasses.replace(mix, water_bonus=0.3))
    assert saving["cover_use_mm"].sum() < plain["cover_use_mm"].sum()


def test_gap_is_counted_by_depth() -> None:
    table = cover_after_harvest(SOIL, PLACE, SETTINGS, SETTINGS.winter_killed, harvest=(7, 15), sow=(7, 20))
    assert len(table) == 3
    total = table["stubble_48_mm"] - table["cover_48_mm"]
    assert total.to_numpy() == pytest.approx(table["spring_gap_48_mm"].to_numpy(), abs=1e-9)


def test_straw_for_cover_inverts_the_cover_of_straw() -> None:
    """682 kg/ha cover 30 % of the ground with 5.228 m2/kg [Gregory 1982 form, USDA wind erosion database]."""
    assert straw_for_cover(0.30, 5.228) == pytest.approx(682.0, abs=1.0)


def test_drying_never_takes_more_than_the_layer_holds() -> None:
    total = drying(SOIL, SETTINGS, cover=0.0, et0_mm=8.0, days=60)
    assert total <= SOIL["capacity_mm"][0] + SOIL["dry_mm"] + 1e-9
    wetted = drying(SOIL, SETTINGS, cover=0.0, et0_mm=8.0, days=60, rain_every=10, rain_mm=10.0)
    assert wetted > total


def test_fixed_crop_of_no_demand_changes_nothing() -> None:
    days = PLACE.days[150:200].copy()
    days["rain_mm"] = days["snow_mm"] = days["et0_mm"] = 0.0
    still = SETTINGS.changed(surface_drain_share=0.0)
    track = run_fixed_crop(SOIL, days, still, kcb=1.0, canopy=0.9, root_mm=1219.2, depletion_p=0.5)
    assert (track["available_mm"] == track["available_mm"][0]).all()
    assert flux(track, "transpiration") == 0.0


def test_moved_record_scales_rain_by_month_and_shifts_by_season() -> None:
    factor = np.ones(12)
    factor[6] = 2.0
    moved = moved_record(WEATHER, precip_factor=factor, january_c=-8.0, july_c=-2.0, latitude=(40.0, 48.0))
    july, january = WEATHER["month"].values == 7, WEATHER["month"].values == 1
    assert moved["precip_mm"].values[0, july].sum() == pytest.approx(2 * WEATHER["precip_mm"].values[0, july].sum())
    shift = (moved["tmin_c"] - WEATHER["tmin_c"]).values[0]
    assert shift[january].mean() == pytest.approx(-8.0, abs=0.2)
    assert shift[july].mean() == pytest.approx(-2.0, abs=0.2)
    # farther north and colder: less demand in winter
    assert moved["et0_mm"].values[0, january].sum() < 0.7 * WEATHER["et0_mm"].values[0, january].sum()


@pytest.mark.parametrize(
    ("passes", "expected"),
    [
        ([False, False, True, True], 550.0),
        ([False, True, False, True], 450.0),
        ([True, True, True, True], np.nan),
        ([False, False, False, False], np.nan),
    ],
)
def test_best_split(passes: list[bool], expected: float) -> None:
    order = [2, 0, 3, 1]
    rain = np.array([400.0, 500.0, 600.0, 700.0])[order]
    split = best_split(rain, np.array(passes)[order])
    assert split == pytest.approx(expected, nan_ok=True)


class TestStrawSaving:
    """Straw saves more the more often the ground is wet [Todd et al. 1991]."""

    years = (2002, 2003)

    def saved(self, straw_kg_ha: float = 6000.0, irrigation_mm: tuple[float, ...] = ()) -> float:
        return straw_saving(
            SOIL, PLACE, SETTINGS, self.years, straw_kg_ha=straw_kg_ha, irrigation_mm=irrigation_mm
        )  # fmt: skip

    def test_nothing_without_straw(self) -> None:
        assert self.saved(0.0) == 0.0

    def test_more_with_more_straw_and_with_irrigation(self) -> None:
        assert 0.0 < self.saved(2000.0) < self.saved()
        assert self.saved() < self.saved(irrigation_mm=(40.0,) * 8)

    def test_rain_of_the_place_is_left_alone(self) -> None:
        before = PLACE.days["rain_mm"].copy()
        self.saved(irrigation_mm=(40.0,))
        np.testing.assert_array_equal(PLACE.days["rain_mm"], before)


def test_dormant_loss_lies_between_nothing_and_what_there_was() -> None:
    table = dormant_loss(SOIL, PLACE, SETTINGS)
    bare = dormant_loss(SOIL, PLACE, SETTINGS.changed(stubble_straw_kg_ha=0.0, stubble_height_m=0.0))
    assert len(table) == 3, "three winters lie whole in the record"
    assert (table["loss_mm"] > 0.0).all()
    assert (table["loss_mm"] < table["precip_mm"] + 200.0).all()
    assert bare["loss_mm"].sum() > table["loss_mm"].sum()
    assert table["precip_mm"].tolist() == bare["precip_mm"].tolist()
