"""The agronomist's tables: every row with unit, range and source; packing into the records of the balance."""

from __future__ import annotations

import copy

import numpy as np
import pandas as pd
import pytest

from geo.balance.kernel.records import GROUP, MAX_GROUPS, PARAMETER_NAMES, SUB_THICKNESS_MM
from geo.balance.parameters import pack_mix, pack_parameters, pack_settings, pack_soils
from geo.errors import StudyError
from geo.rule_table import check_table
from tests.water import profile, settings, soils_of, tables


def scalars() -> dict:
    return copy.deepcopy(dict(tables().scalars))


def test_settings_hold_every_parameter_of_the_table():
    table = {name: tables().scalars[name]["value"] for name in PARAMETER_NAMES}
    assert {name: settings().value(name) for name in PARAMETER_NAMES} == table


def test_tuned_parameters_say_what_they_were_fitted_to():
    tuned = {name: row for name, row in tables().scalars.items() if row.get("tuned")}
    assert tuned
    for name, row in tuned.items():
        assert "fitted" in row["source"], name


def test_every_trait_has_unit_range_and_source():
    traits = tables().traits
    assert (traits["unit"] != "").all()
    assert (traits["source"].str.strip() != "").all()
    assert ((traits["value"] >= traits["low"]) & (traits["value"] <= traits["high"])).all()
    wide = traits.pivot(index="group", columns="trait", values="value")
    assert set(wide.columns) == set(GROUP.names) - {"share"}
    assert not wide.isna().any().any()


@pytest.mark.parametrize("name", ["winter_killed", "overwinter"])
def test_shipped_mixes(name):
    mix = getattr(settings(), name)
    assert mix.groups["share"].sum() == pytest.approx(1.0)
    assert mix.density == 1.0
    assert mix.water_bonus == 0.0
    assert (mix.groups["kill_hardened_c"] <= mix.groups["kill_c"]).all(), "hardening never makes a plant more tender"


@pytest.mark.parametrize(
    ("change", "what"),
    [
        pytest.param({"unit": ""}, "has no unit", id="no unit"),
        pytest.param({"source": None}, "has no source", id="no source"),
        pytest.param({"value": 9.0}, "outside its own range", id="above the range"),
        pytest.param({"value": -1.0}, "outside its own range", id="below the range"),
        pytest.param({"low": ""}, "has no low", id="no low end"),
    ],
)
def test_bad_rows_are_named(change, what):
    table = scalars()
    table["kc_max"].update(change)
    with pytest.raises(StudyError, match=what) as caught:
        check_table(table, "shared/water_balance.toml")
    assert "kc_max" in str(caught.value)
    assert caught.value.where == "shared/water_balance.toml"
    assert caught.value.fix


def test_tables_that_do_not_fit_the_model_are_refused():
    missing, unknown = scalars(), scalars()
    del missing["kc_max"]
    unknown["kc_min"] = dict(unknown["kc_max"])
    for table, name in ((missing, "kc_max"), (unknown, "kc_min")):
        with pytest.raises(StudyError, match=name):
            pack_parameters(table)


@pytest.mark.parametrize(
    ("groups", "what"),
    [
        ({"cool_grass": 0.5, "brassica": 0.4}, "add to 0.9"),
        ({"cool_grass": 0.5, "unicorn": 0.5}, "unicorn"),
        ({}, "has 0"),
        ({f"g{k}": 1 / 7 for k in range(MAX_GROUPS + 1)}, "has 7"),
    ],
)
def test_bad_mixes_are_named(groups, what):
    with pytest.raises(StudyError, match=what) as caught:
        pack_mix("winter_killed", {"groups": groups}, tables().traits)
    assert "winter_killed" in caught.value.where


def test_traits_outside_their_range_or_without_source_stop():
    traits = tables().traits.copy()
    traits.loc[traits.index[3], "value"] = 1e6
    with pytest.raises(StudyError, match="outside its own range"):
        pack_settings(tables().scalars, tables().mixes, traits)
    for empty in ("  ", None):
        traits = tables().traits.copy()
        traits.loc[traits.index[3], "source"] = empty
        with pytest.raises(StudyError, match="no source"):
            pack_settings(tables().scalars, tables().mixes, traits)


