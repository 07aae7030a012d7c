"""The data dictionary: what each published column and variable means, in which unit, in two systems of units."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np
import pandas as pd

from geo.errors import StudyError
from geo.options import OPTIONS
from geo.rating import ZONE_NAMES
from pipelines.show.legend import zone_legend
from pipelines.study.house import shared_dir
from pipelines.study.unit_registry import UnitError
from pipelines.study.units import System, convert

OPTION_WORDS = MappingProxyType(
    {
        "stubble": "stubble",
        "winter_killed": "winter-killed mix",
        "overwinter_early": "overwintering mix ended early",
        "overwinter_late": "overwintering mix ended at planting",
    }
)
_SHOWN = {
    "1": "", "kg ha-1": "kg/ha", "lb acre-1": "lb/acre", "degC day": "degree days C", "degF day": "degree days F",
    "degrees_east": "degrees", "degrees_north": "degrees",
}  # fmt: skip
_YEARS = {
    "p10": ("tenth year of a hundred", "1 year in 10 is"),
    "p90": ("ninetieth year of a hundred", "9 years in 10 are"),
}


@dataclass(frozen=True, slots=True)
class Column:
    """One published column, band or variable.

    Attributes
    ----------
    name : str
        Name in the files of one unit system.
    label : str
        Title for people.
    unit : str
        Unit in CF notation; "" for text, "1" for shares, codes and counts.
    decimals : int or None
        Decimals that the value earns; None for text.
    origin, description, plain : str
        Where it comes from, what it is for an analyst, what it is for a grower.
    factor : float
        From the study's own (metric) value to this unit.
    shown_unit : str
        What headers and legends say instead of the unit "1".
    known : bool
        False for a column that is not in the dictionary (it came in with the user's own layer).
    """

    name: str
    label: str
    unit: str
    decimals: int | None
    origin: str
    description: str
    plain: str
    factor: float = 1.0
    shown_unit: str = ""
    known: bool = True

    @property
    def unit_label(self) -> str:
        """Unit for headers and legends; "" when there is none."""
        return self.shown_unit or _SHOWN.get(self.unit, self.unit)

    @property
    def titled(self) -> str:
        """Label with the unit in brackets."""
        return f"{self.label} [{self.unit_label}]" if self.unit_label else self.label

    @property
    def described(self) -> str:
        """Description that ends with the unit, for formats without a place for units."""
        return f"{self.description} [{self.unit_label}]" if self.unit_label else self.description


@lru_cache(maxsize=2)
def dictionary(system: System = "metric") -> MappingProxyType[str, Column]:
    """Return every column of `shared/columns.csv`, the patterns written out, by its metric name.

    A variable with an option dimension is found under its name without the option. The tenth and the ninetieth year
    of a column are found under its name with ``_p10`` and ``_p90``.

    Raises
    ------
    StudyError
        When a row has no place for its unit conversion.
    """
    zone_words = {z.key: z.label for z in zone_legend()}
    found: dict[str, Column] = {}
    with (shared_dir() / "columns.csv").open(encoding="utf-8", newline="") as handle:
        for row in csv.DictReader(handle):
            if "{option}" in row["name"]:
                spread = [("{option}", option, OPTION_WORDS[option]) for option in OPTIONS]
                spread.append(("_{option}", "", "the option"))
            elif "{zone}" in row["name"]:
                spread = [("{zone}", key, zone_words[key]) for key in ZONE_NAMES.values()]
            else:
                spread = [("{}", "", "")]
            for mark, key, word in spread:
                column = _column({k: _fill(k, v, mark, key, word) for k, v in row.items()}, system)
                name = row["name"].replace(mark, key)
                found |= {name: column} | {f"{name}_{year}": _in_year(column, year) for year in _YEARS}
    return MappingProxyType(found)


def _fill(heading: str, text: str, mark: str, key: str, word: str) -> str:
    """Write out one cell of a pattern row: the key in names, the words elsewhere."""
    if "name" in heading:
        return text.replace(mark, key)
    if heading == "label" and mark.startswith("_"):
        return text.replace(", {option}", "")
    return text.replace(mark.removeprefix("_"), word)


def _column(row: dict[str, str], system: System) -> Column:
    us = system == "us"
    factor = 1.0
    if us and row["unit"] != row["us_unit"]:
        try:
            factor = convert(1.0, row["unit"], row["us_unit"])
        except UnitError as error:
            raise StudyError(
                str(error),
                f"columns.csv, {row['name']}",
                "Use mm, ha, kg ha-1.",
            ) from None
    decimals = int(row["decimals"]) if row["decimals"] else None
    if us and row["us_unit"] == "in" and decimals is not None:
        decimals += 1
    return Column(
        name=row["us_name" if us else "name"], label=row["label"], unit=row["us_unit" if us else "unit"],
        decimals=decimals, origin=row["origin"], description=row["description"], plain=row["plain"], factor=factor,
        shown_unit=row["shown_unit"],
    )  # fmt: skip


def _in_year(column: Column, year: str) -> Column:
    label, years = _YEARS[year]
    text = re.sub(r",? (mean of|in half of) the years\b", "", column.description)
    return replace(
        column, name=f"{column.name}_{year}", label=f"{column.label}, {label}",
        description=f"{text} The {label}: {years} at or below it.",
        plain=f"{column.plain} In {years.rsplit(' ', 1)[0]} it is this much or less.",
    )  # fmt: skip


def describe(name: str, system: System = "metric") -> Column:
    """Return what is known of a column, by its metric name."""
    return dictionary(system).get(name) or Column(
        name=name, label=name.replace("_", " "), unit="", decimals=None, origin="your own layer",
        description="Came with the layer that was read; not changed.", plain="From your own file.", known=False,
    )  # fmt: skip


@lru_cache(maxsize=2)
def _by_own_name(system: System) -> MappingProxyType[str, Column]:
    return MappingProxyType({column.name: column for column in dictionary(system).values()})


def named(name: str, system: System) -> Column:
    """Return what is known of a column by its name in a system of units (``planting_gap_in_winter_killed``)."""
    return _by_own_name(system).get(name) or describe(name, system)


def in_units(frame: pd.DataFrame, system: System) -> pd.DataFrame:
    """Return a frame with values and column names in a system of units; metric frames come back as they are."""
    if system == "metric":
        return frame
    columns = {str(name): describe(str(name), system) for name in frame.columns}
    changed = {n: frame[n].astype(float) * c.factor for n, c in columns.items() if not np.isclose(c.factor, 1.0)}
    return frame.assign(**changed).rename(columns={n: c.name for n, c in columns.items()})
