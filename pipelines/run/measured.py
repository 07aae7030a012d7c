"""Measured soil water beside the modelled: what a run keeps of it, in two tables."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

ALL_FEET = 0
"""Number of the layer that means all measured feet together."""
SOUNDING = ("place", "longitude", "latitude", "date", "option")
"""What identifies a sounding; all its readings lie below one another."""


@dataclass(frozen=True)
class Measured:
    """Own measurements and what the model says at the same place, on the same day, under the same option.

    Attributes
    ----------
    compared : DataFrame
        One row a sounding and layer (1 to 4; `ALL_FEET` for the measured feet together). Columns `SOUNDING`;
        ``name`` of the place; ``is_field``; ``after_harvest`` (days); ``harvest_year``; ``layer``; ``measured_mm``;
        ``measured_share`` (0-1 of the layer); ``capacity_mm``; ``assumed`` (the wilting point is the surface's);
        ``mean_mm`` over the seasons, ``p10_mm`` and ``p90_mm`` (tenth and ninetieth year of a hundred); ``own_mm``,
        the water of that very season where the weather is a record that holds it, else NaN. All mm are
        plant-available water; the measured feet add up to `ALL_FEET` except for the tenth and the ninetieth year.
    starts : DataFrame
        One row a place and option: ``place``, ``name``, ``is_field``, ``date``, ``after_harvest`` (days, negative
        before harvest), ``feet`` (measured), ``measured_mm`` and ``modelled_mm`` (of those feet at harvest),
        ``option``, and of the answer as modelled, and with ``_start`` from the measured start: ``zone_code``,
        ``planting_water_mm``, ``planting_gap_mm``, ``shortfall_years``. Means over the seasons.
    rows, used : int
        Rows of the file, and those that a number rests on; the rest is listed among the problems.
    kind : str
        How the water was measured (`pipelines.read.measurements.soundings.WATER_KEYS`).
    """

    compared: pd.DataFrame
    starts: pd.DataFrame
    rows: int
    used: int
    kind: str


def measured_table(measured: Measured) -> pd.DataFrame:
    """Return the comparison with published column names (`shared/columns.csv`), one row a sounding and layer."""
    names = {
        "place": "place", "name": "name", "longitude": "longitude", "latitude": "latitude", "date": "measured_on",
        "option": "option", "harvest_year": "season", "after_harvest": "days_after_harvest",
        "layer": "measured_layer", "measured_share": "measured_share", "measured_mm": "measured_water_mm",
        "mean_mm": "modelled_water_mm", "p10_mm": "modelled_water_mm_p10", "p90_mm": "modelled_water_mm_p90",
        "own_mm": "modelled_season_water_mm", "capacity_mm": "layer_capacity_mm", "assumed": "wilting_point_assumed",
    }  # fmt: skip
    table = measured.compared[list(names)].rename(columns=names)
    return table.assign(measured_on=pd.DatetimeIndex(table["measured_on"]).strftime("%Y-%m-%d"))


def save_measured(measured: Measured, folder: Path) -> None:
    """Write the tables to a folder that exists."""
    compared = measured.compared.copy()
    compared.attrs = {"rows": measured.rows, "used": measured.used, "kind": measured.kind}
    compared.to_parquet(folder / "measured.parquet")
    measured.starts.to_parquet(folder / "measured_starts.parquet")


def forget_measured(folder: Path) -> None:
    """Take away the tables of an earlier run from an output folder."""
    for name in ("measurements.csv", "data/measured.parquet", "data/measured_starts.parquet"):
        (folder / name).unlink(missing_ok=True)


def load_measured(folder: Path) -> Measured | None:
    """Read the tables that `save_measured` wrote; None when the run had no measurements."""
    if not (folder / "measured.parquet").exists():
        return None
    compared = pd.read_parquet(folder / "measured.parquet")
    facts = dict(compared.attrs)
    compared.attrs = {}
    starts = pd.read_parquet(folder / "measured_starts.parquet")
    return Measured(compared, starts, int(facts["rows"]), int(facts["used"]), str(facts["kind"]))
