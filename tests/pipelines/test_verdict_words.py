"""The words of the verdicts: true to the numbers, and the same for every page."""

from __future__ import annotations

import pytest

from geo.options import COVERS
from geo.rating import TEST_ROWS, TESTS
from pipelines.show.verdict_words import Verdict, VerdictWords
from pipelines.study.units import Units
from pipelines.study.words import load_catalogue

WORDS = VerdictWords(load_catalogue(), Units("us"), 30)
METRIC = VerdictWords(load_catalogue(), Units("metric"), 29)


def verdict(test, value, limit, passed, cover="winter_killed"):
    return Verdict(cover, test, value, limit, passed, False, 1.0, 0.0)


@pytest.mark.parametrize(
    ("words", "row", "expected"),
    [
        pytest.param(WORDS, verdict("season", 0.367, 0.7, False), ("11", "21"), id="0.367 of 30 years is 11"),
        pytest.param(WORDS, verdict("season", 0.699, 0.7, False), ("just under 21", "21"), id="20.97 is below 21"),
        pytest.param(METRIC, verdict("season", 0.69, 0.7, False), ("20", "21"), id="20 of 29 is below 20.3"),
        pytest.param(METRIC, verdict("season", 0.701, 0.7, True), ("21", "21"), id="20.33 of 29 passes 20.3"),
        pytest.param(WORDS, verdict("shortfall", 0.201, 0.2, False), ("just over 6", "6"), id="6.03 is above 6"),
        pytest.param(WORDS, verdict("shortfall", 0.2, 0.2, True), ("6", "6"), id="6 is 6"),
        pytest.param(
            WORDS, verdict("gap", 38.2, 38.1, False), ("just over 1.5 in", "1.5 in"), id="38.2 mm: 1.504 in"
        ),
        pytest.param(WORDS, verdict("gap", 52.3, 38.1, False), ("2.1 in", "1.5 in"), id="52.3 mm is 2.06 in"),
        pytest.param(METRIC, verdict("gap", 38.2, 38.1, False), ("just over 38 mm", "38 mm"), id="38.2 above 38.1"),
    ],
)
def test_a_number_never_looks_as_if_it_met_a_limit_that_it_misses(words, row, expected):
    """Expected values by hand: a share times the seasons; 25.4 mm an inch (exact by definition, NIST SP 811)."""
    assert words.numbers(row) == expected


def test_every_limit_of_the_rule_has_its_words():
    for row in TEST_ROWS:
        for cover in COVERS:
            one = verdict(row.name, 0.5, 0.4, False, cover)
            for text in (WORDS.short(cover, row.name), WORDS.clause(one), WORDS.sentence(one)):
                assert text
                assert "{" not in text
    assert WORDS.short("", "")


def test_each_cover_is_given_its_own_reasons():
    values = {"season": 0.9, "winter": 0.95, "gap": 10.0, "shortfall": 0.1}
    rows = [verdict(test, values[test], 0.5, True, cover) for cover in COVERS for test in TESTS]
    fails = {("overwinter_early", "season"), ("overwinter_late", "gap"), ("overwinter_late", "shortfall")}
    rows = [verdict(r.test, r.value, r.limit, (r.cover, r.test) not in fails, r.cover) for r in rows]
    said = WORDS.by_cover(rows)
    assert said["winter_killed"] == WORDS.words.t("verdict.fits")
    assert "ground" in said["overwinter_early"]
    assert said["overwinter_late"].count(";") == 1
    assert WORDS.by_cover([verdict("season", float("nan"), 0.5, False)]) == {}


def test_a_field_is_said_to_differ_from_its_largest_part_only_where_it_does():
    assert WORDS.parts("either", "either", 40.0) == ""
    text = WORDS.parts("either", "winter_killed", 40.0)
    assert "99 acres" in text
    assert WORDS.words.t("zones.winter_killed.label") in text
