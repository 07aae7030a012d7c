"""The balance and the whole flow on measured weather and surveyed soils.

The record is that of Champion, Nebraska, 1982 to 2018 (daily, with grass reference ET), which the package aquacrop
ships. Soils are a deep silt loam (2 in of capacity a foot), a sand (Saxton and Rawls 2006, table 3), and those of
three survey areas. Published ranges are named beside each check.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import xarray as xr
from shapely.geometry import box

from geo.balance.parameters import pack_soils
from geo.balance.simulate import killing_freeze, pack_days
from geo.ground.response_units import ResponseUnits
from geo.options import COVERS
from geo.rating import Limits, cell_climate, judge, place_outcomes, site_weights, unit_outcomes
from geo.rating.rule import ZONE_CODES, ZoneRules
from geo.soils.table import SoilTable, build_soil_table
from pipelines.read.soils.survey import read_survey_tables
from pipelines.run.result import StudyResult
from pipelines.show.publish import run_study
from pipelines.study.file import load_study
from tests.open_data import open_data
from tests.water import (
    champion_table,
    champion_weather,
    profile,
    run,
    seasons_of,
    soils_of,
    tables,
    total,
)

SILT_LOAM, SAND = 0, 1


@pytest.fixture(scope="module")
def weather() -> xr.Dataset:
    return champion_weather()


@pytest.fixture(scope="module")
def soils() -> np.ndarray:
    return soils_of(profile("silt loam", 2.0), profile("sand"))


@pytest.fixture(scope="module")
def result(weather, soils) -> xr.Dataset:
    return run(weather, soils)


def stored_share(weather: xr.Dataset, result: xr.Dataset, unit: int, start: str, end: str) -> float:
    """Return the share of precipitation that stubble stores between two dates, all seasons together."""
    seasons = seasons_of(weather)
    rain = np.concatenate([[0.0], weather["precip_mm"].values[0].cumsum()])
    stubble = result.isel(unit=unit).sel(option="stubble")
    paw = total(stubble["paw_mm"])
    water = {"harvest": stubble["stored_mm"].sel(step=0), **{c: paw.sel(check=c) for c in paw["check"].values}}
    place = {"harvest": seasons.harvest, "mid_november": seasons.mid_november, "first_april": seasons.first_april,
             "planting": seasons.stop}  # fmt: skip
    return float((water[end] - water[start]).sum() / (rain[place[end]] - rain[place[start]]).sum())


def test_the_record_is_what_it_says(weather):
    table = champion_table()
    assert len(table) == 13_514
    assert 400.0 < table["precip"].sum() / 37 < 430.0
    assert len(seasons_of(weather)) == 36


def test_water_closes(result):
    assert result.attrs["closure_mm"] <= 1e-6
    assert not np.isnan(result["paw_mm"]).any()


@pytest.mark.parametrize(
    ("start", "end", "low", "high"),
    [
        pytest.param("harvest", "planting", 0.15, 0.53, id="Nielsen and Vigil 2010: Great Plains fallow 10-53 %"),
        pytest.param("harvest", "mid_november", 0.08, 0.55, id="any fallow 8-55 %, common practice, no source"),
        pytest.param("mid_november", "first_april", 0.15, 0.71, id="Tanaka and Aase 1987: over winter to 71 %"),
        pytest.param("mid_november", "planting", 0.25, 0.81, id="Nielsen and Vigil 2010: 33-81 %, 25 % allowed"),
    ],
)  # fmt: skip
def test_storage_under_stubble_on_a_deep_silt_loam(weather, result, start, end, low, high):
    assert low <= stored_share(weather, result, SILT_LOAM, start, end) <= high


def test_a_sand_fills_and_then_drains(weather, result, soils):
    assert stored_share(weather, result, SAND, "mid_november", "planting") < 0.15
    stubble = result.sel(option="stubble")
    assert float(stubble["drainage_mm"].isel(unit=SAND).mean()) > 3 * float(
        stubble["drainage_mm"].isel(unit=SILT_LOAM).mean()
    )
    full = total(stubble["paw_mm"]).sel(check="planting").isel(unit=SAND) / soils["capacity_mm"][SAND].sum()
    assert float(full.median()) > 0.8


def test_planting_water_never_exceeds_capacity(result, soils):
    water = total(result["paw_mm"]).transpose("unit", ...).values
    assert (water <= soils["capacity_mm"].sum(axis=1).reshape(-1, 1, 1, 1) + 1e-3).all()
    assert (water >= 0.0).all()


def test_gaps_keep_their_order(result):
    """Whoever transpires later and longer leaves less; the killed mix costs most in the fall."""
    water = total(result["paw_mm"])
    gap = (water.sel(option="stubble") - water).median("season")
    deep = gap.isel(unit=SILT_LOAM)
    at = {(o, c): float(deep.sel(option=o, check=c)) for o in COVERS for c in ("mid_november", "planting")}
    assert at["winter_killed", "mid_november"] > at["overwinter_late", "mid_november"] > 0.0
    assert at["winter_killed", "mid_november"] == pytest.approx(at["winter_killed", "planting"], abs=40.0)
    assert at["winter_killed", "planting"] <= at["winter_killed", "mid_november"]
    assert at["overwinter_late", "planting"] > at["overwinter_early", "planting"]
    assert at["overwinter_late", "planting"] > at["overwinter_late", "mid_november"]
    sand = gap.isel(unit=SAND)
    for option in COVERS:
        assert float(sand.sel(option=option, check="planting")) <= at[option, "planting"], "a sand refills"


def test_a_cover_uses_more_water_than_fallow_loses(result):
    """Nielsen et al. 2015: 216 mm under covers, 122 mm under no-till fallow; more than 1 and less than 2.5 times."""
    deep = result.isel(unit=SILT_LOAM)
    use = deep["evaporation_mm"] + deep["transpiration_mm"]
    ratio = (use / use.sel(option="stubble")).mean("season")
    for option in COVERS:
        assert 1.0 < float(ratio.sel(option=option)) < 2.5
    assert (
        deep["evaporation_mm"].sel(option="winter_killed") <= deep["evaporation_mm"].sel(option="stubble")
    ).mean() > 0.8


def test_dry_matter_of_covers_after_small_grain(result):
    """Ruis et al. 2019: 870 to 6030 kg/ha below 750 mm; low end for the Plains: common practice, no source."""
    mass = result["biomass_kg_ha"].isel(unit=SILT_LOAM).sel(when="end")
    for option in COVERS:
        assert 500.0 <= float(mass.sel(option=option).median()) <= 6030.0


def test_winters_of_the_high_plains_kill_the_summer_mix_and_spare_most_of_the_other(result):
    living = result["living_share"].isel(unit=SILT_LOAM)
    assert float((living.sel(option="winter_killed") <= 0.05).mean()) >= 0.9
    assert float((living.sel(option="overwinter_early") >= 0.5).mean()) >= 0.5


def test_covers_stop_costing_water_where_trials_say(soils):
    """Garba et al. 2022, 38 dryland papers: break-even near 700 mm a year. Here: between 500 and 1000 mm."""
    capacity = soils["capacity_mm"][SILT_LOAM].sum()
    gap, short = {}, {}
    for rain in (414, 500, 1000):
        found = run(champion_weather(rain_factor=rain / 414.0), soils).isel(unit=SILT_LOAM)
        water = total(found["paw_mm"]).sel(check="planting")
        stubble, killed = water.sel(option="stubble"), water.sel(option="winter_killed")
        gap[rain] = float((stubble - killed).median())
        short[rain] = float(((stubble >= 0.5 * capacity) & (killed < 0.5 * capacity)).mean())
    assert min(gap[414], gap[500]) > 38.1, "more than an inch and a half on dry ground"
    assert min(short[414], short[500]) > 0.2
    assert gap[1000] < 10.0
    assert short[1000] <= 0.2


def rated_outcomes(soil: SoilTable, weather: xr.Dataset) -> tuple[xr.Dataset, ResponseUnits]:
    """Simulate every rated component of a survey area under the record and summarise by map unit."""
    rated = soil.profiles[soil.profiles["rated"]]
    ids = list(dict.fromkeys(soil.profiles["map_unit_id"]))
    rows = rated.reset_index().rename(columns={"index": "profile_id"})
    share = rows["share"] / rows.groupby("map_unit_id")["share"].transform("sum")
    units = ResponseUnits(
        units=rows[["profile_id"]].assign(cell=0),
        sites=soil.map_units.loc[ids, ["rated_share"]].assign(map_unit_id=ids, cell=0).reset_index(drop=True),
        site_units=rows[[]].assign(site=[ids.index(m) for m in rows["map_unit_id"]], unit=rows.index, weight=share),
        site_raster=np.zeros((1, 1), np.int32),
    )
    records = pack_soils(rated, tables().rew_mm, tables().curve_numbers)
    found = run(weather, records)
    assert found.attrs["closure_mm"] <= 1e-6
    seasons = seasons_of(weather)
    climate = cell_climate(weather, seasons, killing_freeze(pack_days(weather), seasons))
    capacity = records["capacity_mm"].sum(axis=1)
    by_unit = unit_outcomes(found, capacity, np.zeros(len(capacity), int), climate, ZoneRules(), 121)
    return place_outcomes(site_weights(units, ZoneRules().rated_share_min), by_unit, "site", ZoneRules()), units


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sample", "least"), [("soil/az649_ssurgo", 25), ("soil/co671_cdg", 4), ("soil/isuag_ia", 2)]
)
def test_every_rated_map_unit_of_real_surveys_gets_an_answer(sample, least, weather):
    from pipelines.read.soils.common import restriction_kinds, surface_table

    raw, _ = read_survey_tables(open_data(sample))
    soil, _ = build_soil_table(
        *(raw.get(n) for n in ("mapunit", "component", "chorizon", "corestrictions")),  # type: ignore[arg-type]
        restriction_kinds=restriction_kinds(), surface=surface_table(),
    )  # fmt: skip
    outcomes, units = rated_outcomes(soil, weather)
    limits = Limits.of(ZoneRules(), ZoneRules(), np.zeros(len(units.sites), bool))
    table = judge(outcomes, limits, np.ones(len(units.sites), bool)).table
    answered = table["zone"] != "not_rated"
    assert answered.sum() >= least
    assert (answered == (units.sites["rated_share"] >= 0.5 - 1e-9).to_numpy()).all()
    capacity = outcomes["capacity_mm"].values
    water = outcomes["planting_water_mm"].sel(option="stubble", stat="p90").values
    known = ~np.isnan(capacity)
    deep, shallow = known & (capacity > 150), known & (capacity < 60)
    assert (water[known] >= 0).all()
    if deep.any() and shallow.any():
        assert water[deep].mean() > water[shallow].mean()
    late = outcomes["planting_gap_mm"].sel(option="overwinter_late", stat="mean").values
    early = outcomes["planting_gap_mm"].sel(option="overwinter_early", stat="mean").values
    assert (late[known] >= early[known] - 0.5).all()


def whole_flow(tmp_path: Path, sample: str, field: gpd.GeoDataFrame, resolution_m: float) -> StudyResult:
    """Run every step from a study file: surveyed soils, the record as a plain table, one made field."""
    soil = open_data(sample)
    place = field.to_crs("EPSG:4326").geometry.iloc[0].centroid
    champion_table().to_csv(tmp_path / "record.csv", index=False)
    field.to_file(tmp_path / "field.gpkg")
    bounds = [float(round(v)) for v in field.to_crs("EPSG:5070").total_bounds]
    (tmp_path / "study.toml").write_text(
        f"""
        [study]
        name = "Real soils, real days"
        [soils]
        path = "{soil.as_posix()}"
        [climate]
        path = "record.csv"
        kind = "daily"
        [climate.variables]
        year = "year"
        month = "month"
        day = "day"
        tmin = "tmin"
        tmax = "tmax"
        precip = "precip"
        et0 = "et0"
        [climate.options]
        latitude = {place.y:.4f}
        longitude = {place.x:.4f}
        elevation_m = 1000.0
        units = {{ tmin = "degC", tmax = "degC", precip = "mm", et0 = "mm" }}
        [fields]
        path = "field.gpkg"
        [season]
        planting = "05-01"
        [map]
        resolution_m = {resolution_m}
        bounds = {bounds}
        [run]
        parameter_sets = 2
        """,
        encoding="utf-8",
    )
    study, digest = load_study(tmp_path / "study.toml")
    return run_study(study, tmp_path, digest, lambda *_: None)


def made_field(geometry, crs: str, name: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"field_id": ["R-1"], "name": [name]}, geometry=[geometry], crs=crs)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sample", "resolution_m", "units_found"),
    [
        pytest.param("soil/isuag_ia", 10.0, {"2765522", "2922007"}, id="Boone County, Iowa (IA015): three polygons"),
        pytest.param("soil/co671_cdg", 1.0, {"57594"}, id="Montezuma County, Colorado (CO671): one garden plot"),
    ],
)
def test_the_whole_flow_on_surveyed_ground(tmp_path, sample, resolution_m, units_found):
    from pipelines.read.soils.dispatch import read_soils

    soil, _ = read_soils(open_data(sample))
    ground = soil.polygons.to_crs("EPSG:5070")
    ground = ground[ground["map_unit_id"].isin(units_found)]
    west, south, east, north = ground.total_bounds
    field = made_field(box(west - 20, south - 20, east + 20, north + 20), "EPSG:5070", "A made field")
    found = whole_flow(tmp_path, sample, field, resolution_m)
    assert found.provenance["closure_mm"] <= 1e-6
    assert set(found.sites["map_unit_id"]) == units_found
    assert found.zones["zone_code"].isin(ZONE_CODES.values()).all()
    assert (found.zones["zone"] != "not_rated").all()
    row = found.fields.iloc[0]
    shares = sum(row[f"share_{zone}"] for zone in ZONE_CODES)
    assert 0.0 < shares <= 1.0 + 1e-6
    assert row["zone"] in ZONE_CODES
    site = found.outcomes["capacity_mm"].values
    assert (site > 150.0).all(), "deep loams"
    # the same soils through the balance by hand
    records = pack_soils(soil.profiles.loc[found.units["profile_id"]], tables().rew_mm, tables().curve_numbers)
    by_hand = total(run(champion_weather(), records)["paw_mm"]).sel(check="planting", option="stubble")
    one = found.site_units[found.site_units["site"] == 0]
    if len(one) == 1:
        mean = float(found.outcomes["planting_water_mm"].sel(option="stubble", stat="mean")[0])
        assert mean == pytest.approx(float(by_hand.isel(unit=int(one["unit"].iloc[0])).mean()), abs=0.5)
    low, high = float(by_hand.min()), float(by_hand.max())
    water = found.outcomes["planting_water_mm"].sel(option="stubble")
    assert low - 0.5 <= float(water.min()) <= float(water.max()) <= high + 0.5
