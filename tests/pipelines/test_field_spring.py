"""Springs at the edge: pages, tables, layers and `explain` say what the outcomes say, and no zone moves."""

from __future__ import annotations

import io
import json
import re
import tomllib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from rich.console import Console

from geo.model_rules import ModelRules
from geo.rating import ZONE_CODES, Limits, ZoneRules, judge
from geo.rating.rate import WITH_LINE
from geo.rating.spring_rule import LINES, best_lines, line_inputs
from pipelines.cli import explain as cli_explain
from pipelines.run.result import StudyResult
from pipelines.show.explain import FieldReason, explain_field, explain_site, open_result
from pipelines.show.field.page import render_field_page
from pipelines.show.publish import Published
from pipelines.show.verdict_words import VerdictWords
from pipelines.study.file import load_study
from pipelines.study.house import shared_dir
from pipelines.study.tables import load_tables
from pipelines.study.units import Units
from pipelines.study.words import load_catalogue
from tests.builders import tiny_result
from tests.pipelines.conftest import TinyRun
from tests.pipelines.field_results import Page
from tests.pipelines.tiny_study import write_tiny_study

LINE_COLUMNS = (
    "spring_line_share", "spring_line_mm", "spring_line_early_years", "spring_line_shortfall_years",
    "spring_line_gap_mm", "spring_line_growth_kg_ha",
)  # fmt: skip
RULES = ZoneRules()


@pytest.fixture(scope="module")
def county(quick_county: Published) -> StudyResult:
    return open_result(quick_county.folder)


@pytest.fixture(scope="module", params=["us", "metric"])
def invented(request: pytest.FixtureRequest) -> StudyResult:
    return tiny_result(units=request.param)


def spring_text(study: StudyResult, field_id: str) -> str:
    return Page(render_field_page(study, field_id)).text("section.spring")


# ---------------------------------------------------------------- field pages


@pytest.mark.slow
def test_a_page_with_a_line_says_its_own_numbers(invented: StudyResult) -> None:
    lined = invented.fields[invented.fields["spring_line_share"].notna()]
    assert len(lined)
    us = invented.settings["units"] == "us"
    for _, field in lined.iterrows():
        text = spring_text(invented, field["field_id"])
        depth, full = re.search(
            r"Below ([\d.,]+) (?:in|mm) of water that plants can use \((\d+)% full\), end it\.", text
        ).groups()
        assert float(depth) == pytest.approx(
            field["spring_line_mm"] / (25.4 if us else 1.0), abs=0.051 if us else 0.51
        )
        assert int(full) == round(100 * field["spring_line_share"])
        half = 0.5 + 1e-4  # a count of exactly x.5 rounds up, and the columns are in single precision
        early, short, short_early, short_late = (
            int(n)
            for n in re.search(
                r"early in (\d+) of 30 years\. The next crop is short in (\d+)\. If always ended early: (\d+)\. "
                r"If always at planting: (\d+)\.", text,
            ).groups()
        )  # fmt: skip
        assert early == pytest.approx(30 * field["spring_line_early_years"], abs=half)
        assert short == pytest.approx(30 * field["spring_line_shortfall_years"], abs=half)
        assert short_early == pytest.approx(30 * field["shortfall_years_overwinter_early"], abs=half)
        assert short_late == pytest.approx(30 * field["shortfall_years_overwinter_late"], abs=half)
        assert ("top 4 ft" in text) == us
        assert ("top 120 cm" in text) == (not us)
        for words in ("crop insurance lets it", "These same years set the line", "Probe before you plant"):
            assert words in text
        assert "Wet spring:" not in text


@pytest.mark.slow
def test_pages_without_a_line_keep_the_general_advice(invented: StudyResult) -> None:
    for _, field in invented.fields[invented.fields["spring_line_share"].isna()].iterrows():
        text = spring_text(invented, field["field_id"])
        assert "% full" not in text
        if field["recommended_option"] not in ("", "stubble"):
            assert "Dry spring: end a living cover early" in text


# ---------------------------------------------------------------- the invented county


