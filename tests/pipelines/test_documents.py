"""What the documents promise must hold: links lead somewhere, keys and defaults are those of the program."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from pipelines.cli import main as cli
from pipelines.show.legend import zone_legend
from pipelines.study.file import Study
from pipelines.study.house import shared_dir

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = [
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    *sorted(str(p.relative_to(ROOT)) for p in ROOT.glob("docs/**/*.md")),
]


def _text(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_link_leads_to_a_file(name: str) -> None:
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", _text(name)):
        if not target.startswith(("http:", "https:", "mailto:")):
            assert ((ROOT / name).parent / target).exists(), f"{name}: {target}"


@pytest.mark.parametrize("name", ["README.md", "docs/index.md", "docs/example_study/README.md"])
def test_every_command_in_the_documents_is_one_of_the_program(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    used = set(re.findall(r"^\W*springfill ([a-z]+)", _text(name), re.MULTILINE))
    used |= set(re.findall(r"`springfill ([a-z]+)", _text(name)))
    assert used
    for command in used:
        assert cli.run([command, "--help"]) == 0
        capsys.readouterr()


def test_the_two_commands_of_the_readme() -> None:
    commands = re.findall(r"^```\n(python -m pip .*)\n```$", _text("README.md"), re.MULTILINE)
    assert commands == [
        "python -m pip install . && springfill demo",
        "python -m pip install '.[test]' && python -m pytest",
    ]


def test_the_readme_lists_the_zones_by_their_own_names() -> None:
    text = _text("README.md")
    for zone in zone_legend():
        assert re.search(rf"^\| {zone.code} \| {re.escape(zone.label)} \|", text, re.MULTILINE), zone.label


def test_the_readme_states_the_evidence_and_defers() -> None:
    text = " ".join(_text("README.md").split())
    assert "mixes use no less water than a single species" in text
    for caution in ("insurance", "plant-back", "nitrate", "prussic acid", "erosion", "licensed advisers"):
        assert caution.lower() in text.lower()


def test_study_file_page_lists_every_table_key_and_rule() -> None:
    text = _text("docs/study_file.md")
    for table, field in Study.model_fields.items():
        assert f"[{table}" in text, table
        keys = getattr(field.annotation, "model_fields", None)
        for key in keys or ():
            assert re.search(rf"\b{key}\b", text), f"{table}.{key}"
    rules = tomllib.loads((shared_dir() / "zone_rules.toml").read_text(encoding="utf-8"))
    for name, row in rules.items():
        line = re.search(rf"^\| `{name}` \| ([\d.]+) \| ([\d.]+) to ([\d.]+) \|", text, re.MULTILINE)
        assert line, name
        assert [float(v) for v in line.groups()] == [row["value"], row["low"], row["high"]], name


@pytest.mark.parametrize("picture", sorted(p.name for p in (ROOT / "docs" / "pictures").glob("*.png")))
def test_pictures_are_small_and_shown_with_words(picture: str) -> None:
    assert (ROOT / "docs" / "pictures" / picture).stat().st_size < 200_000
    assert re.search(rf"!\[[^\]]{{20,}}\]\(docs/pictures/{re.escape(picture)}\)", _text("README.md"))
