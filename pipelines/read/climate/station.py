"""One weather station as the table readers hand it on."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True, slots=True)
class Station:
    """One station with its table in source units: index date (or month 1 to 12), columns variable keys."""

    id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    table: pd.DataFrame
