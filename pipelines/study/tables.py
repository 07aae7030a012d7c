"""Read the agronomist's tables of `shared/` and hand them to the library, with a study's changes laid over them."""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from geo.balance import BalanceSettings, pack_mix, pack_settings
from geo.errors import StudyError
from geo.model_rules import ModelRules
from geo.rating import ZoneRules
from pipelines.study.file import Study
from pipelines.study.house import shared_dir, shared_toml
from pipelines.study.words import did_you_mean

DRYLAND_ONLY = ("planting_gap_max_mm", "shortfall_max", "target_share", "ground_cover_min")
"""Rules that irrigated fields cannot have of their own: the water tests are waived, years are counted once."""


@dataclass(frozen=True)
class Tables:
    """The reference tables, checked, with the study's changes.

    `scalars`, `mixes`, `rules` and `model` are the tables ``water_balance``, ``cover_mixes``, ``zone_rules`` and
    ``model_rules``, `traits` is ``cover_traits.csv``. `curve_numbers` has the index ``cn_fallow``, ``cn_cover`` and
    the columns A to D; `rew_mm` is the readily evaporable water by surface texture; `digest` the SHA-256 over the
    files. With `weeds` the study leaves its stubble unsprayed.
    """

    scalars: Mapping[str, Mapping[str, Any]]
    mixes: Mapping[str, Mapping[str, Any]]
    rules: Mapping[str, Mapping[str, Any]]
    traits: pd.DataFrame
    model: ModelRules
    curve_numbers: pd.DataFrame
    rew_mm: Mapping[str, float]
    digest: str
    weeds: bool = False

    def settings(self) -> BalanceSettings:
        """Pack what the water balance needs."""
        return pack_settings(self.scalars, self.mixes, self.traits, weeds=self.weeds)


def load_tables(study: Study | None = None, folder: Path | None = None) -> Tables:
    """Read the tables and lay a study's ``[parameters]`` and ``[mixes]`` over them.

    Raises
    ------
    StudyError
        A table is missing or broken, or the study names an unknown parameter or goes outside a range.
    """
    folder = folder or shared_dir()
    scalars = shared_toml("water_balance.toml", folder)
    mixes = shared_toml("cover_mixes.toml", folder)
    rules = shared_toml("zone_rules.toml", folder)
    model = shared_toml("model_rules.toml", folder)
    traits = pd.read_csv(folder / "cover_traits.csv", keep_default_na=False)
    for column in ("value", "low", "high"):
        traits[column] = pd.to_numeric(traits[column])
    numbers = pd.read_csv(folder / "curve_numbers.csv", keep_default_na=False)
    numbers = numbers[numbers["use"] != ""].set_index("use")[list("ABCD")].astype(float)
    if study is not None:
        scalars, model, mixes = _with_changes(scalars, model, mixes, study)
        _check_mixes(mixes, traits, study)
    surface = pd.read_csv(folder / "soil_surface.csv", index_col="texture")
    rew = surface[["rew_low_mm", "rew_high_mm"]].mean(axis=1).to_dict()
    digest = hashlib.sha256()
    for path in sorted(p for p in folder.glob("*") if p.is_file()):
        digest.update(path.name.encode() + path.read_bytes())
    weeds = study is not None and study.stubble.weeds == "unsprayed"
    return Tables(
        scalars, mixes, rules, traits, ModelRules.from_table(model), numbers, rew, digest.hexdigest(), weeds
    )


def _with_changes(
    scalars: dict[str, Any], model: dict[str, Any], mixes: dict[str, Any], study: Study
) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    scalars, model, mixes = copy.deepcopy(scalars), copy.deepcopy(model), copy.deepcopy(mixes)
    for name, value in study.parameters.items():
        table = next((t for t in (scalars, model) if name in t), None)
        if table is None:
            allowed = sorted({*scalars, *model})
            raise StudyError(
                f"There is no parameter called {name!r}.{did_you_mean(name, allowed)}",
                f"{study.place('parameters', name)}: [parameters]",
                "Allowed: " + ", ".join(allowed) + ".",
            )
        row = table[name]
        if not row["low"] <= value <= row["high"]:
            raise StudyError(
                f"{name} = {value:g} is outside its published range.",
                f"{study.place('parameters', name)}: [parameters]",
                f"Give a value from {row['low']:g} to {row['high']:g} {row['unit']}.",
            )
        table[name] = {**row, "value": value, "source": f"study file (default {row['value']:g}: {row['source']})"}
    for name, change in study.mixes.items():
        mixes[name] = {**mixes[name], **change.model_dump(exclude_none=True)}
    return scalars, model, mixes


def _check_mixes(mixes: dict[str, Any], traits: pd.DataFrame, study: Study) -> None:
    """Tell a fault of a changed mix before any layer is read."""
    for name in study.mixes:
        try:
            pack_mix(name, mixes[name], traits)
        except StudyError as error:
            groups = mixes[name]["groups"]
            near = "".join(did_you_mean(g, set(traits["group"])) for g in groups if g not in set(traits["group"]))
            place = study.place("mixes", name, "groups")
            raise StudyError(error.what + near, f"{place}: [mixes.{name}] groups", error.fix) from None


def zone_rules(tables: Tables, study: Study) -> tuple[ZoneRules, ZoneRules]:
    """Return the rules for dryland and for irrigated fields.

    Raises
    ------
    StudyError
        An unknown rule, a value outside its range, or an irrigated rule that could change nothing.
    """
    idle = [name for name in study.irrigated_rules if name in DRYLAND_ONLY]
    if idle:
        raise StudyError(
            f"{idle[0]} cannot differ for irrigated fields.",
            f"{study.place('irrigated_rules', idle[0])}: [irrigated_rules]",
            "Their water tests are waived, and the cover target is that of [rules]: take the line out.",
        )
    return (
        _rules(tables, study, "rules", study.rules),
        _rules(tables, study, "irrigated_rules", {**study.rules, **study.irrigated_rules}),
    )


def _rules(tables: Tables, study: Study, table: str, changes: dict[str, float]) -> ZoneRules:
    """Return rules with a study's changes; a fault names its line in the study file."""
    for name, value in changes.items():
        try:
            ZoneRules.from_table(tables.rules, **{name: value})
        except StudyError as error:
            near = "" if name in tables.rules else did_you_mean(name, tables.rules)
            raise StudyError(error.what + near, f"{study.place(table, name)}: [{table}] {name}", error.fix) from None
    return ZoneRules.from_table(tables.rules, **changes)