def test_mixes_pack_in_the_order_of_their_groups():
    mix = pack_mix("x", {"groups": {"brassica": 0.25, "cool_grass": 0.75}, "density": 0.5}, tables().traits)
    wide = tables().traits.pivot(index="group", columns="trait", values="value")
    np.testing.assert_allclose(mix.groups["share"], [0.25, 0.75])
    np.testing.assert_allclose(mix.groups["kill_c"], wide.loc[["brassica", "cool_grass"], "kill_c"])
    assert mix.density == 0.5


def test_changes_leave_the_original_alone():
    base = settings()
    before = base.parameters.copy()
    other = base.changed(kc_max=1.25)
    assert other.value("kc_max") == 1.25
    np.testing.assert_array_equal(base.parameters, before)
    with pytest.raises(KeyError):
        base.changed(kc_maximum=1.0)


@pytest.mark.parametrize(("trait", "amount"), [("root_max_mm", 0.8), ("kill_c", -2.0), ("kill_hardened_c", 1.5)])
def test_traits_scale_and_killing_temperatures_shift(trait, amount):
    base = settings()
    moved = base.scaled_trait(trait, amount)
    for name in ("winter_killed", "overwinter"):
        old, new = getattr(base, name).groups, getattr(moved, name).groups
        wanted = old[trait] + amount if trait.startswith("kill") else old[trait] * amount
        np.testing.assert_allclose(new[trait], wanted)
        others = [n for n in GROUP.names or () if n != trait]
        for n in others:
            np.testing.assert_array_equal(old[n], new[n])


def test_profiles_become_sublayers():
    soil = soils_of(profile("silt loam"))[0]
    foot = (0.31 - 0.11) * 304.8
    np.testing.assert_allclose(soil["capacity_mm"], [foot * 100 / 304.8, foot * 204.8 / 304.8, foot, foot, foot])
    assert sum(SUB_THICKNESS_MM) == pytest.approx(4 * 304.8)
    assert soil["dry_mm"] == pytest.approx(0.5 * 0.11 * 100)
    assert soil["foot_wilting_mm"] == pytest.approx(0.11 * 304.8)
    assert soil["foot_saturated_mm"] == pytest.approx(0.48 * 304.8)


@pytest.mark.parametrize("feet", [0.2, 0.5, 1.0, 2.5, 4.0])
def test_no_water_is_lost_or_made_in_packing(feet):
    row = profile("loam", feet=feet)
    soil = soils_of(row)[0]
    assert soil["capacity_mm"].sum() == pytest.approx(sum(row[f"awc_{k}_mm"] for k in range(1, 5)))
    assert (soil["capacity_mm"] >= 0).all()
    assert soil["root_limit_mm"] == pytest.approx(feet * 304.8)


def test_a_soil_shallower_than_the_surface_layer_has_all_its_water_there():
    soil = soils_of({**profile("loam", feet=0.25)})[0]
    assert soil["capacity_mm"][0] == pytest.approx(soil["capacity_mm"].sum())


def test_saturation_always_has_room_for_the_capacity():
    soil = soils_of({**profile("loam"), "sat_surface": 0.2})[0]
    assert soil["foot_saturated_mm"] > soil["foot_wilting_mm"] + soil["capacity_mm"][:2].sum()


@pytest.mark.parametrize(
    ("group", "letter"), [("A", "A"), ("D", "D"), ("A/D", "D"), ("C/D", "D"), ("", "B"), (None, "B"), (np.nan, "B")]
)
def test_hydrologic_groups(group, letter):
    soil = soils_of({**profile(), "hydrologic_group": group})
    assert soil["cn_fallow"][0] == tables().curve_numbers.loc["cn_fallow", letter]


@pytest.mark.parametrize(
    ("texture", "same_as"), [("Silt Loam ", "silt loam"), ("SAND", "sand"), ("moon dust", "loam"), ("", "loam")]
)
def test_textures(texture, same_as):
    soil = soils_of({**profile(), "surface_texture": texture})
    assert soil["rew_mm"][0] == tables().rew_mm[same_as]


def test_packing_does_not_depend_on_the_index():
    rows = pd.DataFrame([profile("loam"), profile("sand")], index=["x", "y"])
    packed = pack_soils(rows, tables().rew_mm, tables().curve_numbers)
    np.testing.assert_array_equal(packed, soils_of(profile("loam"), profile("sand")))
