"""Thresholds of weather and outcomes: the table is the truth, the defaults repeat it, a study may change it."""

from __future__ import annotations

import tomllib
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from geo.balance.simulate import pack_days, snow_share
from geo.errors import StudyError
from geo.model_rules import DEFAULT_RULES, ModelRules
from pipelines.study.file import load_study
from pipelines.study.house import shared_dir
from pipelines.study.tables import load_tables
from tests.pipelines.tiny_study import write_tiny_study
from tests.water import champion_weather


def table() -> dict:
    return tomllib.loads((shared_dir() / "model_rules.toml").read_text(encoding="utf-8"))


def test_defaults_repeat_the_table() -> None:
    assert asdict(ModelRules.from_table(table())) == asdict(DEFAULT_RULES)


@pytest.mark.parametrize(
    ("row", "change", "told"),
    [
        pytest.param("killing_freeze_c", {"source": ""}, "has no source", id="a row without source"),
        pytest.param("alive_share", {"value": 2.0}, "outside its own range", id="a value outside its range"),
    ],
)
def test_a_bad_row_is_named(row: str, change: dict, told: str) -> None:
    rows = table()
    rows[row] |= change
    with pytest.raises(StudyError, match=told):
        ModelRules.from_table(rows)


def test_an_unknown_row_is_refused() -> None:
    with pytest.raises(StudyError, match="does not match"):
        ModelRules.from_table({**table(), "colour_of_the_barn": table()["alive_share"]})


def test_a_study_changes_a_threshold_and_the_days_follow(tmp_path: Path) -> None:
    study, _ = load_study(write_tiny_study(tmp_path, more="\n[parameters]\nsnow_none_above_c = 4.0\n"))
    changed = load_tables(study).model
    assert changed.snow_none_above_c == 4.0
    assert snow_share(np.array([2.0]), changed)[0] == pytest.approx(0.5)
    weather = champion_weather((1990, 1992))
    usual, other = (pack_days(weather, rules)["snow_mm"].sum() for rules in (DEFAULT_RULES, changed))
    assert other > usual
