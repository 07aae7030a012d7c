"""The daily water balance of every response unit, option and season; parameters, parameter sets, any date."""

from __future__ import annotations

from geo.balance.parameter_sets import apply_set, sample_sets, uncertain_axes
from geo.balance.parameters import BalanceSettings, pack_mix, pack_settings, pack_soils
from geo.balance.simulate import killing_freeze, pack_days, simulate
from geo.balance.water_on_date import days_after_harvest, harvest_year, in_season, water_on

__all__ = [
    "BalanceSettings",
    "apply_set",
    "days_after_harvest",
    "harvest_year",
    "in_season",
    "killing_freeze",
    "pack_days",
    "pack_mix",
    "pack_settings",
    "pack_soils",
    "sample_sets",
    "simulate",
    "uncertain_axes",
    "water_on",
]
