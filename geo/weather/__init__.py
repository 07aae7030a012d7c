"""Daily weather: records checked and completed, reference evapotranspiration, years made from monthly normals."""

from __future__ import annotations

from geo.weather.air_humidity import growing_deficit
from geo.weather.daily import clean_daily, common_years, usable_years
from geo.weather.generator import generate_daily
from geo.weather.reference_et import daily_et0

__all__ = [
    "clean_daily",
    "common_years",
    "daily_et0",
    "generate_daily",
    "growing_deficit",
    "usable_years",
]
