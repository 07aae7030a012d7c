"""A study file with a fault: the answer names the line, the key and what is allowed, values in our own words."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from geo.errors import StudyError
from pipelines.study.faults import toml_text
from pipelines.study.file import load_study
from pipelines.study.tables import load_tables, zone_rules

LEAST = """\
[study]
name = "A study"

[soils]
path = "soils"

[climate]
path = "climate"
"""
NAME, SOILS, CLIMATE = 'name = "A study"', 'path = "soils"', 'path = "climate"'
# Sentences of the library that checks the values; none of them may reach a user.
FOREIGN = re.compile(
    r"Input should|valid (string|integer|number|dictionary|list|tuple|boolean)|Field required|Extra inputs|"
    r"Value error|unable to parse|at line \d+, column|Cannot overwrite|Cannot declare|Expected |validation error|"
    r"pydantic|type=|Error\b"
)


def in_study(lines: str) -> tuple[str, str]:
    return NAME, f"{NAME}\n{lines}"


def in_soils(lines: str) -> tuple[str, str]:
    return SOILS, f"{SOILS}\n{lines}"


def at_end(lines: str) -> tuple[str, str]:
    return CLIMATE, f"{CLIMATE}\n{lines}"


BAD = [
    ("a number for a name", (NAME, "name = 3"), 2, ["study.name = 3: must be text in quotes"]),
    ("a list for a name", (NAME, 'name = ["a", "b"]'), 2, ['study.name = ["a", "b"]: must be text in quotes']),
    ("an empty name", (NAME, 'name = ""'), 2, ['study.name = "": must not be empty']),
    ("a misspelt key", in_study('untis = "us"'), 3, ["study.untis: there is no such key. Did you mean units?"]),
    ("a key of another table", in_study("resolution_m = 30"), 3, ["belongs under [map]", "Allowed: name,"]),
    ("a misspelt table", ("[soils]", "[soil]"), 4, ["[soil]: there is no such table. Did you mean soils?"]),
    ("an unknown table", in_study("[weather]"), 3, ["[weather]: there is no such table.", "Allowed: climate"]),
    ("a missing key", (SOILS, ""), 4, ["soils.path is missing"]),
    ("a missing table", ("[climate]\n" + CLIMATE, ""), None, ["the table [climate] is missing"]),
    ("an empty path", (SOILS, 'path = ""'), 5, ['soils.path = "": must not be empty']),
    ("a list for the soil path", (SOILS, 'path = ["a"]'), 5, ['soils.path = ["a"]: must be text in quotes']),
    ("a number for a path or list", (CLIMATE, "path = 7"), 8, ["climate.path = 7: must be text in quotes, or"]),
    ("a number in a list of paths", (CLIMATE, 'path = ["a", 7]'), 8, ["climate.path", "a list of texts"]),
    ("a word of no list", in_soils('kind = "survey"'), 6,
     ['soils.kind = "survey": must be one of "auto", "survey_export"']),
    ("a word nearly right", in_study('units = "metrics"'), 3, ['"us", "metric".', "Did you mean metric?"]),
    ("yes for a whole number", in_study("years = true"), 3, ["study.years = true: must be a whole number"]),
    ("a number with a point", in_study("years = 30.5"), 3, ["study.years = 30.5: must be a whole number"]),
    ("a negative seed", in_study("seed = -1"), 3, ["study.seed = -1: must be at least 0"]),
    ("years out of range", in_study("years = 501"), 3, ["study.years = 501: must be from 2 to 500"]),
    ("text for a number", at_end('[map]\nresolution_m = "30 m"'), 10,
     ['map.resolution_m = "30 m": must be a number']),
    ("a negative resolution", at_end("[map]\nresolution_m = -30"), 10, ["must be from 1", "to 5000"]),
    ("yes for a number", at_end("[parameters]\nkc_max = true"), 10, ["parameters.kc_max = true: must be a number"]),
    ("a density above one", at_end("[mixes.overwinter]\ndensity = 2"), 10,
     ["mixes.overwinter.density = 2: must be above 0"]),
    ("text for yes or no", at_end('[run]\nfield_pages = "never"'), 10,
     ['run.field_pages = "never": must be true or false']),
    ("a table for a number", at_end("[run]\nparameter_sets = { n = 3 }"), 10,
     ["run.parameter_sets = { n = 3 }: must be a whole number"]),
    ("text for a table", in_study("[fields]\npath = 'f'\ncolumns = 'FIELD'"), 5,
     ['fields.columns = "FIELD": must be a table of keys']),
    ("a list of tables", ("[soils]", "[[soils]]"), 4, ["soils = ", "must be a table of keys and values, given once"]),
    ("text in a list of numbers", at_end('[map]\nbounds = [1, 2, "x", 4]'), 10,
     ["map.bounds", "four numbers"]),
    ("three bounds", at_end("[map]\nbounds = [1, 2, 3]"), 10, ["map.bounds", "four numbers"]),
    ("five bounds", at_end("[map]\nbounds = [1, 2, 3, 4, 5]"), 10, ["map.bounds", "four numbers"]),
    ("bounds upside down", at_end("[map]\nbounds = [1, 9, 3, 4]"), 10, ["bottom below top"]),
    ("a date without zeros", at_end('[season]\nharvest = "7-20"'), 10,
     ['season.harvest = "7-20": give month and day as "MM-DD"']),
    ("30 February", at_end('[season]\nplanting = "02-30"'), 10, ["02-30 is not a date of the calendar"]),
    ("a date with a year", at_end("[season]\nplanting = 2024-05-15"), 10,
     ["season.planting = 2024-05-15: give month and day"]),
    ("an unknown date", at_end('[season]\nplantin = "05-01"'), 10, ["Did you mean planting?"]),
    ("dates out of order", at_end('[season]\nseeding_winter_killed = "07-01"'), 9, ["seeding 07-01"]),
    ("a layer's date in words", in_soils('date = "last fall"'), 6, ['soils.date = "last fall": give a year']),
    ("a layer's month 13", in_soils('date = "2024-13"'), 6, ["2024-13 is not a date of the calendar"]),
    ("a layer's day in a number", in_soils("date = 20241001"), 6, ["soils.date = 20241001: give a year"]),
    ("an empty licence", in_soils('licence = ""'), 6, ['soils.licence = "": must not be empty']),
    ("a map CRS that is none", at_end('[map]\ncrs = "Albers, roughly"'), 10, ["is not a known CRS"]),
    ("a map CRS in degrees", at_end('[map]\ncrs = "EPSG:4326"'), 10, ["not projected in metres"]),
    ("a layer's CRS that is none", in_soils('crs = "EPSG:99999999"'), 6, ["soils.crs", "is not a known CRS"]),
    ("an unknown mix", at_end("[mixes.winterkilled]\ndensity = 1"), 9,
     ["mixes.winterkilled: there is no such key. Did you mean winter_killed?"]),
    ("text for a rule", at_end('[rules]\nshortfall_max = "a fifth"'), 10,
     ['rules.shortfall_max = "a fifth": must be a number']),
    ("an unknown rule", at_end("[rules]\nshortfal_max = 0.2"), 10, ["Did you mean shortfall_max?"]),
    ("a rule out of range", at_end("[rules]\nshortfall_max = 0.9"), 10, ["from 0 to 0.6"]),
    ("an irrigated rule out of range", at_end("[irrigated_rules]\nseason_min = 2"), 10, ["Give a value"]),
    ("an irrigated rule that is idle", at_end("[irrigated_rules]\nshortfall_max = 0.1"), 10, ["waived"]),
    ("an unknown parameter", at_end("[parameters]\nsnow_catch = 1"), 10, ["Did you mean snow_catch_share?"]),
    ("a parameter out of range", at_end("[parameters]\nsnow_catch_share = 9"), 10, ["Give a value from"]),
    ("an unknown plant group", at_end("[mixes.overwinter]\ngroups = { winter_cereals = 1.0 }"), 10,
     ["Did you mean winter_cereal?"]),
    ("shares that do not add up", at_end("[mixes.overwinter]\ngroups = { winter_cereal = 0.5 }"), 10,
     ["add to"]),
]  # fmt: skip
BROKEN = [
    ("a key twice", in_study('name = "B"'), 3, ['name = "B"', "already given on line 2"]),
    ("a table twice", at_end('[soils]\npath = "x"'), 9, ["[soils]", "already given on line 4"]),
    ("a line without a value", in_study("units"), 3, ["Expected '=' after a key", ": units"]),
    ("an open quote", (NAME, 'name = "A study'), 2, ['name = "A study', "text needs quotes"]),
    ("a word without quotes", in_study("units = us"), 3, ["Invalid value: units = us", "text needs quotes"]),
    ("a Windows path", (SOILS, r'path = "C:\soils"'), 5, [r'path = "C:\soils"', "a path is written with /"]),
    ("a Windows path to users", (SOILS, r'path = "C:\users"'), 5, ["a path is written with /"]),
    ("an open list", at_end("[map]\nbounds = [1, 2, 3"), 10, ["Unclosed array"]),
    ("two values on a line", (NAME, NAME + " units = 'us'"), 2, ["Expected newline"]),
    ("a table name left open", ("[soils]", "[soils"), 4, ["Expected ']'", ": [soils"]),
    ("a day that is none", in_soils("date = 2024-02-30"), 6, ["Invalid date"]),
]  # fmt: skip


@pytest.mark.parametrize(("change", "line", "told"), [pytest.param(*row[1:], id=row[0]) for row in BROKEN])
def test_broken_toml_names_its_line_and_the_rules_of_writing(
    tmp_path: Path, change: tuple[str, str], line: int, told: list[str]
) -> None:
    assert change[0] in LEAST
    path = tmp_path / "study.toml"
    path.write_text(LEAST.replace(*change), encoding="utf-8")
    with pytest.raises(StudyError, match="not valid TOML") as caught:
        load_study(path)
    text = str(caught.value)
    assert re.search(rf"study\.toml, line {line}: ", text), text
    assert "column" not in text, "the place is named once"
    for piece in told:
        assert piece in text, text


def read_whole(path: Path) -> None:
    study, _ = load_study(path)
    zone_rules(load_tables(study), study)


@pytest.mark.parametrize(("change", "line", "told"), [pytest.param(*row[1:], id=row[0]) for row in BAD])
def test_a_fault_is_told_with_its_line_in_own_words(
    tmp_path: Path, change: tuple[str, str], line: int | None, told: list[str]
) -> None:
    assert change[0] in LEAST
    path = tmp_path / "study.toml"
    path.write_text(LEAST.replace(*change), encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        read_whole(path)
    text = str(caught.value)
    assert "study.toml" in text
    if line is not None:
        assert re.search(rf"study\.toml, line {line}\b", text), text
    for piece in told:
        assert piece in text, text
    assert not FOREIGN.search(text), text
    assert caught.value.fix


def test_one_key_has_one_line_and_all_keys_are_told(tmp_path: Path) -> None:
    path = tmp_path / "study.toml"
    path.write_text(LEAST.replace(NAME, "name = 1\nyears = 0").replace(CLIMATE, "path = 4"), encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        load_study(path)
    assert len(re.findall(r"study\.toml, line", caught.value.where)) == 3


@pytest.mark.parametrize(
    ("value", "text"),
    [(True, "true"), ("a", '"a"'), ([1, 2.5], "[1, 2.5]"), ({}, "{}"), ({"a": 1}, "{ a = 1 }")],
)
def test_values_are_shown_as_in_the_file(value: object, text: str) -> None:
    assert toml_text(value) == text
    assert len(toml_text("x" * 500)) <= 60
