"""House rule: every parameter says its unit and its source, and lies inside its own range.

A source is a publication, or one of the two honest answers: "common practice, no source" and "from memory".
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from pipelines.study.house import shared_dir
from tests.evaluation.inputs import HERE as EVALUATION

RANGED = {"water_balance.toml", "model_rules.toml", "zone_rules.toml"}
"""Tables in which every row must have a range."""
PARAMETER_TOML = [
    *(shared_dir() / name for name in sorted(RANGED | {"grazing.toml", "seeding_rate.toml", "cover_mixes.toml"})),
    EVALUATION / "trials.toml",
]
NOT_PARAMETERS = {
    "cautions.toml", "climate_sources.toml", "columns.csv", "fetch_sources.toml", "layer_notes.toml",
    "raster_layers.toml", "text_en.toml", "zones.toml",
}  # fmt: skip
"""Words, colours, names of columns and addresses: nothing that a result is reckoned with."""
SPREAD = {("low", "high"), ("rew_low_mm", "rew_high_mm"), ("tew_low_mm", "tew_high_mm"), ("fc_low", "fc_high"),
          ("wp_low", "wp_high"), ("band_low", "band_high")}  # fmt: skip
UNIT_IN_COLUMN_NAMES = {"soil_surface.csv", "soil_restrictions.csv"}


def rows_of(table: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield every innermost table that holds a number."""
    if isinstance(table, list):
        for k, entry in enumerate(table):
            yield from rows_of(entry, f"{path}[{k}]")
    elif isinstance(table, dict):
        numbers = [k for k, v in table.items() if isinstance(v, (int, float)) and not isinstance(v, bool)]
        if numbers and set(table) != set(numbers):
            yield path, table
        for key, entry in table.items():
            if isinstance(entry, (dict, list)):
                yield from rows_of(entry, f"{path}.{key}".strip("."))


CSV_FILES = [
    path
    for folder in (shared_dir(), EVALUATION)
    for path in sorted(folder.glob("*.csv"))
    if path.name not in NOT_PARAMETERS
]


def test_every_shared_table_is_known() -> None:
    """A new table is either a parameter table, and then checked here, or listed as words."""
    found = {p.name for p in shared_dir().glob("*.*") if p.suffix in (".toml", ".csv")}
    assert found <= {p.name for p in (*PARAMETER_TOML, *CSV_FILES)} | NOT_PARAMETERS


def test_the_reader_finds_rows() -> None:
    table = {
        "a": {"value": 1.0, "unit": "mm"},
        "row": [{"factor": 2, "source": "x"}],
        "words": {"label": "no number"},
    }
    assert [name for name, _ in rows_of(table)] == ["a", "row[0]"]


@pytest.mark.parametrize("path", PARAMETER_TOML, ids=lambda path: path.name)
def test_rows_have_source_and_unit_and_keep_their_range(path: Path) -> None:
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    rows = list(rows_of(table))
    assert len(rows) >= (len(table) if path.name in RANGED else 1)
    faults = [f"[{name}] {fault}" for name, row in rows for fault in faults_of(row, path.name in RANGED)]
    assert faults == []


def faults_of(row: dict[str, Any], ranged: bool) -> Iterator[str]:
    """Yield what a row lacks; `ranged` where it must have a range."""
    if not str(row.get("source", "")).strip():
        yield "has no source"
    if not row.get("unit") and not any(key.endswith(("_in_ft", "_mm", "_c")) for key in row):
        yield "has no unit"
    if ranged and not (row.get("meaning") and {"value", "low", "high"} <= set(row)):
        yield "is not complete"
    if {"value", "low", "high"} <= set(row) and not row["low"] <= row["value"] <= row["high"]:
        yield "lies outside its own range"


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({}, []),
        ({"source": " "}, ["has no source"]),
        ({"unit": ""}, ["has no unit"]),
        ({"meaning": ""}, ["is not complete"]),
        ({"value": 4.0}, ["lies outside its own range"]),
    ],
)
def test_a_fault_of_a_row_is_seen(change: dict[str, Any], fault: list[str]) -> None:
    row = {"value": 2.0, "low": 1.0, "high": 3.0, "unit": "mm", "source": "x", "meaning": "y"}
    assert list(faults_of(row | change, ranged=True)) == fault


@pytest.mark.parametrize("path", CSV_FILES, ids=lambda path: path.name)
def test_csv_rows_have_source_and_unit_and_keep_their_range(path: Path) -> None:
    file, table = path.name, pd.read_csv(path, keep_default_na=False)
    blank = table.index[table["source"].astype(str).str.strip() == ""]
    assert not len(blank), f"{file}: rows {list(blank)} have no source"
    if file not in UNIT_IN_COLUMN_NAMES and file != "soil_survey_columns.csv":
        missing = table.index[table["unit"].astype(str).str.strip() == ""]
        assert not len(missing), f"{file}: rows {list(missing)} have no unit"
    for low, high in SPREAD & {(a, b) for a in table for b in table}:
        assert (pd.to_numeric(table[low]) <= pd.to_numeric(table[high])).all(), f"{file}: {low} above {high}"
    if {"value", "low", "high"} <= set(table):
        value, low_end, high_end = (pd.to_numeric(table[k]) for k in ("value", "low", "high"))
        outside = table[(value < low_end) | (value > high_end)]
        assert outside.empty, f"{file}: outside their range: {outside[['group', 'trait']].to_dict('records')}"


def test_only_a_few_parameters_are_fitted_and_marked() -> None:
    table = tomllib.loads((shared_dir() / "water_balance.toml").read_text(encoding="utf-8"))
    marked = {name for name, row in table.items() if row.get("tuned")}
    said = {name for name, row in table.items() if "fitted" in row["source"]}
    assert marked == said
    assert len(marked) <= 6
