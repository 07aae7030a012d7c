"""The agronomist's tables, checked and packed into the records of the compiled balance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from geo.balance.kernel.records import GROUP, MAX_GROUPS, N_SUB, PARAMETER_NAMES, PARAMETERS, SOIL, SUB_THICKNESS_MM
from geo.errors import StudyError
from geo.profile import LAYER_MM
from geo.rule_table import rule_values

MIXES = ("winter_killed", "overwinter", "stubble_weeds")
_SHARE_TOLERANCE = 1e-6


@dataclass(frozen=True)
class Mix:
    """A cover mix ready to run.

    Attributes
    ----------
    groups : structured array of `GROUP`
    density : float
        1 = a full stand; the canopy limit scales with its square root (common practice, no source).
    water_bonus : float
        Share by which transpiration demand is cut; 0 unless a user tests the contested claim.
    """

    groups: np.ndarray
    density: float
    water_bonus: float


@dataclass(frozen=True)
class BalanceSettings:
    """Everything that the water balance needs besides soils and weather; without `stubble_weeds` stubble is clean."""

    parameters: np.ndarray
    winter_killed: Mix
    overwinter: Mix
    stubble_weeds: Mix | None = None

    def value(self, name: str) -> float:
        """Return one scalar parameter by name."""
        return float(self.parameters[name][0])

    def changed(self, **changes: float) -> BalanceSettings:
        """Return a copy with other scalar values (unknown names raise ``KeyError``)."""
        parameters = self.parameters.copy()
        for name, value in changes.items():
            if name not in PARAMETER_NAMES:
                raise KeyError(name)
            parameters[name] = value
        return replace(self, parameters=parameters)

    def scaled_trait(self, trait: str, factor: float) -> BalanceSettings:
        """Return a copy with one trait of every group multiplied (killing temperatures: shifted) by `factor`."""

        def change(mix: Mix) -> Mix:
            groups = mix.groups.copy()
            groups[trait] = groups[trait] + factor if trait.startswith("kill") else groups[trait] * factor
            return replace(mix, groups=groups)

        weeds = None if self.stubble_weeds is None else change(self.stubble_weeds)
        return replace(
            self, winter_killed=change(self.winter_killed), overwinter=change(self.overwinter), stubble_weeds=weeds
        )


def pack_parameters(table: Mapping[str, Mapping[str, Any]], where: str = "shared/water_balance.toml") -> np.ndarray:
    """Pack the scalar table into one `PARAMETERS` record (array of length 1)."""
    values = rule_values(table, PARAMETER_NAMES, where)
    packed = np.zeros(1, PARAMETERS)
    for name in PARAMETER_NAMES:
        packed[name] = values[name]
    return packed


def pack_mix(name: str, mix: Mapping[str, Any], traits: pd.DataFrame, column: str = "value") -> Mix:
    """Pack one mix of cover groups.

    Parameters
    ----------
    name : str
        Name of the mix, for messages.
    mix : mapping
        ``groups`` (group to share, 0-1, adding to 1); optional ``density`` and ``mix_water_bonus``.
    traits : DataFrame
        One row a group and trait: ``group``, ``trait``, ``value``, ``low``, ``high``; units in
        ``shared/cover_traits.csv``.
    column : str
        The column of `traits` to take.

    Returns
    -------
    Mix

    Raises
    ------
    StudyError
        Too many groups, shares that do not add to 1, or an unknown group.
    """
    where = f"shared/cover_mixes.toml [{name}]"
    shares = mix["groups"]
    if not 1 <= len(shares) <= MAX_GROUPS:
        raise StudyError(f"A mix has 1 to {MAX_GROUPS} groups; this one has {len(shares)}.", where, "Merge some.")
    if abs(sum(shares.values()) - 1.0) > _SHARE_TOLERANCE:
        raise StudyError(f"The shares add to {sum(shares.values()):g}.", where, "Make them add to 1.")
    wide = traits.pivot(index="group", columns="trait", values=column)
    unknown = [g for g in shares if g not in wide.index]
    if unknown:
        raise StudyError(
            f"There is no cover group called {unknown[0]!r}.", where, "Groups: " + ", ".join(wide.index) + "."
        )
    groups = np.zeros(len(shares), GROUP)
    for k, (group, share) in enumerate(shares.items()):
        groups["share"][k] = share
        for trait in GROUP.names or ():
            if trait != "share":
                groups[trait][k] = float(wide.loc[group, trait])
    return Mix(groups, float(mix.get("density", 1.0)), float(mix.get("mix_water_bonus", 0.0)))


def pack_settings(
    scalars: Mapping[str, Mapping[str, Any]],
    mixes: Mapping[str, Mapping[str, Any]],
    traits: pd.DataFrame,
    *,
    weeds: bool = False,
) -> BalanceSettings:
    """Check the three tables of the balance and pack them.

    Parameters
    ----------
    scalars : mapping
        Rows of ``shared/water_balance.toml``: name to ``value``, ``unit``, ``low``, ``high``, ``source``.
    mixes : mapping
        Rows of ``shared/cover_mixes.toml``.
    traits : DataFrame
        Rows of ``shared/cover_traits.csv``.
    weeds : bool
        The stubble is not sprayed, so that weeds grow on it.

    Returns
    -------
    BalanceSettings

    Raises
    ------
    StudyError
        A value outside its own range, a row without source, or a mix that cannot be packed.
    """
    outside = traits[(traits["value"] < traits["low"]) | (traits["value"] > traits["high"])]
    if len(outside):
        row = outside.iloc[0]
        raise StudyError(
            f"{row['group']} {row['trait']} = {row['value']} lies outside its own range.",
            "shared/cover_traits.csv",
            "Correct the value, or widen the range and give its source.",
        )
    if traits["source"].isna().any() or (traits["source"].astype(str).str.strip() == "").any():
        row = traits[traits["source"].isna() | (traits["source"].astype(str).str.strip() == "")].iloc[0]
        raise StudyError(
            f"{row['group']} {row['trait']} has no source.", "shared/cover_traits.csv", "Fill its source column."
        )
    packed = {name: pack_mix(name, mixes[name], traits) for name in MIXES}
    return BalanceSettings(
        pack_parameters(scalars),
        packed["winter_killed"],
        packed["overwinter"],
        packed["stubble_weeds"] if weeds else None,
    )


def slope_curve_number(cn2: np.ndarray, slope_percent: np.ndarray) -> np.ndarray:
    """Return curve numbers for the slope of the ground.

    CN2s = CN2 + (CN3 - CN2)/3 (1 - 2 exp(-13.86 s)), s = rise over run, CN3 = CN2 exp(0.00673 (100 - CN2)) (Williams
    1995; published curve numbers are for about 5 %). Where the slope is unknown (NaN) CN2 stays as it is.
    """
    slope = np.asarray(slope_percent, float) / 100.0
    cn3 = cn2 * np.exp(0.00673 * (100.0 - cn2))
    moved = cn2 + (cn3 - cn2) / 3.0 * (1.0 - 2.0 * np.exp(-13.86 * slope))
    return np.where(np.isnan(slope), cn2, moved)


def pack_soils(profiles: pd.DataFrame, rew_mm: Mapping[str, float], curve_numbers: pd.DataFrame) -> np.ndarray:
    """Pack profiles into `SOIL` records.

    Parameters
    ----------
    profiles : DataFrame
        Profile columns of `geo.soils.table.SoilTable`; ``slope_percent`` (optional) moves the curve numbers.
    rew_mm : mapping
        Readily evaporable water by surface texture (FAO-56 table 19); an unknown texture takes the mapping's
        value for "loam".
    curve_numbers : DataFrame
        Index ``cn_fallow`` and ``cn_cover``, columns A, B, C, D.

    Returns
    -------
    structured array of `SOIL`, one a profile
    """
    soils = np.zeros(len(profiles), SOIL)
    first = profiles["awc_1_mm"].to_numpy(float)
    depth = np.clip(profiles["root_limit_mm"].to_numpy(float), 1.0, None)
    top_share = SUB_THICKNESS_MM[0] / np.clip(depth, SUB_THICKNESS_MM[0], LAYER_MM)
    capacity = soils["capacity_mm"]
    capacity[:, 0] = first * top_share
    capacity[:, 1] = first - capacity[:, 0]
    for k in range(2, N_SUB):
        capacity[:, k] = profiles[f"awc_{k}_mm"].to_numpy(float)
    wilting = profiles["wp_surface"].to_numpy(float)
    soils["dry_mm"] = 0.5 * wilting * SUB_THICKNESS_MM[0]
    loam = rew_mm["loam"]
    texture = profiles["surface_texture"].astype(str).str.lower().str.strip()
    soils["rew_mm"] = texture.map(lambda t: rew_mm.get(t, loam)).to_numpy(float)
    soils["foot_wilting_mm"] = wilting * LAYER_MM
    soils["foot_saturated_mm"] = np.maximum(
        profiles["sat_surface"].to_numpy(float) * LAYER_MM, soils["foot_wilting_mm"] + first + 1.0
    )
    group = profiles["hydrologic_group"].astype(str).str[-1].where(lambda g: g.isin(list("ABCD")), "B")
    slope = profiles.get("slope_percent", pd.Series(np.nan, index=profiles.index)).to_numpy(float)
    for use in ("cn_fallow", "cn_cover"):
        soils[use] = slope_curve_number(group.map(curve_numbers.loc[use]).to_numpy(float), slope)
    soils["root_limit_mm"] = depth
    return soils
