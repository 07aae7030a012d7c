"""The page of own measurements: the numbers in words, the tables, the chart's text, hostile names, US and metric."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from geo.soils.measured_water import misfit
from pipelines.run.measured import ALL_FEET
from pipelines.show.field.page import field_file_name, render_field_page
from pipelines.show.measurements.page import render_measured_page, write_measured_page
from pipelines.study.words import load_catalogue
from tests.builders import tiny_result
from tests.pipelines.field_results import Page
from tests.pipelines.measured_results import measured_result


@pytest.fixture(scope="module")
def study():
    return measured_result()


@pytest.fixture(scope="module")
def html(study):
    return render_measured_page(study)


def visible(html: str) -> str:
    return " ".join(" ".join(text for _, text in Page(html).texts).split())


def test_the_summary_says_bias_count_and_usual_miss_in_words(study, html):
    """By hand: nine differences of -1.4 to 0.5 in have mean -0.6, seven lie below zero, root mean square 0.87 in."""
    total = study.measured.compared.query("layer == @ALL_FEET")
    found = misfit(total["own_mm"], total["measured_mm"])
    assert (found.n, found.below) == (9, 7)
    assert found.bias_mm / 25.4 == pytest.approx(-0.6)
    text = visible(html)
    assert "the model holds 0.6 in less than was measured on average, and less in 7 of 9" in text
    assert "A usual miss (root mean square) is 0.9 in." in text
    assert "take the numbers as a hint" in text


def test_without_a_record_only_the_average_is_compared_and_called_no_test():
    text = visible(render_measured_page(measured_result(record=False)))
    assert "This is not a test of the model" in text
    assert "fair test" not in text
    assert "That season" not in text


@pytest.mark.parametrize(
    ("off", "said"),
    [(0.0, "as much as was measured"), (12.7, "0.5 in more than was"), (-12.7, "0.5 in less than was")],
)
def test_the_way_of_the_difference(study, off, said):
    compared = study.measured.compared.assign(own_mm=study.measured.compared["measured_mm"] + off)
    compared.loc[compared["layer"] != ALL_FEET, "own_mm"] = float("nan")
    text = visible(render_measured_page(replace(study, measured=replace(study.measured, compared=compared))))
    assert f"the model holds {said}" in text


def test_a_table_by_foot_holds_every_reading(study, html):
    page = Page(html)
    heads = [a for tag, a in page.tags if tag == "th" and a.get("scope") == "rowgroup"]
    assert len(heads) == 9
    text = visible(html)
    first = study.measured.compared.iloc[1]
    assert f"0–1 ft {first['measured_mm'] / 25.4:.1f} {first['own_mm'] / 25.4:.1f}" in text
    assert "Jul 25, 2019, Clean stubble" in text


def test_metric_pages_have_no_inch(study):
    text = visible(render_measured_page(measured_result("metric")))
    assert "0–30 cm" in text
    assert "holds 15 mm less" in text
    assert not re.search(r"\d (in|inches|ft)\b(?! \d)|\binch", text)


def test_the_start_shows_both_answers(html):
    text = visible(html)
    assert (
        "Jul 25, 2019, 5 days after harvest: 4.0 in in 4 ft. The model has 2.0 in there at harvest on average" in text
    )
    assert "The zone changes from 1 " in text
    assert "3.9 → 5.1" in text
    assert "1.0 → 0.5" in text


def test_the_chart_says_in_words_what_it_draws(study, html):
    description = re.search(r'<desc id="c0-d">(.*?)</desc>', html)[1]
    assert description.count("measured") == 3
    assert "8 of 10 years" in description
    assert "that season" in description
    ids = re.findall(r' id="([^"]+)"', html)
    assert len(ids) == len(set(ids))


def test_the_marks_of_the_chart_lie_at_their_numbers(study, html):
    """Heights are read back from the numbers beside the axis."""
    picture = re.search(r'<svg class="chart".*?</svg>', html, re.S)[0]
    ticks = re.findall(r'<text x="33" y="([\d.]+)" dy="4">([\d.]+)</text>', picture)
    slope, offset = np.polyfit(*np.array(ticks, dtype=float).T, 1)
    rows = study.measured.compared.query("place == 'LK-0001' and layer == @ALL_FEET").sort_values("after_harvest")
    drawn = {
        kind: np.array(re.findall(rf'class="{kind}"[^>]* d="M[\d.]+ ([\d.]+)', picture), dtype=float)[: len(rows)]
        for kind in ("reading", "mean", "own", "most")
    }
    columns = {"reading": "measured_mm", "mean": "mean_mm", "own": "own_mm", "most": "p10_mm"}
    for kind, column in columns.items():
        assert np.allclose(drawn[kind] * slope + offset, rows[column] / 25.4, atol=0.01), kind
    across = re.findall(r'class="reading"[^>]* d="M([\d.]+)', picture)[: len(rows)]
    assert np.all(np.diff(np.array(across, dtype=float)) > 0)


def test_hostile_names_are_text_and_nothing_is_fetched(study, html):
    page = Page(html)
    assert not [tag for tag, _ in page.tags if tag in ("script", "iframe", "object", "img")]
    assert not [a for _, a in page.tags if any(k.startswith("on") for k in a)]
    targets = [a[k] for _, a in page.tags for k in ("href", "src") if a.get(k)]
    own = {f"fields/{field_file_name(f)}" for f in study.measured.compared["place"]}
    assert {t for t in targets if not t.startswith(("#", "data:"))} == own | {"index.html"}
    assert "default-src 'none'" in html
    assert "script-src" not in html


def test_no_link_leads_to_a_field_page_that_is_not_there(study):
    assert "fields/" not in render_measured_page(study, field_pages=False)


def test_the_page_of_a_measured_field_says_so_and_the_others_do_not(study):
    field_id = str(study.fields["field_id"].iloc[0])
    text = visible(render_field_page(study, field_id))
    assert "On Jul 25, 2019 you measured 4.0 in of water that plants can use here." in text
    assert "The zone changes from 1 " in text
    page = Page(render_field_page(study, field_id))
    assert "../measurements.html#place-1" in [a.get("href") for tag, a in page.tags if tag == "a"]
    assert 'id="place-1"' in render_measured_page(study)
    other = render_field_page(study, str(study.fields["field_id"].iloc[-1]))
    assert "measurements.html" not in other
    alone = replace(study, measured=replace(study.measured, starts=study.measured.starts.iloc[:0]))
    assert "This field has readings of soil water." in visible(render_field_page(alone, field_id))


def test_layers_that_were_measured_in_part_and_assumptions_are_marked():
    text = visible(render_measured_page(measured_result(part=True)))
    assert "Less than nine tenths of this depth was measured" in text
    assert "knows no wilting point at depth" in text
    assert re.search(r"3–4 ft \d\.\d\*", text)


def test_readings_near_harvest_alone_make_a_page(study):
    empty = study.measured.compared.iloc[:0]
    text = visible(render_measured_page(replace(study, measured=replace(study.measured, compared=empty))))
    assert "there is nothing to compare" in text
    assert "From the water that you measured at harvest" in text
    bare = replace(study.measured, compared=empty, starts=study.measured.starts.iloc[:0])
    assert "there is nothing to compare" in visible(render_measured_page(replace(study, measured=bare)))


def test_a_run_without_measurements_has_no_page(tmp_path):
    page = tmp_path / "measurements.html"
    page.write_text("of an earlier run", encoding="utf-8")
    assert write_measured_page(tiny_result(), page) is False
    assert not page.exists()


def test_a_page_of_many_places_stays_small(study):
    compared = pd.concat([study.measured.compared.assign(place=f"P{k}", name="") for k in range(10)])
    many = replace(study, measured=replace(study.measured, compared=compared.reset_index(drop=True)))
    assert len(render_measured_page(many)) < 10 * 30_000


def test_every_text_of_the_page_is_in_the_catalogue():
    words = load_catalogue().under("measured")
    assert len(words) > 50
    assert all(words.values())
