"""The agronomist's tables: complete, inside their own ranges, with a source for each row, and changed by a study."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pandas as pd
import pytest

from geo.errors import StudyError
from geo.rating.rule import ZoneRules
from pipelines.study.file import Study
from pipelines.study.house import shared_dir
from pipelines.study.tables import load_tables, zone_rules


def _study(**tables: object) -> Study:
    base = {"study": {"name": "a"}, "soils": {"path": "s"}, "climate": {"path": "c"}}
    return Study.model_validate(base | tables)


@pytest.mark.parametrize("name", ["water_balance.toml", "zone_rules.toml"])
def test_each_row_has_value_range_unit_and_source(name: str) -> None:
    table = tomllib.loads((shared_dir() / name).read_text(encoding="utf-8"))
    for key, row in table.items():
        assert row["low"] <= row["value"] <= row["high"], key
        assert row["unit"], key
        assert row["source"], key
        assert row["meaning"], key


def test_each_trait_has_value_range_unit_and_source() -> None:
    traits = pd.read_csv(shared_dir() / "cover_traits.csv", keep_default_na=False)
    for column in ("group", "trait", "unit", "source"):
        assert (traits[column].astype(str) != "").all(), column
    numbers = traits[["low", "value", "high"]].astype(float)
    assert (numbers["low"] <= numbers["value"]).all()
    assert (numbers["value"] <= numbers["high"]).all()
    assert not traits.duplicated(["group", "trait"]).any()


def test_mix_shares_add_to_one_and_no_mix_has_a_bonus() -> None:
    """No bonus: replicated trials found none (Nielsen et al. 2015; Hendrickson et al. 2021)."""
    for name, mix in load_tables().mixes.items():
        assert sum(mix["groups"].values()) == pytest.approx(1.0), name
        assert mix["mix_water_bonus"] == 0.0, name


@pytest.mark.parametrize(
    ("use", "numbers"),
    [
        pytest.param(
            "cn_fallow", [74, 83, 88, 90], id="USDA TR-55 1986 table 2-2b fallow, crop residue, good, from memory"
        ),
        pytest.param(
            "cn_cover", [60, 72, 80, 84], id="USDA TR-55 1986 table 2-2b small grain SR + CR, good, from memory"
        ),
    ],
)
def test_curve_numbers_are_those_of_the_handbook(use: str, numbers: list[float]) -> None:
    assert load_tables().curve_numbers.loc[use].tolist() == numbers


def test_curve_numbers_rise_from_a_to_d() -> None:
    numbers = load_tables().curve_numbers
    assert (numbers[list("ABCD")].diff(axis=1).iloc[:, 1:] > 0).all().all()


def test_readily_evaporable_water_rises_from_sand_to_clay() -> None:
    """Allen et al. 1998, FAO-56 table 19: sand 2-7 mm, silt loam 8-11 mm, clay 8-12 mm."""
    rew = load_tables().rew_mm
    assert 2 <= rew["sand"] <= 7
    assert 8 <= rew["silt loam"] <= 11
    assert 8 <= rew["clay"] <= 12


def test_a_study_changes_a_parameter_and_says_so() -> None:
    plain = load_tables()
    changed = load_tables(_study(parameters={"kc_max": 1.1}))
    assert changed.scalars["kc_max"]["value"] == 1.1
    assert "study file" in changed.scalars["kc_max"]["source"]
    assert plain.scalars["kc_max"]["value"] == 1.2
    assert changed.digest == plain.digest


def test_a_study_changes_a_mix_and_leaves_the_rest() -> None:
    changed = load_tables(_study(mixes={"overwinter": {"groups": {"winter_cereal": 1.0}}})).mixes
    assert changed["overwinter"]["groups"] == {"winter_cereal": 1.0}
    assert changed["overwinter"]["density"] == load_tables().mixes["overwinter"]["density"]
    assert changed["winter_killed"] == load_tables().mixes["winter_killed"]


def test_rules_are_those_of_the_table_and_irrigated_ones_follow_unless_named() -> None:
    dryland, irrigated = zone_rules(load_tables(), _study())
    assert dryland == irrigated == ZoneRules()
    dryland, irrigated = zone_rules(
        load_tables(), _study(rules={"season_min": 0.6}, irrigated_rules={"survival_min": 0.8})
    )
    assert (dryland.season_min, irrigated.season_min) == (0.6, 0.6)
    assert (dryland.survival_min, irrigated.survival_min) == (0.7, 0.8)


@pytest.mark.parametrize("name", ["planting_gap_max_mm", "shortfall_max", "target_share", "ground_cover_min"])
def test_an_irrigated_rule_that_changes_nothing_is_refused(name: str) -> None:
    with pytest.raises(StudyError, match=name):
        zone_rules(load_tables(), _study(irrigated_rules={name: 0.3}))


def test_the_digest_follows_the_content(tmp_path: Path) -> None:
    copy = tmp_path / "shared"
    shutil.copytree(shared_dir(), copy)
    assert load_tables(folder=copy).digest == load_tables().digest
    rules = copy / "zone_rules.toml"
    rules.write_text(rules.read_text(encoding="utf-8") + "\n# looked at\n", encoding="utf-8")
    assert load_tables(folder=copy).digest != load_tables().digest


@pytest.mark.parametrize(
    ("name", "text", "what"),
    [
        pytest.param("zone_rules.toml", None, "missing", id="missing table"),
        pytest.param("water_balance.toml", "[kc_max", "not valid TOML", id="broken table"),
    ],
)
def test_broken_tables_are_told(tmp_path: Path, name: str, text: str | None, what: str) -> None:
    copy = tmp_path / "shared"
    shutil.copytree(shared_dir(), copy)
    (copy / name).unlink()
    if text is not None:
        (copy / name).write_text(text)
    with pytest.raises(StudyError, match=what) as caught:
        load_tables(folder=copy)
    assert caught.value.fix


@pytest.mark.parametrize(("weeds", "grown"), [("sprayed", False), ("unsprayed", True)])
def test_a_study_says_whether_its_stubble_is_sprayed(weeds: str, grown: bool) -> None:
    settings = load_tables(_study(stubble={"weeds": weeds})).settings()
    assert (settings.stubble_weeds is not None) == grown
    assert load_tables().settings().stubble_weeds is None
