"""What `springfill explain` says must be what the map shows."""

from __future__ import annotations

import io
import json
from dataclasses import replace

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
from pipelines.show.explain import (
    Answer,
    FieldReason,
    PointReason,
    explain_field,
    explain_point,
    explain_site,
    open_result,
)
from pipelines.show.publish import Published
from pipelines.show.verdict_words import VerdictWords
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


def fits(why: Answer) -> dict[str, bool]:
    """Whether each cover passes every test of it."""
    return {cover: all(row.passed for row in why.verdicts if row.cover == cover) for cover in COVERS}


@pytest.mark.slow
def test_every_site_follows_the_rule_from_its_own_tests(study: StudyResult) -> None:
    """The zone read off the printed tests by the rule in words, for every site."""
    for site in range(len(study.sites)):
        why = explain_site(study, site)
        if why.zone == "not_rated":
            assert why.verdicts == ()
            continue
        good = fits(why)
        if good["winter_killed"]:
            with_early = "winter_killed_or_early" if good["overwinter_early"] else "winter_killed"
            assert why.zone == ("either" if good["overwinter_late"] else with_early)
        elif good["overwinter_early"] or good["overwinter_late"]:
            assert why.zone == "overwintering"
        else:
            wet = [
                c
                for c in COVERS
                if all(r.passed for r in why.verdicts if r.cover == c and r.test in ("gap", "shortfall"))
            ]
            assert why.zone == ("stubble_season" if wet else "stubble_water")
            row = next(r for r in why.verdicts if (r.cover, r.test) == (why.limiting_option, why.limiting_test))
            assert not row.passed
            assert why.margin == pytest.approx(row.margin)


