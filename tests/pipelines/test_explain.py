"""What `springfill explain` says must be what the map shows."""

from __future__ import annotations

import io
import json
import math

import numpy as np
import pytest
import rasterio
from pyproj import Transformer
from rasterio.transform import xy
from rich.console import Console

from geo.errors import StudyError
from geo.options import COVERS
from geo.rating.rule import TESTS, ZONE_NAMES
from pipelines.cli import explain as cli_explain
from pipelines.run.result import StudyResult
from pipelines.show.explain import TestLine, explain_field, explain_point, explain_site, open_result
from pipelines.show.publish import Published
from pipelines.study.units import Units
from pipelines.study.words import load_catalogue
from tests.pipelines.conftest import TinyRun

WORDS = load_catalogue()


@pytest.fixture(scope="module")
def study(tiny_run: TinyRun) -> StudyResult:
    """The run as it is read back from disk."""
    return open_result(tiny_run.folder)


def test_twenty_random_points_agree_with_the_published_raster(quick_county: Published) -> None:
    study = open_result(quick_county.folder)
    with rasterio.open(quick_county.folder / "layers" / "zones.tif") as source:
        codes, affine, crs = source.read(1), source.transform, source.crs
    rng = np.random.default_rng(7)
    rows, columns = np.nonzero(codes)
    seen = set()
    for k in rng.choice(len(rows), 20, replace=False):
        x, y = xy(affine, rows[k] + rng.uniform(-0.4, 0.4), columns[k] + rng.uniform(-0.4, 0.4))
        longitude, latitude = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)
        why = explain_point(study, longitude, latitude).reason
        assert why.zone_code == codes[rows[k], columns[k]]
        assert why.zone == ZONE_NAMES[why.zone_code]
        seen.add(why.zone_code)
    assert len(seen) >= 4


def test_every_site_follows_the_rule_from_its_own_tests(study: StudyResult) -> None:
    """The zone read off the printed tests by the rule in words, for every site."""
    for site in range(len(study.sites)):
        why = explain_site(study, site)
        fits = {line.option: line.passed for line in why.options}
        if why.zone == "not_rated":
            continue
        if fits["winter_killed"]:
            with_early = "winter_killed_or_early" if fits["overwinter_early"] else "winter_killed"
            assert why.zone == ("either" if fits["overwinter_late"] else with_early)
        elif fits["overwinter_early"] or fits["overwinter_late"]:
            assert why.zone == "overwintering"
        else:
            assert why.zone in ("stubble_water", "stubble_season")
            nearest = max(why.options, key=lambda o: min(t.margin for t in o.tests))
            worst = min(nearest.tests, key=lambda t: t.margin)
            assert (worst.test in ("gap", "shortfall")) == (why.zone == "stubble_water")
            assert why.margin == pytest.approx(worst.margin)
            assert why.limiting_option == nearest.option


