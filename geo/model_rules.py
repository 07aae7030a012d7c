"""Thresholds of the model on the side of weather and outcomes; ranges and sources: ``shared/model_rules.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from geo.rule_table import rule_values


@dataclass(frozen=True, slots=True)
class ModelRules:
    """Values of ``shared/model_rules.toml``; the defaults here are the table's (a test holds them equal)."""

    killing_freeze_c: float = -2.2
    snow_all_below_c: float = 0.0
    snow_none_above_c: float = 2.0
    ground_memory_days: float = 10.0
    frozen_below_c: float = -0.5
    decay_optimum_c: float = 32.0
    dewpoint_offset_c: float = 3.0
    dewpoint_dry_index: float = 0.20
    dewpoint_humid_index: float = 0.65
    daytime_share: float = 0.66
    alive_share: float = 0.5
    dead_share: float = 0.05
    heat_base_c: float = 4.4
    least_fall_gap_mm: float = 5.0
    curve_number_spread: float = 5.0
    dry_spring_share: float = 0.5
    spring_gain_min: float = 0.1

    @classmethod
    def from_table(cls, table: Mapping[str, Mapping[str, Any]], where: str = "shared/model_rules.toml") -> ModelRules:
        """Check the table and take its values.

        Raises
        ------
        StudyError
            For a row without unit or source, a value outside its range, or a name that the model does not know.
        """
        return cls(**rule_values(table, [f.name for f in fields(cls)], where))


DEFAULT_RULES = ModelRules()