def test_lines_stand_only_where_they_help(county: StudyResult) -> None:
    """Every named line of the county against its row: within the limits, and better than both fixed dates."""
    fields = pd.DataFrame(county.fields.drop(columns="geometry"))
    lined = fields[fields["spring_line_share"].notna()]
    assert len(lined) > 20
    assert set(lined["zone"]) <= set(WITH_LINE)
    assert not lined["irrigated"].any()
    assert lined["spring_line_share"].round(2).isin(LINES).all()
    assert (lined["spring_line_shortfall_years"] < RULES.shortfall_max + 0.0005).all()
    assert (lined["spring_line_gap_mm"] < RULES.planting_gap_max_mm + 0.05).all()
    assert (lined["spring_line_growth_kg_ha"] >= 1.1 * lined["early_growth_kg_ha"] - 1e-6).all()
    late = lined[["shortfall_years_overwinter_late", "planting_gap_mm_overwinter_late"]].to_numpy()
    # by the steps of the rule: 0.001 of a share, 0.1 mm
    assert ((late[:, 0].round(3) > RULES.shortfall_max) | (late[:, 1].round(1) > RULES.planting_gap_max_mm)).all()
    assert (lined["spring_line_growth_kg_ha"] <= lined["late_growth_kg_ha"]).all()
    np.testing.assert_allclose(lined["spring_line_mm"], lined["spring_line_share"] * lined["capacity_mm"])
    assert lined["spring_line_early_years"].between(0.0, 1.0, inclusive="neither").all()
    others = fields[fields["spring_line_share"].isna()]
    assert others[list(LINE_COLUMNS)].isna().all(axis=None)


def test_the_rule_lies_between_the_dates_on_every_site(county: StudyResult) -> None:
    out = county.outcomes
    rated = out["capacity_mm"].notnull().values
    short = [out["shortfall_years"].sel(option=f"overwinter_{end}").values[rated] for end in ("early", "late")]
    ruled = out["spring_rule_shortfall_years"].values[rated]
    assert (ruled <= short[0] + short[1] + 1e-6).all(), "each short year is one of an end"
    curve = out["line_early_years"].values[rated]
    assert (np.diff(curve, axis=1) >= -1e-6).all()
    half = out.sel(line=0.5, method="nearest")
    for name in ("early_years", "shortfall_years", "gap_mm", "growth_kg_ha"):
        np.testing.assert_array_equal(out[f"spring_rule_{name}"].values, half[f"line_{name}"].values)
    assert out.attrs["dry_spring_share"] == 0.5


def test_no_zone_moves(county: StudyResult) -> None:
    """Zones follow from the fixed dates: judged without the springs they are the same."""
    springs = [v for v in county.outcomes.data_vars if str(v).startswith(("spring_", "line_", "early_g", "late_g"))]
    assert len(springs) == 17
    dry = np.zeros(len(county.sites), bool)
    rated = county.outcomes["capacity_mm"].notnull().values
    again = judge(county.outcomes.drop_vars(springs), Limits.of(RULES, RULES, dry), rated)
    pd.testing.assert_series_equal(again.table["zone_code"], county.zones["zone_code"], check_dtype=False)


def test_lines_of_sites_follow_from_their_own_curves(county: StudyResult) -> None:
    fits = county.verdicts["passed"].sel(cover="overwinter_early").all("test").values
    fits &= (county.zones["zone"] != "not_rated").to_numpy()
    again = best_lines(line_inputs(county.outcomes), RULES, ModelRules(), fits)
    np.testing.assert_allclose(county.outcomes["spring_line_mm"], again["spring_line_mm"], rtol=1e-5)
    early = county.zones["zone_code"].isin([ZONE_CODES[z] for z in (*WITH_LINE, "either")]).to_numpy()
    assert not (county.outcomes["spring_line_share"].notnull().values & ~early).any()


def test_tables_and_layers_carry_the_springs(quick_county: Published, county: StudyResult) -> None:
    table = pd.read_csv(quick_county.folder / "fields.csv")
    headers = {c.split(" [")[0]: c for c in table.columns}
    assert headers["spring_line_in"] == "spring_line_in [in]"
    np.testing.assert_allclose(table[headers["spring_line_in"]], county.fields["spring_line_mm"] / 25.4, atol=0.006)
    fields = gpd.read_file(quick_county.folder / "springfill.gpkg", layer="fields")
    assert {"spring_line_share", "spring_rule_growth_kg_ha", "late_growth_kg_ha"} <= set(fields.columns)
    units = gpd.read_file(quick_county.folder / "springfill.gpkg", layer="response_units").set_index("site")
    wanted = county.outcomes["spring_rule_shortfall_years"].to_series().loc[units.index]
    np.testing.assert_allclose(units["spring_rule_shortfall_years"], wanted, atol=1e-6)
    with xr.open_dataset(quick_county.folder / "layers" / "outcomes.nc") as data:
        assert data["line_growth_kg_ha"].dims == ("site", "line")
        np.testing.assert_allclose(data["line"], LINES)