def test_each_printed_number_is_the_outcome_itself(study: StudyResult) -> None:
    rated = np.flatnonzero(study.zones["zone_code"].to_numpy() != 7)
    for site in rated[:: max(1, len(rated) // 15)]:
        outcomes = study.outcomes.isel(site=int(site))
        for option in explain_site(study, int(site)).options:
            winter = "winterkill_years" if option.option == "winter_killed" else "survival_years"
            expected = {
                "season": float(outcomes["cover_ok_years"].sel(option=option.option)),
                "winter": float(outcomes[winter].sel(option=option.option)),
                "gap": float(outcomes["planting_gap_mm"].sel(option=option.option, quantile=0.5)),
                "shortfall": float(outcomes["shortfall_years"].sel(option=option.option)),
            }
            assert [t.test for t in option.tests] == list(TESTS)
            for line in option.tests:
                assert line.value == pytest.approx(expected[line.test], abs=1e-6)
                assert line.passed == (
                    line.value >= line.threshold - 1e-9 if line.at_least else line.value <= line.threshold + 1e-9
                )


def test_every_field_agrees_with_its_row(study: StudyResult) -> None:
    for _, field in study.fields.iterrows():
        why = explain_field(study, str(field["field_id"]))
        by_zone: dict[str, float] = {}
        for shared in why.sites:
            by_zone[shared.reason.zone] = by_zone.get(shared.reason.zone, 0.0) + shared.share
        for zone in ZONE_NAMES.values():
            assert by_zone.get(zone, 0.0) == pytest.approx(float(field[f"share_{zone}"]), abs=1e-6), zone
        if why.zone != "not_rated":
            assert why.sites[why.main].reason.zone == field["zone"]


def test_irrigated_fields_waive_the_water_tests(study: StudyResult) -> None:
    wet = study.fields.loc[study.fields["irrigated"].astype(bool), "field_id"].astype(str).tolist()
    assert wet
    for field_id in wet:
        for shared in explain_field(study, field_id).sites:
            for option in shared.reason.options:
                rated = shared.reason.zone != "not_rated"
                assert all(t.waived for t in option.tests if t.test in ("gap", "shortfall")) or not rated
                assert not any(t.waived for t in option.tests if t.test in ("season", "winter"))


def test_components_are_those_of_the_survey_and_add_to_one(study: StudyResult) -> None:
    for site in range(len(study.sites)):
        why = explain_site(study, site)
        if why.components:
            assert sum(part.share for part in why.components) == pytest.approx(1.0)
            weighted = sum(part.share * part.capacity_mm for part in why.components)
            assert weighted == pytest.approx(why.capacity_mm, rel=1e-3)
        else:
            assert why.zone == "not_rated"
            assert why.reason


@pytest.mark.parametrize(
    ("point", "told"),
    [
        pytest.param((-90.0, 40.0), "outside the study", id="far away"),
        pytest.param((40.06, -102.84), "seem swapped", id="latitude first"),
        pytest.param((float("nan"), 40.0), "outside the study", id="not a number"),
        pytest.param((1e9, 1e9), "outside the study", id="not degrees"),
    ],
)
def test_points_that_cannot_be_explained(study: StudyResult, point: tuple[float, float], told: str) -> None:
    with pytest.raises(StudyError, match="point") as caught:
        explain_point(study, *point)
    assert told in str(caught.value)
    assert "longitude first" in caught.value.fix


def test_an_unknown_field_names_its_neighbours(study: StudyResult) -> None:
    first = str(study.fields["field_id"].iloc[0])
    with pytest.raises(StudyError, match="no such field") as caught:
        explain_field(study, first.lower())
    assert "Did you mean" in caught.value.fix or "ids run from" in caught.value.fix


def test_no_result_there(tmp_path_factory: pytest.TempPathFactory) -> None:
    empty = tmp_path_factory.mktemp("empty")
    for folder in (empty, empty / "missing"):
        with pytest.raises(StudyError) as caught:
            open_result(folder)
        assert caught.value.fix


def _printed(print_it: object, study: StudyResult, why: object, system: str) -> str:
    stream = io.StringIO()
    console = Console(file=stream, width=80, highlight=False)
    print_it(console, why, WORDS, Units(system, WORDS), 8)  # type: ignore[operator]
    return stream.getvalue()


@pytest.mark.parametrize("system", ["us", "metric"])
def test_print_names_every_test_of_every_option(study: StudyResult, system: str) -> None:
    field_id = str(study.fields.loc[study.fields["zone_code"] != 7, "field_id"].iloc[0])
    text = _printed(cli_explain.print_field, study, explain_field(study, field_id), system)
    for option in COVERS:
        assert WORDS.t(f"common.option.{option}") in text
    assert text.count("less water than stubble") == len(COVERS)
    assert ("at most 1.50 in" in text) == (system == "us") or "no limit" in text
    assert "Limit:" in text
    assert "Margin:" in text
    assert max(map(len, text.splitlines())) <= 80


def test_print_is_safe_against_markup_in_a_name(study: StudyResult) -> None:
    why = explain_field(study, str(study.fields["field_id"].iloc[0]))
    hostile = type(why)(**{**{k: getattr(why, k) for k in why.__slots__}, "name": "[red]x[/red] [bold"})
    assert "[red]x[/red] [bold" in _printed(cli_explain.print_field, study, hostile, "us")


def test_json_is_plain(study: StudyResult) -> None:
    for field_id in study.fields["field_id"].astype(str):
        text = json.dumps(cli_explain.as_json(explain_field(study, field_id)), allow_nan=False)
        assert json.loads(text)["field_id"] == field_id


@pytest.mark.parametrize(
    ("value", "threshold", "test", "system", "shown"),
    [
        pytest.param(38.1, 38.1, "gap", "us", ("1.50 in", "1.50 in"), id="25.4 mm an inch: 38.1 mm is 1.5 in"),
        pytest.param(38.15, 38.1, "gap", "us", ("1.502 in", "1.500 in"), id="a hair over shows as over"),
        pytest.param(-2.0, 38.1, "gap", "metric", ("\N{MINUS SIGN}2.0 mm", "38.1 mm"), id="stubble left less"),
        pytest.param(0.698, 0.7, "season", "us", ("69.8%", "70.0%"), id="rounds to the limit but fails"),
        pytest.param(0.7, 0.7, "season", "us", ("70%", "70%"), id="on the limit passes"),
        pytest.param(math.nan, 0.7, "winter", "us", ("no data", "70%"), id="missing"),
    ],
)
def test_numbers_never_hide_their_side_of_the_limit(
    value: float, threshold: float, test: str, system: str, shown: tuple[str, str]
) -> None:
    at_least = test in ("season", "winter")
    passed = value >= threshold if at_least else value <= threshold
    line = TestLine(test, value, threshold, at_least, passed, False, 0.0)
    assert cli_explain.shown_test(line, Units(system, WORDS)) == shown


def test_the_whole_field_stands_beside_the_soil_that_decides(study: StudyResult) -> None:
    """The field's number is the mean of its soils by area; a field of several soils names both, and says why."""
    several = 0
    for field_id in study.fields["field_id"].astype(str):
        why = explain_field(study, field_id)
        text = _printed(cli_explain.print_field, study, why, "us")
        rated = [s for s in why.sites if s.reason.zone != "not_rated"]
        if why.zone == "not_rated" or len(rated) < 2:
            assert WORDS.t("explain.both.title")[:40] not in text
            continue
        several += 1
        area = sum(s.share for s in rated)
        for k, line in enumerate(why.whole):
            of = {
                t: [{x.test: x.value for x in s.reason.options[k].tests}[t] for s in rated]
                for t in ("gap", "shortfall")
            }
            for value, test in ((line.gap_mm, "gap"), (line.shortfall_years, "shortfall")):
                mean = sum(s.share * v for s, v in zip(rated, of[test], strict=True)) / area
                assert value == pytest.approx(mean, abs=1e-4), (field_id, line.option, test)
            row = next(
                r
                for r in text.splitlines()
                if r.startswith(WORDS.t(f"common.option_short.{line.option}")) and " in" in r
            )
            main = {t.test: t.value for t in why.sites[why.main].reason.options[k].tests}
            for number in (str(Units("us").depth(line.gap_mm)), str(Units("us").depth(main["gap"]))):
                assert number in row
        assert "one soil" in text
    assert several > 3
