"""Sets of parameters that span the published ranges, to say how sure a zone is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo.balance.kernel.records import PARAMETER_NAMES
from geo.balance.parameters import BalanceSettings
from geo.model_rules import DEFAULT_RULES, ModelRules

KILL_TRAITS = ("kill_c", "kill_hardened_c", "kill_three_nights_c")
SEED = 1


@dataclass(frozen=True, slots=True)
class Axis:
    """One direction in which the parameters are uncertain.

    Attributes
    ----------
    name : str
        A scalar of ``shared/water_balance.toml``, ``trait:NAME`` for a trait of every cover group, or
        ``curve_number``.
    low, high : float
        Ends: a value for scalars, a factor for traits (degC for killing temperatures), a shift for curve numbers.
    label : str
        Plain words.
    """

    name: str
    low: float
    high: float
    label: str


def uncertain_axes(
    scalars: dict[str, dict[str, float]], traits: pd.DataFrame, model: ModelRules = DEFAULT_RULES
) -> list[Axis]:
    """Return the axes: evaporation under residue, storage, snow, roots, Kcb, canopy, killing temperature, runoff.

    The ends are the ``low`` and ``high`` of the shared tables; for traits the median of low/value and high/value over
    the groups, so that one number moves all groups together.

    Parameters
    ----------
    scalars : mapping
        Rows of ``shared/water_balance.toml`` by name.
    traits : DataFrame
        Rows of ``shared/cover_traits.csv``.
    model : ModelRules
        Spread of the curve numbers.

    Returns
    -------
    list of Axis
    """

    def scalar(name: str, label: str) -> Axis:
        return Axis(name, float(scalars[name]["low"]), float(scalars[name]["high"]), label)

    def trait(name: str, label: str) -> Axis:
        rows = traits[(traits["trait"] == name) & (traits["value"] != 0)]
        low, high = (rows["low"] / rows["value"]).median(), (rows["high"] / rows["value"]).median()
        return Axis(f"trait:{name}", float(low), float(high), label)

    kill = traits[traits["trait"] == "kill_c"]
    return [
        scalar("residue_evaporation_cut", "how much residue slows evaporation"),
        scalar("surface_drain_share", "how fast rain moves below the surface"),
        scalar("snow_catch_share", "how much snow the stubble holds"),
        scalar("run_in_water_share", "how much water the small grain had"),
        trait("root_max_mm", "how deep the cover roots"),
        trait("kcb_full", "how much water a full cover uses"),
        trait("half_cover_gdd", "how fast the cover closes"),
        Axis(
            "trait:kill_c",
            float((kill["low"] - kill["value"]).median()),
            float((kill["high"] - kill["value"]).median()),
            "how cold it must be to kill the cover",
        ),
        Axis("curve_number", -model.curve_number_spread, model.curve_number_spread, "how much rain runs off"),
    ]


def apply_axis(
    settings: BalanceSettings, soils: np.ndarray, axis: Axis, value: float
) -> tuple[BalanceSettings, np.ndarray]:
    """Return settings and soils with one axis moved to `value` (in the axis's own terms)."""
    if axis.name in PARAMETER_NAMES:
        return settings.changed(**{axis.name: value}), soils
    if axis.name == "trait:kill_c":
        for trait in KILL_TRAITS:
            settings = settings.scaled_trait(trait, value)
        return settings, soils
    if axis.name.startswith("trait:"):
        return settings.scaled_trait(axis.name.removeprefix("trait:"), value), soils
    if axis.name == "curve_number":
        moved = soils.copy()
        for use in ("cn_fallow", "cn_cover"):
            moved[use] = np.clip(soils[use] + value, 30.0, 98.0)
        return settings, moved
    raise KeyError(axis.name)


def sample_sets(axes: list[Axis], n: int, seed: int = SEED) -> np.ndarray:
    """Draw parameter sets by a Latin hypercube between the ends of each axis (McKay et al. 1979).

    Parameters
    ----------
    axes : list of Axis
    n : int
        Number of sets.
    seed : int

    Returns
    -------
    array (n, axis)
        In each axis's own terms.
    """
    from scipy.stats import qmc  # takes a second to load; most runs draw no sets

    unit = qmc.LatinHypercube(d=len(axes), seed=seed, optimization="random-cd").random(n)
    low = np.array([a.low for a in axes])
    high = np.array([a.high for a in axes])
    return low + unit * (high - low)


def apply_set(
    settings: BalanceSettings, soils: np.ndarray, axes: list[Axis], values: np.ndarray
) -> tuple[BalanceSettings, np.ndarray]:
    """Move settings and soils along every axis.

    Parameters
    ----------
    settings : BalanceSettings
    soils : record array (unit,)
        From `geo.balance.pack_soils`.
    axes : list of Axis
    values : array (axis,)
        One set of `sample_sets`.

    Returns
    -------
    settings : BalanceSettings
    soils : record array (unit,)
    """
    for axis, value in zip(axes, values, strict=True):
        settings, soils = apply_axis(settings, soils, axis, float(value))
    return settings, soils