def test_each_printed_number_is_the_outcome_itself(study: StudyResult) -> None:
    """To the steps in which the rule compares: 0.001 of a share, 0.1 mm."""
    rated = np.flatnonzero(study.zones["zone_code"].to_numpy() != 7)
    for site in rated[:: max(1, len(rated) // 15)]:
        outcomes = study.outcomes.isel(site=int(site))
        why = explain_site(study, int(site))
        assert [(r.cover, r.test) for r in why.verdicts] == [(c, t) for c in COVERS for t in TESTS]
        for row in why.verdicts:
            winter = "winterkill_years" if row.cover == "winter_killed" else "survival_years"
            name = {"season": "cover_ok_years", "winter": winter, "shortfall": "shortfall_years"}.get(row.test)
            gap = outcomes["planting_gap_mm"].sel(stat="mean")
            expected = float((outcomes[name] if name else gap).sel(option=row.cover))
            assert row.value == pytest.approx(expected, abs=0.0500001 if name is None else 0.000501)
            at_least = row.test in ("season", "winter")
            assert row.passed == (row.value >= row.limit - 1e-9 if at_least else row.value <= row.limit + 1e-9)


@pytest.mark.slow
def test_every_field_agrees_with_its_row(study: StudyResult) -> None:
    for _, field in study.fields.iterrows():
        why = explain_field(study, str(field["field_id"]))
        by_zone: dict[str, float] = {}
        for site in why.sites:
            by_zone[site.zone] = by_zone.get(site.zone, 0.0) + site.share
        for zone in ZONE_NAMES.values():
            assert by_zone.get(zone, 0.0) == pytest.approx(float(field[f"share_{zone}"]), abs=1e-6), zone


def test_the_share_of_ground_that_passes_is_that_of_its_soils(study: StudyResult) -> None:
    """The share beside each test of a field is the sum of the shares of its soils that pass it by themselves."""
    several = 0
    for field_id in study.fields["field_id"].astype(str):
        why = explain_field(study, field_id)
        several += len(why.sites) > 1
        for k, row in enumerate(why.verdicts):
            passing = sum(site.share for site in why.sites if site.verdicts and site.verdicts[k].passed)
            assert row.share == pytest.approx(passing, abs=1e-5)
    assert several > 3


def test_irrigated_fields_waive_the_water_tests(study: StudyResult) -> None:
    wet = study.fields.loc[study.fields["irrigated"].astype(bool), "field_id"].astype(str).tolist()
    assert wet
    for field_id in wet:
        why = explain_field(study, field_id)
        for place in (why, *why.sites):
            assert all(row.waived == (row.test in ("gap", "shortfall")) for row in place.verdicts)
            assert all(row.passed for row in place.verdicts if row.waived)


@pytest.mark.slow
def test_components_are_those_of_the_survey_and_add_to_one(study: StudyResult) -> None:
    for site in range(len(study.sites)):
        why = explain_site(study, site)
        if why.components:
            assert sum(part.share for part in why.components) == pytest.approx(1.0)
            weighted = sum(part.share * part.capacity_mm for part in why.components)
            if why.zone != "not_rated":
                assert weighted == pytest.approx(why.capacity_mm, rel=1e-3)
            else:
                assert why.rated_share < 0.5
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


def _printed(study: StudyResult, why: FieldReason | PointReason, system: str) -> str:
    stream = io.StringIO()
    says = VerdictWords(WORDS, Units(system, WORDS), study.seasons)
    cli_explain.print_reason(Console(file=stream, width=80, highlight=False), why, says)
    return stream.getvalue()


def _dryland(study: StudyResult) -> str:
    """A field that is rated and not irrigated."""
    fields = study.fields[(study.fields["zone"] != "not_rated") & ~study.fields["irrigated"].astype(bool)]
    return str(fields["field_id"].iloc[0])


@pytest.mark.parametrize("system", ["us", "metric"])
def test_print_names_every_test_of_every_option(study: StudyResult, system: str) -> None:
    why = explain_field(study, _dryland(study))
    text = _printed(study, why, system)
    said = " ".join(text.split())
    for option in COVERS:
        assert WORDS.t(f"common.option.{option}") in text
    says = VerdictWords(WORDS, Units(system, WORDS), study.seasons)
    assert text.count("less water than") == len(COVERS)
    assert text.count("passes") + text.count("fails") >= len(why.verdicts)
    assert f"Limit: {says.short(why.limiting_option, why.limiting_test)}" in said
    assert f"(at most {'1.5 in' if system == 'us' else '38 mm'})" in said
    assert "Margin:" in said
    assert max(map(len, text.splitlines())) <= 80


def test_print_says_where_the_largest_part_differs(study: StudyResult) -> None:
    why = explain_field(study, _dryland(study))
    assert "The zone is that of the whole field" not in _printed(study, replace(why, largest_zone=why.zone), "us")
    other = next(zone for zone in ("either", "stubble_water") if zone != why.zone)
    said = " ".join(_printed(study, replace(why, largest_zone=other), "us").split())
    assert "The zone is that of the whole field" in said
    assert WORDS.t(f"zones.{other}.label") in said


def test_print_of_a_point_names_the_soils_and_the_field(study: StudyResult) -> None:
    inside = study.fields.set_index("field_id").geometry.loc[_dryland(study)].representative_point()
    to_degrees = Transformer.from_crs(str(study.grid.crs), "EPSG:4326", always_xy=True)
    why = explain_point(study, *to_degrees.transform(inside.x, inside.y))
    said = _printed(study, why, "us")
    assert why.reason.components[0].name in said
    assert f"--field {why.fields[0]}" in said


def test_print_is_safe_against_markup_in_a_name(study: StudyResult) -> None:
    hostile = replace(explain_field(study, _dryland(study)), name="[red]x[/red] [bold")
    assert "[red]x[/red] [bold" in _printed(study, hostile, "us")


def test_json_holds_the_verdicts_as_rows(study: StudyResult) -> None:
    for field_id in study.fields["field_id"].astype(str):
        why = explain_field(study, field_id)
        found = json.loads(json.dumps(cli_explain.as_json(why), allow_nan=False))
        assert found["field_id"] == field_id
        for row, own in zip(found["verdicts"], why.verdicts, strict=True):
            assert {"cover", "test", "value", "limit", "passed", "waived", "margin", "share"} == set(row)
            assert row["value"] == own.value
            assert (row["margin"] is None) == own.waived
