"""Own measurements in a whole run: located, cut into feet, put beside the model, taken as a start of the balance."""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

from geo.balance import water_on
from geo.errors import Problem
from geo.options import OPTIONS
from geo.rating import Rating
from geo.season import Calendar
from geo.soils import misfit
from pipelines.cli.check import check_study
from pipelines.cli.run import print_summary
from pipelines.run.context import Context
from pipelines.run.ground import Ground, lay
from pipelines.run.inputs import read, read_measurement_layer
from pipelines.run.measured import SOUNDING, Measured, measured_table
from pipelines.run.measured_places import Places, Sounding, field_ground
from pipelines.run.measured_start import NUMBERS, choose_starts
from pipelines.run.measured_steps import MOST_DATES, compare
from pipelines.run.result import load_result
from pipelines.run.seasons import Seasons, simulate
from pipelines.run.study_run import rate_study
from pipelines.show.layers.columns import describe
from pipelines.show.publish import screen
from pipelines.study.file import MeasurementsTable, load_study
from pipelines.study.house import sample_dir
from pipelines.study.tables import load_tables
from tests.pipelines.measured_results import lines_of
from tests.pipelines.tiny_study import write_tiny_study

RECORD = (("normals.nc", "daily.nc"),)
FIELDS = ("LK-0128", "LK-0143")
HEADER = "field_id,lon,lat,date,top (cm),bottom (cm),option,vwc (%)"
FOOT_CM = 30.48


@dataclass(frozen=True)
class Run:
    """The stages of a run up to the comparison, and what a comparison found."""

    context: Context
    ground: Ground
    seasons: Seasons
    rating: Rating
    measured: Measured | None = None
    problems: tuple[Problem, ...] = ()


@pytest.fixture(scope="module")
def finished(tmp_path_factory) -> Run:
    """A run of the tiny study on the invented record of days, up to the comparison."""
    home = tmp_path_factory.mktemp("run")
    path = write_tiny_study(home, sets=0, replace=RECORD)
    study, _ = load_study(path)
    context = Context(study, home, load_tables(study), lambda *_: None)
    ground = lay(context, read(context))
    seasons = simulate(context, ground)
    return Run(context, ground, seasons, rate_study(context, ground, seasons))


