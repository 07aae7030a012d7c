"""One answer of every field: its page, `explain` and the table say the same, and the printed numbers add up."""

from __future__ import annotations

import re
from decimal import Decimal

import numpy as np
import pytest

from geo.options import COVERS, OPTIONS
from geo.rating import TEST_ROWS, TESTS, in_steps
from pipelines.run.result import StudyResult
from pipelines.show.explain import explain_field, open_result
from pipelines.show.field.page import field_file_name, write_field_pages
from pipelines.show.publish import Published
from pipelines.study.words import load_catalogue
from tests.builders import tiny_result
from tests.pipelines.field_results import Page

WORDS = load_catalogue()
IN_MM, HA = 25.4, {"us": 0.404687, "metric": 1.0}
AT_LEAST = {row.name: row.at_least for row in TEST_ROWS}
STUDIES = ("us", "metric", "county")
Study = tuple[StudyResult, dict[str, Page]]


@pytest.fixture(scope="module")
def county(quick_county: Published) -> StudyResult:
    """All 380 fields of the invented county."""
    return open_result(quick_county.folder)


@pytest.fixture(scope="module", params=STUDIES)
def study(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A result and the pages of all its fields that are rated."""
    kind = request.param
    result = request.getfixturevalue("county") if kind == "county" else tiny_result(units=kind)
    folder = tmp_path_factory.mktemp("pages")
    rated = set(result.fields.loc[result.fields["zone"] != "not_rated", "field_id"])
    write_field_pages(result, folder, only=rated)
    pages = {i: Page((folder / field_file_name(i)).read_text(encoding="utf-8")) for i in sorted(rated)}
    assert pages
    return result, pages


def rows_of(page: Page, section: str) -> list[list[str]]:
    """Return the rows of the tables of a section, a text for each cell."""
    rows: list[list[str]] = []
    for path, text in page.texts:
        if f"section.{section}" not in path or not ({"td.n", "th"} & set(path)) or "thead" in path:
            continue
        if "span.sr" in path or any(p.startswith("small") for p in path):
            continue
        if "th" in path:
            rows.append([text])
        else:
            rows[-1].append(text)
    return rows


def number(text: str) -> Decimal:
    return Decimal(text.split()[0].replace("\N{MINUS SIGN}", "-").replace(",", ""))


def test_water_gap_and_capacity_add_up_on_every_field(study: Study) -> None:
    """Before rounding: stubble less cover is the gap to 0.001 mm, and no water exceeds capacity."""
    outcomes = study[0].field_outcomes
    water = outcomes["planting_water_mm"].values
    mean = water[..., 0]
    rated = np.isfinite(mean).all(axis=1)
    assert rated.any()
    gap = outcomes["planting_gap_mm"].values[..., 0]
    assert np.abs(mean[:, :1] - mean - gap)[rated].max() < 1e-3
    assert (water <= outcomes["capacity_mm"].values[:, None, None] + 1e-3)[rated].all()
    table = study[0].fields
    for k, option in enumerate(OPTIONS):
        np.testing.assert_array_equal(table[f"planting_gap_mm_{option}"].to_numpy()[rated], gap[rated, k])


def test_printed_stubble_less_printed_cover_is_the_printed_gap(study: Study) -> None:
    result, pages = study
    unit = IN_MM if result.settings["units"] == "us" else 1.0
    digit = 0.1 if result.settings["units"] == "us" else 1.0
    rows = result.fields.set_index("field_id")
    for field_id, page in pages.items():
        printed = rows_of(page, "compare")
        assert len(printed) == len(OPTIONS)
        stubble = number(printed[0][2])
        for option, row in zip(OPTIONS[1:], printed[1:], strict=True):
            water, gap = number(row[2]), number(row[3])
            assert stubble - water == gap, (field_id, row)
            exact = rows.loc[field_id]
            # What is printed is what the tests compare: whole steps of 0.1 mm.
            known_stubble, known_gap = (
                float(in_steps(exact[name], 0.1)) * 0.1
                for name in ("planting_water_mm_stubble", f"planting_gap_mm_{option}")
            )
            assert float(gap) == pytest.approx(known_gap / unit, abs=0.5001 * digit)
            assert float(water) == pytest.approx((known_stubble - known_gap) / unit, abs=1.0001 * digit)


def test_what_is_said_of_each_cover_is_its_row_of_verdicts(study: Study) -> None:
    """Each clause misses the limit that it names, and there is one for each test that fails, of each cover."""
    result, pages = study
    ids = result.fields["field_id"].tolist()
    for field_id, page in pages.items():
        row = ids.index(field_id)
        passed = result.field_verdicts["passed"].values[row]
        said = page.clauses()
        if result.fields["zone"].iloc[row] == "either":
            assert passed.all()
            assert said == {}
            continue
        assert list(said) == [WORDS.t(f"common.option.{cover}") for cover in COVERS]
        for clauses, tests in zip(said.values(), passed, strict=True):
            if tests.all():
                assert clauses == [WORDS.t("verdict.fits")]
                continue
            failed = [test for test, good in zip(TESTS, tests, strict=True) if not good]
            assert len(clauses) == len(failed)
            for clause, test in zip(clauses, failed, strict=True):
                if "just" in clause:
                    continue
                value, limit = re.search(r"([\d.]+) (?:in|mm|of \d+).*?(?:needs|at most) ([\d.]+)", clause).groups()
                assert (float(value) < float(limit)) == AT_LEAST[test], clause
                assert float(value) != float(limit)


def test_page_explain_and_table_give_one_answer(study: Study) -> None:
    result, pages = study
    for k, field in result.fields.iterrows():
        why = explain_field(result, field["field_id"])
        for name in (
            "zone",
            "zone_code",
            "limiting_factor",
            "limiting_option",
            "limiting_test",
            "recommended_option",
        ):
            assert getattr(why, name) == field[name]
        np.testing.assert_array_equal(why.margin, field["margin"])
        if field["zone"] == "not_rated":
            assert why.verdicts == ()
            continue
        verdicts = result.field_verdicts.isel(field=k)
        for row in why.verdicts:
            own = verdicts.sel(cover=row.cover, test=row.test)
            for name in ("value", "limit", "passed", "waived", "margin", "share"):
                np.testing.assert_array_equal(getattr(row, name), own[name].item())
        page = pages[field["field_id"]]
        assert page.text("span.badge") == str(field["zone_code"])
        fits = {c for c in COVERS if all(row.passed for row in why.verdicts if row.cover == c)}
        assert (field["recommended_option"] == "stubble") == (not fits)
        assert field["recommended_option"] in fits | {"stubble"}
        picked = page.text("b.pick").split(" (")[0]
        assert WORDS.t(f"common.option_short.{field['recommended_option']}") in picked


def test_ground_with_another_answer_is_named_with_its_soil(study: Study) -> None:
    """Acres and a soil of the field; a part is never called by the number of its zone."""
    result, pages = study
    rows = result.fields.set_index("field_id")
    system = str(result.settings["units"])
    mixed = 0
    for field_id, page in pages.items():
        field, text = rows.loc[field_id], page.text("p.acres")
        assert not re.search(r"of zone \d|, in zone \d", page.text("section.answer"))
        label = WORDS.t(f"zones.{field['largest_zone']}.label")
        if field["zone"] == field["largest_zone"]:
            assert "Its largest part differs" not in text
            continue
        mixed += 1
        area = field["largest_zone_share"] * field["area_ha"] / HA[system]
        said = re.search(r"Its largest part differs.*? ([\d.,]+) (?:acres|ha), mostly (.*?): (.*?)\.", text)
        assert said is not None, text
        assert float(said[1].replace(",", "")) == pytest.approx(area, abs=0.51)
        assert said[3] == label
        whole = explain_field(result, field_id)
        assert any(said[2] in site.map_unit for site in whole.sites if site.zone == field["largest_zone"])
    assert mixed or system != "us" or len(pages) < 100, "the county has fields whose largest part differs"
