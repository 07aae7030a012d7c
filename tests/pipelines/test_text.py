"""The text catalogue: every key is there, every mistake is named, a translation is one file."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from geo.errors import StudyError
from geo.options import OPTIONS
from geo.rating.rule import ZONE_CODES
from pipelines.study.field_tables import cautions
from pipelines.study.house import shared_dir
from pipelines.study.words import Catalogue, flatten, load_catalogue, placeholders

PIPELINES = Path(__file__).resolve().parents[2] / "pipelines"


def translated(tmp_path: Path, change=lambda text: text) -> Path:
    """A folder with an English catalogue and a second language made from it."""
    for name in ("text_en.toml", "zones.toml"):
        shutil.copy(shared_dir() / name, tmp_path / name)
    text = (tmp_path / "text_en.toml").read_text(encoding="utf-8")
    rows = [f'[zones.{key}]\nlabel = "L {key}"\nplain = "P {key}"\n' for key in ZONE_CODES]
    (tmp_path / "text_xx.toml").write_text(change(text) + "\n".join(["", *rows]), encoding="utf-8")
    return tmp_path


def test_an_unknown_key_is_named():
    with pytest.raises(StudyError, match="field.no_such_text"):
        load_catalogue().t("field.no_such_text")


def test_a_missing_value_is_named():
    with pytest.raises(StudyError, match="name"):
        load_catalogue().t("field.title")


@pytest.mark.parametrize("hostile", ["{0}", "{x.__class__}", "{{7*7}}", "%s", "{"])
def test_values_are_not_read_as_placeholders(hostile):
    assert hostile in load_catalogue().t("field.title", name=hostile)


@pytest.mark.parametrize(("text", "says"), [("a {b", "broken"), ("a {0} b", "broken|needs a value")])
def test_a_broken_text_is_named(text, says):
    catalogue = Catalogue("xx", {"k": text}, "text_xx.toml")
    with pytest.raises(StudyError, match=says):
        catalogue.t("k", b=1)


def test_lists_and_texts_are_told_apart():
    words = load_catalogue()
    assert len(words.items("common.months")) == 12
    with pytest.raises(StudyError, match="is a list"):
        words.t("common.months")
    with pytest.raises(StudyError, match="no list"):
        words.items("common.no_data")
    with pytest.raises(StudyError, match="neither"):
        flatten({"a": {"b": 3}})


def literal_keys() -> set[str]:
    """Keys that the field pages ask for in full."""
    pattern = re.compile(r"""\b(?:words\.)?t\(\s*f?["']([a-z_]+(?:\.[a-z_]+)+)["']""")
    files = [
        PIPELINES / "field_tables.py",
        PIPELINES / "display.py",
        *PIPELINES.glob("pages/field_*.py"),
        *PIPELINES.glob("pages/templates/field*.j2"),
    ]
    return {key for file in files for key in pattern.findall(file.read_text(encoding="utf-8"))}


def test_every_key_that_is_asked_for_is_in_the_catalogue():
    keys, words = literal_keys(), load_catalogue()
    assert len(keys) > 40
    assert sorted(k for k in keys if not words.has(k)) == []


def test_keys_that_are_put_together_are_in_the_catalogue():
    words = load_catalogue()
    wanted = [f"zones.{p}" for key in ZONE_CODES for p in (f"headline.{key}", f"{key}.label", f"{key}.plain")]
    wanted += [f"common.{group}.{o}" for o in OPTIONS for group in ("option", "option_short", "option_text")]
    wanted += [f"caution.{key}_{part}" for key in cautions() for part in ("name", "text")]
    assert [k for k in wanted if not words.has(k)] == []


def test_a_translation_is_one_file(tmp_path):
    words = load_catalogue("xx", translated(tmp_path, lambda t: t.replace('"no data"', '"keine Daten"')))
    assert words.t("common.no_data") == "keine Daten"
    assert words.t("zones.either.label") == "L either"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda t: t.replace('no_data = "no data"\n', ""), "common.no_data"),
        (lambda t: t.replace("{count} in {total} years", "{count} in {sum} years"), "sum"),
        (lambda t: re.sub(r"months = \[.*?\]", 'months = ["Jan"]', t), "common.months"),
        (lambda t: t + "\nx = ", "cannot be read"),
    ],
    ids=["missing text", "unknown placeholder", "eleven months short", "broken file"],
)
def test_a_bad_translation_says_what_is_wrong(tmp_path, change, says):
    with pytest.raises(StudyError, match=says):
        load_catalogue("xx", translated(tmp_path, change))


@pytest.mark.parametrize("tag", ["../en", "zz", "", "e n"])
def test_an_unknown_language_is_refused(tag):
    with pytest.raises(StudyError, match="language"):
        load_catalogue(tag)


def test_placeholders():
    assert placeholders("{a} of {b:.1f}, {{c}}") == {"a", "b"}