def test_the_page_about_springs_tells_what_the_county_shows(county: StudyResult) -> None:
    """The table of the document against a run on a coarser grid; loose, since parameters move: it is the story."""
    text = (Path(__file__).resolve().parents[2] / "docs" / "dry_and_wet_springs.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\d), .*? \((\d+)\) \|(.*)\|$", text, re.MULTILINE)
    assert [row[0] for row in rows] == ["4", "6", "5"]
    dry = county.fields[~county.fields["irrigated"].astype(bool)]
    to_us = 0.892179
    for code, count, cells in rows:
        fields = dry[dry["zone_code"] == int(code)]
        assert len(fields) == pytest.approx(int(count), abs=12)
        told = [tuple(float(n.replace(",", "")) for n in re.findall(r"[\d,]*\d", cell)) for cell in cells.split("|")]
        shown = [
            ("shortfall_years_overwinter_early", "early_growth_kg_ha"),
            ("spring_rule_shortfall_years", "spring_rule_growth_kg_ha"),
            ("shortfall_years_overwinter_late", "late_growth_kg_ha"),
        ]
        for (percent, pounds), (short, growth) in zip(told, shown, strict=True):
            assert 100 * fields[short].mean() == pytest.approx(percent, abs=5)
            assert to_us * fields[growth].mean() == pytest.approx(pounds, rel=0.2)


# ---------------------------------------------------------------- explain


def printed(study: StudyResult, why: FieldReason, system: str) -> str:
    stream, words = io.StringIO(), load_catalogue()
    says = VerdictWords(words, Units(system, words), study.seasons)
    cli_explain.print_reason(Console(file=stream, width=120), why, says)
    return " ".join(stream.getvalue().split())


def test_explain_tells_both_dates_and_the_line(county: StudyResult) -> None:
    lined = county.fields.loc[county.fields["spring_line_share"].notna()].iloc[0]
    why = explain_field(county, str(lined["field_id"]))
    assert why.spring is not None
    assert why.spring.by_line is not None
    assert why.spring.early_day == 91
    assert why.spring.line_mm == pytest.approx(lined["spring_line_mm"])
    assert why.spring.by_line.growth_kg_ha == pytest.approx(lined["spring_line_growth_kg_ha"])
    assert why.spring.late.shortfall_years == pytest.approx(lined["shortfall_years_overwinter_late"])
    assert why.spring.by_study.early_years == pytest.approx(lined["spring_rule_early_years"])
    text = printed(county, why, "us")
    assert "(the best line here)" in text
    assert "(the study's line)" in text
    assert text.count("always early") == 1
    assert "It changes no zone" in text
    plain = json.loads(json.dumps(cli_explain.as_json(why)))
    assert plain["spring"]["by_line"]["shortfall_years"] < RULES.shortfall_max + 0.0005


def test_explain_of_a_site_says_its_outcomes(county: StudyResult) -> None:
    out = county.outcomes
    site = int(np.flatnonzero(out["spring_line_share"].notnull())[0])
    why = explain_site(county, site).spring
    assert why is not None
    one = out.isel(site=site)
    assert why.late.gap_mm == pytest.approx(float(one["planting_gap_mm"].sel(option="overwinter_late", stat="mean")))
    assert why.by_study.gap_mm == pytest.approx(float(one["spring_rule_gap_mm"]))
    assert explain_site(county, site, irrigated=True).spring is None
    unrated = np.flatnonzero(county.zones["zone"] == "not_rated")
    assert all(explain_site(county, int(k)).spring is None for k in unrated[:3])


def test_explain_where_no_line_helps(county: StudyResult) -> None:
    plain = county.fields.loc[(county.fields["zone"] == "either") & ~county.fields["irrigated"].astype(bool)].iloc[0]
    text = printed(county, explain_field(county, str(plain["field_id"])), "metric")
    assert "No line is named" in text
    assert "best line here" not in text


# ---------------------------------------------------------------- the study's own line


def test_a_study_sets_its_own_line(tiny_run: TinyRun, tmp_path) -> None:
    study, _ = load_study(write_tiny_study(tmp_path, more="\n[parameters]\ndry_spring_share = 0.3\n"))
    assert load_tables(study).model.dry_spring_share == 0.3
    row = tomllib.loads((shared_dir() / "model_rules.toml").read_text(encoding="utf-8"))["dry_spring_share"]
    assert "Michigan State University Extension" in row["source"]
    assert "common practice, no source" in row["source"]
    assert open_result(tiny_run.folder).outcomes.attrs["dry_spring_share"] == row["value"]
