"""The text catalogue: every key is there, every mistake is named."""

from __future__ import annotations

import re
import string
from pathlib import Path

import pytest

from geo.errors import StudyError
from geo.options import OPTIONS
from geo.rating.rule import ZONE_CODES
from pipelines.study.field_tables import cautions
from pipelines.study.words import Catalogue, load_catalogue

PIPELINES = Path(__file__).resolve().parents[2] / "pipelines"


def test_an_unknown_key_is_named():
    with pytest.raises(StudyError, match="field.no_such_text"):
        load_catalogue().t("field.no_such_text")


def test_a_missing_value_is_named():
    with pytest.raises(StudyError, match="name"):
        load_catalogue().t("field.title")


@pytest.mark.parametrize("hostile", ["{0}", "{x.__class__}", "{{7*7}}", "%s", "{"])
def test_values_are_not_read_as_placeholders(hostile):
    assert hostile in load_catalogue().t("field.title", name=hostile)


@pytest.mark.parametrize("text", ["a {b", "a {0} b"])
def test_a_broken_text_is_named(text):
    with pytest.raises(StudyError, match="'k' cannot be filled in"):
        Catalogue({"k": text}).t("k", b=1)


def test_lists_and_texts_are_told_apart():
    words = load_catalogue()
    assert len(words.items("common.months")) == 12
    with pytest.raises(StudyError, match="no text 'common.months'"):
        words.t("common.months")
    with pytest.raises(StudyError, match="no list of texts 'common.no_data'"):
        words.items("common.no_data")


def test_no_text_is_broken():
    for key, text in load_catalogue().entries.items():
        for part in [text] if isinstance(text, str) else text:
            assert all(not name or name.isidentifier() for _, name, _, _ in string.Formatter().parse(part)), key


def literal_keys() -> set[str]:
    """Keys that the code, and the templates of the field pages, ask for in full."""
    in_full = r"""t\(\s*["']([a-z_]+(?:\.[a-z_]+)+)["']"""
    files = [(path, r"\bwords\." + in_full) for path in PIPELINES.rglob("*.py")]
    files += [(path, r"\b" + in_full) for path in PIPELINES.rglob("field*.j2")]
    return {key for path, pattern in files for key in re.findall(pattern, path.read_text(encoding="utf-8"))}


def test_every_key_that_is_asked_for_is_in_the_catalogue():
    keys, words = literal_keys(), load_catalogue()
    assert len(keys) > 40
    assert sorted(keys - set(words.entries)) == []


def test_keys_that_are_put_together_are_in_the_catalogue():
    words = load_catalogue()
    wanted = [f"zones.{p}" for key in ZONE_CODES for p in (f"headline.{key}", f"{key}.label", f"{key}.plain")]
    wanted += [f"common.{group}.{o}" for o in OPTIONS for group in ("option", "option_short", "option_text")]
    wanted += [f"caution.{key}_{part}" for key in cautions() for part in ("name", "text")]
    assert [k for k in wanted if k not in words.entries] == []