def compared(run: Run, folder: Path, rows: list[str], header: str = HEADER, **table) -> Run:
    """Return the run with the rows compared; the finished run itself stays as it is."""
    (folder / "water.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    own = MeasurementsTable(path=str(folder / "water.csv"), **table)
    context = replace(run.context, study=run.context.study.model_copy(update={"measurements": own}))
    found, problems = read_measurement_layer(context)
    ground = replace(run.ground, measurements=found)
    measured, more = compare(context, ground, run.seasons, run.rating)
    return replace(run, context=context, ground=ground, measured=measured, problems=(*problems, *more))


def core(field: str, date: str, percent: float, option: str = "", feet: int = 4) -> list[str]:
    return [f"{field},,,{date},{FOOT_CM * k},{FOOT_CM * (k + 1)},{option},{percent}" for k in range(feet)]


def listed_lines(run: Run) -> list[int]:
    return [line for p in run.problems if ", line" in p.where for line in lines_of(p.where)]


# --- measured beside modelled ----------------------------------------------------------------------------------


@pytest.mark.slow
def test_readings_that_are_the_model_of_that_very_season_agree_to_rounding(finished, tmp_path):
    """The model's own water of 2011, written as mm by foot, comes back without bias: date, season, soils, units fit.

    On fields without shallow soils: where one part has rock, no spot holds the water of the mean.
    """
    context, ground, weather = finished.context, finished.ground, finished.ground.weather
    calendar, rows, lines = context.study.calendar, [], 0
    fields = [f for f in ground.fields["field_id"] if _deep(finished, f)]
    assert len(fields) > 1
    season = list(weather.seasons.year).index(2011)
    for date, year in (((8, 30), 2011), ((11, 12), 2011), ((2, 29), 2012), ((5, 15), 2012)):
        water = water_on(date, calendar, weather.daily, weather.seasons, ground.soil_records, ground.unit_cell,
                         context.tables.settings(), weather.days, context.tables.model)  # fmt: skip
        for field in fields:
            at = ground.fields["field_id"].tolist().index(field)
            share = ground.coverage.getrow(at).toarray().ravel() @ ground.units.weights().toarray()
            for option in OPTIONS:
                feet = (share / share.sum()) @ water.sel(option=option).isel(season=season).values
                for k, mm in enumerate(feet):
                    rows.append(f"{field},{year}-{date[0]:02d}-{date[1]:02d},{k},{k + 1},{option},{mm:.4f}")
                    lines += 1
    run = compared(finished, tmp_path, rows, "field_id,date,top (ft),bottom (ft),option,paw (mm)")
    table = run.measured.compared
    assert run.problems == ()
    assert run.measured.used == run.measured.rows == lines
    assert (table["harvest_year"] == 2011).all()
    assert len(table) == 5 * 4 * len(fields) * len(OPTIONS)
    found = misfit(table["own_mm"], table["measured_mm"])
    assert abs(found.bias_mm) < 1e-3
    assert found.rmse_mm < 1e-3
    mean = misfit(table["mean_mm"], table["measured_mm"])
    assert mean.rmse_mm > 1, "one season is not the mean of all"
    assert (table["p10_mm"] <= table["p90_mm"]).all()
    keys, water = ["place", "date", "option"], ["mean_mm", "measured_mm"]
    sums = table[table["layer"] > 0].groupby(keys)[water].sum()
    whole = table[table["layer"] == 0].set_index(keys)[water]
    np.testing.assert_allclose(sums, whole.loc[sums.index], atol=1e-6, err_msg="feet add up to all feet")


def _deep(run: Run, field: str) -> bool:
    ground = field_ground(Places(run.ground, run.rating), field)
    return ground is not None and bool((ground.profiles["root_limit_mm"] > 1219).all())


def test_the_wilting_point_that_is_taken_off_is_that_of_the_survey_tables(finished, tmp_path):
    """At 25 % by volume: 76.2 mm a foot less the content at 15 bar of the horizons, read from the export by hand."""
    point = finished.ground.fields.set_index("field_id").loc[FIELDS[0]].geometry.representative_point()
    lon, lat = _degrees(finished, point)
    row, column = (int(v) for v in reversed(~finished.ground.grid.affine * (point.x, point.y)))
    site = finished.ground.units.site_raster[row, column]
    mukey = finished.ground.units.sites.loc[site, "map_unit_id"]
    rows = [f",{lon:.6f},{lat:.6f},2011-11-12,{FOOT_CM * k},{FOOT_CM * (k + 1)},,25" for k in range(4)]
    table = compared(finished, tmp_path, rows).measured.compared
    expected = _by_hand(mukey)
    assert table.loc[table["layer"] > 0, "measured_mm"].to_numpy() == pytest.approx(expected, abs=0.05)
    assert table["place"].unique().tolist() == [FIELDS[0]], "the field that holds the point"
    assert table["is_field"].all()
    assert not table["assumed"].any()


def _by_hand(mukey: str) -> list[float]:
    """Mean over the soils of a map unit, weighted by their percentage, of 0.25 less w15 in each foot."""
    folder = sample_dir() / "soils" / "tabular"
    names = pd.read_csv(folder / "mstabcol.txt", sep="|", header=None, dtype=str)
    files = pd.read_csv(folder / "mstab.txt", sep="|", header=None, dtype=str).set_index(4)[0]

    def table(name: str) -> pd.DataFrame:
        own = names[names[0] == files[name]]
        order = own.assign(n=own[1].astype(int)).sort_values("n")[2].tolist()
        return pd.read_csv(
            folder / f"{name}.txt", sep="|", header=None, names=order, dtype={"cokey": str, "mukey": str}
        )

    parts = table("comp").query("mukey == @mukey and compkind == 'Series'").set_index("cokey")["comppct_r"]
    horizons = table("chorizon")
    feet = np.zeros(4)
    for cokey, percent in parts.items():
        for h in horizons[horizons["cokey"] == cokey].itertuples():
            for k in range(4):
                inside = min(h.hzdepb_r, FOOT_CM * (k + 1)) - max(h.hzdept_r, FOOT_CM * k)
                feet[k] += percent / parts.sum() * max(inside, 0) * 10 * (0.25 - h.wfifteenbar_r / 100)
    return feet.tolist()


def _degrees(run: Run, point) -> tuple[float, float]:
    from rasterio.warp import transform

    (lon,), (lat,) = transform(str(run.ground.grid.crs), "EPSG:4326", [point.x], [point.y])
    return lon, lat


def test_a_study_without_fields_compares_points(finished, tmp_path):
    """The point says which soil lies there; its answer is that of the spot."""
    lon, lat = _degrees(
        finished, finished.ground.fields.set_index("field_id").loc[FIELDS[0]].geometry.representative_point()
    )
    rows = [f",{lon:.6f},{lat:.6f},2011-07-22,{FOOT_CM * k},{FOOT_CM * (k + 1)},,20" for k in range(4)]
    ground = replace(finished.ground, fields=finished.ground.fields.iloc[:0], coverage=finished.ground.coverage[:0])
    bare = replace(finished, ground=ground)
    run = compared(bare, tmp_path, rows)
    assert run.problems == ()
    assert len(run.measured.compared) == 5
    assert len(run.measured.starts) == len(OPTIONS)
    assert not run.measured.starts["is_field"].any()
    (place,) = run.measured.compared["place"].unique()
    assert [float(v) for v in place.split(", ")] == pytest.approx([lat, lon], abs=1e-5)
    within = compared(finished, tmp_path, rows).measured.compared
    assert within["is_field"].all()
    numbers = within.columns[within.columns.str.endswith("_mm")]
    pd.testing.assert_frame_equal(run.measured.compared[numbers], within[numbers])


def test_two_cores_of_one_field_and_day_are_averaged_and_spots_are_kept_apart(finished, tmp_path):
    lon, lat = _degrees(
        finished, finished.ground.fields.set_index("field_id").loc[FIELDS[0]].geometry.representative_point()
    )
    spot = [f"{FIELDS[0]},{lon:.6f},{lat:.6f},2011-11-12,0,{FOOT_CM},,24"]
    rows = [*core(FIELDS[0], "2011-11-12", 22, feet=1), *core(FIELDS[0], "2011-11-12", 26, feet=1), *spot]
    table = compared(finished, tmp_path, rows).measured.compared
    alone = compared(finished, tmp_path, core(FIELDS[0], "2011-11-12", 24, feet=1)).measured.compared
    field, point = (table[table["longitude"].isna() == whole] for whole in (True, False))
    assert field["measured_mm"].tolist() == pytest.approx(alone["measured_mm"].tolist())
    assert len(point) == 2  # its foot, and the sum
    assert set(table["place"]) == {FIELDS[0]}


# --- every row is used or listed -------------------------------------------------------------------------------

LISTED = [
    pytest.param("XX-1,,,2011-11-12,0,30,,22", "there is no field XX-1", id="unknown field"),
    pytest.param("LK-0129,,,2011-11-12,0,30,,22", "there is no field LK-0129", id="a field outside the study"),
    pytest.param(",-90.0,35.0,2011-11-12,0,30,,22", "no rated soil", id="a point far away"),
    pytest.param("LK-0128,,,2011-06-10,0,30,,22", "between planting and harvest", id="while a crop grows"),
    pytest.param("LK-0128,,,2011-11-12,150,180,,22", "below what the model counts", id="below four feet"),
    pytest.param("LK-0128,,,2011-11-12,0,8,,22", "too little of its foot", id="a thin slice of a foot"),
    pytest.param("LK-0128,,,2011-11-12,0,30,,222", "volumetric contradicts its unit", id="a bad row of the file"),
]


@pytest.mark.parametrize(("line", "reason"), LISTED)
def test_what_cannot_be_compared_is_listed_with_its_line(finished, tmp_path, line, reason):
    run = compared(finished, tmp_path, [*core("LK-0143", "2011-11-12", 22), line])
    assert listed_lines(run) == [6]
    assert reason in run.problems[0].what
    assert run.measured.rows == run.measured.used + len(run.problems) == 5


def test_a_reading_shortly_before_harvest_only_starts_the_balance(finished, tmp_path):
    run = compared(finished, tmp_path, core(FIELDS[0], "2011-07-10", 22))
    assert run.problems == ()
    assert run.measured.used == 4
    assert run.measured.compared.empty
    assert run.measured.starts["after_harvest"].unique().tolist() == [-10]


def test_of_two_readings_before_harvest_the_farther_is_listed(finished, tmp_path):
    """Nothing is modelled on either day, so only the nearer one says anything: as the start."""
    rows = [*core(FIELDS[0], "2011-07-05", 20), *core(FIELDS[0], "2011-07-15", 22)]
    run = compared(finished, tmp_path, rows)
    assert run.measured.starts["after_harvest"].unique().tolist() == [-5]
    assert listed_lines(run) == [2, 3, 4, 5]
    assert "another reading is nearer" in run.problems[0].what
    assert run.measured.used == 4


@pytest.mark.slow
def test_a_sensor_is_thinned_evenly_and_says_so(finished, tmp_path):
    days = pd.date_range("2011-08-01", periods=150)
    run = compared(finished, tmp_path, [r for d in days for r in core(FIELDS[0], f"{d:%Y-%m-%d}", 22, feet=1)])
    found = run.measured.compared
    assert found["date"].nunique() == MOST_DATES
    assert (found["date"].min(), found["date"].max()) == (days[0], days[-1])
    (problem,) = run.problems
    assert f"{MOST_DATES} are compared, 90 rows are not" in problem.what
    assert len(lines_of(problem.where)) == 90
    assert run.measured.used + 90 == run.measured.rows


# --- the start of the balance ----------------------------------------------------------------------------------


@pytest.mark.parametrize("percent", [1.5, 45], ids=["at the wilting point", "full"])
def test_a_start_dry_or_full_moves_the_water_at_planting_that_way(finished, tmp_path, percent):
    run = compared(finished, tmp_path, core(FIELDS[0], "2011-07-22", percent))
    table = run.measured.starts.set_index("option").loc[list(OPTIONS)]
    change = table["planting_water_mm_start"] - table["planting_water_mm"]
    assert (change >= -1e-3).all() if percent == 45 else (change <= 1e-3).all()
    assert change.abs().max() > 1
    capacity = run.measured.compared.query("layer == 0")["capacity_mm"].iloc[0]
    assert table["measured_mm"].iloc[0] == pytest.approx(capacity if percent == 45 else 0.0, abs=0.5)


def test_the_answer_as_modelled_is_that_of_the_field_page(finished, tmp_path):
    run = compared(finished, tmp_path, [r for f in FIELDS for r in core(f, "2011-07-22", 20)])
    fields = run.rating.table.set_index("field_id")
    for row in run.measured.starts.itertuples():
        page = fields.loc[row.place]
        assert row.zone_code == page["zone_code"]
        for name in NUMBERS:
            assert getattr(row, name) == pytest.approx(page[f"{name}_{row.option}"], abs=1e-4)


def test_feet_that_were_not_measured_start_as_modelled(finished, tmp_path):
    """A core of one foot changes only what that foot can hold."""
    table = compared(finished, tmp_path, core(FIELDS[0], "2011-07-22", 5, feet=1)).measured.starts
    assert table["feet"].unique().tolist() == [1]
    change = (table["planting_water_mm_start"] - table["planting_water_mm"]).abs()
    first = compared(finished, tmp_path, core(FIELDS[0], "2011-07-22", 5)).measured.starts
    whole = (first["planting_water_mm_start"] - first["planting_water_mm"]).abs()
    assert (change <= whole + 1e-3).all()
    assert table["modelled_mm"].iloc[0] < first["modelled_mm"].iloc[0]


def _part(date: str, option: str = "stubble", place: str = "A") -> Sounding:
    none, four = np.array([], int), np.full(4, 20.0)
    return Sounding(place, "", True, np.nan, np.nan, pd.Timestamp(date), option, None, four, four, False, none, none)


STARTS = [
    pytest.param(["2019-07-25", "2019-11-12", "2020-05-01"], ["2019-07-25"], id="the one near harvest"),
    pytest.param(["2019-07-12", "2019-07-25"], ["2019-07-25"], id="the nearer one"),
    pytest.param(["2018-07-20", "2019-08-05"], ["2019-08-05"], id="the last year goes first"),
    pytest.param(["2019-06-20", "2019-08-20"], [], id="none within 21 days, none before seeding"),
    pytest.param(["2019-07-25", "2019-07-25"], ["2019-07-25", "2019-07-25"], id="all spots of that day"),
]


@pytest.mark.parametrize(("dates", "chosen"), STARTS)
def test_which_reading_stands_for_harvest(dates, chosen):
    """Harvest on 20 July, first seeding on 1 August."""
    found = choose_starts([_part(d) for d in dates], Calendar(), 21)
    assert [str(p.date.date()) for p in found.get("A", [])] == chosen


def test_a_cover_that_is_sown_already_is_no_start():
    sown = [_part("2019-08-05", "winter_killed"), _part("2019-08-05", "overwinter_late", "B")]
    assert list(choose_starts(sown, Calendar(), 21)) == ["B"]
    assert list(choose_starts([_part("2019-07-30")], Calendar(), 0)) == ["A"], "before seeding, though not near"


# --- the whole run ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def published(tmp_path_factory):
    home = tmp_path_factory.mktemp("whole")
    rows = [*core(FIELDS[0], "2011-07-24", 16), *core(FIELDS[0], "2011-11-12", 20), *core("XX", "2011-11-12", 20)]
    (home / "water.csv").write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    more = "field_pages = false\n[measurements]\npath = 'water.csv'\n"
    path = write_tiny_study(home, sets=0, more=more)
    return path, screen(path, lambda *_: None, home / "out")


def test_the_run_writes_the_page_its_source_and_its_problems(published):
    path, done = published
    record = json.loads((done.folder / "run.json").read_text(encoding="utf-8"))
    source = next(i for i in record["inputs"] if i["layer"] == "measurements")
    assert len(source["sha256"]) == 64
    assert 'href="measurements.html"' in (done.folder / "index.html").read_text(encoding="utf-8")
    assert "LK-0128" in (done.folder / "measurements.html").read_text(encoding="utf-8")
    table = pd.read_csv(done.folder / "measurements.csv", encoding="utf-8-sig")
    assert len(table) == len(done.result.measured.compared)
    inches = done.result.measured.compared["measured_mm"].to_numpy() / 25.4
    assert table["measured_water_in [in]"].to_numpy() == pytest.approx(inches, abs=0.051)
    assert all(describe(name).known for name in measured_table(done.result.measured).columns)
    problems = pd.read_csv(done.folder / "problems.csv")
    listed = problems[problems["layer"] == "measurements"]
    assert [lines_of(where) for where in listed["where"]] == [[10, 11, 12, 13]]


def test_the_summary_on_the_screen_names_the_page(published):
    _, done = published
    console = Console(record=True, width=120, file=io.StringIO())
    print_summary(console, done)
    assert re.search(r"measurements\.html +measured soil water beside the model", console.export_text())


def test_normals_have_no_season_of_their_own(published):
    _, done = published
    assert done.result.measured.compared["own_mm"].isna().all()
    assert "fair test" not in (done.folder / "measurements.html").read_text(encoding="utf-8")


def test_a_saved_run_gives_the_same_tables_back(published):
    _, done = published
    again = load_result(done.folder).measured
    assert (again.rows, again.used, again.kind) == (12, 8, "volumetric")
    keys = [*SOUNDING]
    assert again.compared[keys].equals(done.result.measured.compared[keys])
    pd.testing.assert_frame_equal(again.starts, done.result.measured.starts)


def test_measurements_move_no_zone_and_an_earlier_page_goes_with_its_layer(published, tmp_path):
    path, done = published
    text = path.read_text(encoding="utf-8")
    path.write_text(text[: text.index("[measurements]")], encoding="utf-8")
    bare = screen(path, lambda *_: None, done.folder)
    path.write_text(text, encoding="utf-8")
    assert bare.result.measured is None
    pd.testing.assert_frame_equal(bare.result.zones, done.result.zones)
    pd.testing.assert_frame_equal(
        bare.result.fields.drop(columns="geometry"), done.result.fields.drop(columns="geometry")
    )
    assert list(done.folder.glob("measurements*")) == []
    assert load_result(done.folder).measured is None


def test_check_reads_them_and_names_what_does_not_fit(published, tmp_path):
    path, _ = published
    found = check_study(path, lambda *_: None, tmp_path)
    assert found.faults == []
    facts = dict(found.facts)
    assert facts["measurements"] == "8 of 12 rows of soil water at one place, 2011-07-24 to 2011-11-12"
    assert any(g.layer == "measurements" and "no field XX" in g.what for g in found.groups)


def test_check_tells_of_a_unit_that_is_missing_without_hiding_other_layers(published, tmp_path):
    path, _ = published
    other = tmp_path / "study.toml"
    text = path.read_text(encoding="utf-8").replace("water.csv", str(tmp_path / "bad.csv"))
    other.write_text(text, encoding="utf-8")
    (tmp_path / "bad.csv").write_text("field_id,date,top,bottom,vwc\nA,2011-11-12,0,30,20\n", encoding="utf-8")
    found = check_study(other, lambda *_: None, tmp_path)
    assert [e.what for e in found.faults] == ["depth has no units (values run from 0 to 0)."]
    assert {"fields", "soils", "climate"} <= {layer for layer, _ in found.facts}
