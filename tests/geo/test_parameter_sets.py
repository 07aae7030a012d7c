"""Sets of parameters that span the published ranges."""

from __future__ import annotations

import numpy as np
import pytest

from geo.balance.parameter_sets import (
    KILL_TRAITS,
    Axis,
    apply_axis,
    apply_set,
    sample_sets,
    uncertain_axes,
)
from tests.water import champion_weather, profile, run, settings, soils_of, tables, total


def axes() -> list[Axis]:
    return uncertain_axes(tables().scalars, tables().traits)  # type: ignore[arg-type]


def axis_named(name: str) -> Axis:
    return next(a for a in axes() if a.name == name)


def test_axes_span_the_shared_ranges_around_the_values():
    assert len(axes()) >= 6
    for axis in axes():
        assert axis.low < axis.high
        assert axis.label
        if axis.name in tables().scalars:
            row = tables().scalars[axis.name]
            assert (axis.low, axis.high) == (row["low"], row["high"])
        elif axis.name in ("curve_number", "trait:kill_c"):
            assert axis.low < 0.0 < axis.high
        else:
            assert axis.low < 1.0 < axis.high


def test_sets_fill_each_axis_evenly_and_repeat_with_their_seed():
    """A Latin hypercube puts one set in each of n equal slices of every axis (McKay, Beckman and Conover 1979)."""
    n = 16
    sets = sample_sets(axes(), n)
    assert sets.shape == (n, len(axes()))
    for column, axis in zip(sets.T, axes(), strict=True):
        slices = np.floor((column - axis.low) / (axis.high - axis.low) * n).astype(int)
        assert sorted(slices) == list(range(n))
    np.testing.assert_array_equal(sets, sample_sets(axes(), n))
    assert not np.array_equal(sets, sample_sets(axes(), n, seed=2))


@pytest.mark.parametrize("axis", axes(), ids=lambda a: a.name)
def test_each_axis_moves_only_itself_and_leaves_the_original_alone(axis):
    base, soils = settings(), soils_of(profile("loam"), profile("sand"))
    before, soils_before = base.parameters.copy(), soils.copy()
    moved, moved_soils = apply_axis(base, soils, axis, axis.high)
    np.testing.assert_array_equal(base.parameters, before)
    np.testing.assert_array_equal(soils, soils_before)
    if axis.name in tables().scalars:
        assert moved.value(axis.name) == axis.high
    elif axis.name == "curve_number":
        np.testing.assert_allclose(moved_soils["cn_fallow"], soils["cn_fallow"] + axis.high)
        np.testing.assert_allclose(moved_soils["cn_cover"], soils["cn_cover"] + axis.high)
        assert moved is base
    else:
        trait = axis.name.removeprefix("trait:")
        old, new = base.overwinter.groups[trait], moved.overwinter.groups[trait]
        np.testing.assert_allclose(new, old + axis.high if trait == "kill_c" else old * axis.high)


def test_killing_temperatures_move_together():
    """A plant that is hardier is hardier hardened, too, and over three nights."""
    moved, _ = apply_axis(settings(), soils_of(profile()), axis_named("trait:kill_c"), -2.0)
    for trait in KILL_TRAITS:
        np.testing.assert_allclose(moved.winter_killed.groups[trait], settings().winter_killed.groups[trait] - 2.0)


def test_curve_numbers_stay_possible():
    soils = soils_of({**profile(), "hydrologic_group": "D"})
    soils["cn_fallow"] = 97.0
    _, moved = apply_axis(settings(), soils, axis_named("curve_number"), 5.0)
    assert moved["cn_fallow"][0] == 98.0


def test_unknown_axes_are_refused():
    with pytest.raises(KeyError):
        apply_axis(settings(), soils_of(profile()), Axis("moon", 0.0, 1.0, "the moon"), 0.5)


def test_a_set_is_its_axes_in_turn():
    base, soils = settings(), soils_of(profile())
    values = sample_sets(axes(), 4)[2]
    together = apply_set(base, soils, axes(), values)
    step = (base, soils)
    for axis, value in zip(axes(), values, strict=True):
        step = apply_axis(*step, axis, float(value))
    np.testing.assert_array_equal(together[0].parameters, step[0].parameters)
    np.testing.assert_array_equal(together[1], step[1])


@pytest.mark.parametrize(
    ("name", "sign"),
    [
        pytest.param("trait:kcb_full", +1, id="a thirstier cover widens the gap"),
        pytest.param("residue_evaporation_cut", None, id="residue moves stored water"),
        pytest.param("surface_drain_share", None, id="storage moves stored water"),
    ],
)
def test_axes_matter_and_point_the_right_way(name, sign):
    weather, soils = champion_weather((1990, 2005)), soils_of(profile("silt loam"))
    axis = axis_named(name)
    water = []
    for value in (axis.low, axis.high):
        used, moved = apply_axis(settings(), soils, axis, value)
        water.append(total(run(weather, moved, used)["paw_mm"]).sel(check="planting").mean("season").squeeze())
    stubble = [float(w.sel(option="stubble")) for w in water]
    gap = [float(w.sel(option="stubble") - w.sel(option="overwinter_late")) for w in water]
    if sign:
        assert sign * (gap[1] - gap[0]) > 1.0
        assert stubble[0] == pytest.approx(stubble[1]), "stubble has no cover"
    else:
        assert stubble[1] > stubble[0] + 5.0, "more slowing of evaporation, or faster storage, leaves more"
