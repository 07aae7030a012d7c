"""The small tables behind a field page: seeding-rate factor, grazing arithmetic, cautions."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from geo.errors import StudyError
from pipelines.study.house import shared_dir, shared_toml
from pipelines.study.units import convert


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    source: str = Field(min_length=1)


class RateRow(_Row):
    """One step of the seeding-rate table: up to `precip_up_to` mm a year, sow `factor` of the full rate."""

    precip_up_to: float = Field(gt=0)
    factor: float = Field(ge=0.1, le=2)
    unit: str


class GrazingValue(_Row):
    """One value of the grazing arithmetic."""

    value: float = Field(gt=0)
    unit: str


class Caution(_Row):
    """When a caution is printed, and where it comes from."""

    when: Literal["always", "cover", "erosion"]
    slope_percent: float = 0.0


def _parse(path: Path, form: Any, part: str | None = None) -> Any:
    data = shared_toml(path.name, path.parent)
    try:
        return TypeAdapter(form).validate_python(data.get(part, []) if part else data)
    except ValidationError as error:
        first = error.errors()[0]
        where = f"{path.name}: {'.'.join(map(str, first['loc']))}"
        raise StudyError(f"A row is not valid: {first['msg']}.", where, "Correct the row.") from None


@lru_cache(maxsize=4)
def seeding_rates(path: Path | None = None) -> tuple[RateRow, ...]:
    """Return the seeding-rate table, dry to wet.

    Raises
    ------
    StudyError
        When a row is not valid, the limits do not rise, or the last row leaves wet ground without a factor.
    """
    path = path or shared_dir() / "seeding_rate.toml"
    rows: list[RateRow] = _parse(path, list[RateRow], "row")
    limits = [row.precip_up_to for row in rows]
    if not rows or any(b <= a for a, b in zip(limits, limits[1:], strict=False)) or limits[-1] != np.inf:
        raise StudyError(
            "The limits of the seeding-rate table must rise, and the last one must be inf.",
            path.name,
            "Correct the rows.",
        )
    return tuple(rows)


def seeding_rate_factor(precip_mm: np.ndarray | float, rates: tuple[RateRow, ...] | None = None) -> np.ndarray:
    """Return the seeding-rate factor at a mean annual precipitation [mm]; NaN where it is unknown.

    Parameters
    ----------
    precip_mm : ndarray or float
        Mean annual precipitation, any shape.
    rates : tuple of RateRow, optional
        Another table than ``shared/seeding_rate.toml``.
    """
    rows = rates or seeding_rates()
    precip = np.asarray(precip_mm, dtype=float)
    place = np.searchsorted([row.precip_up_to for row in rows], precip, side="left")
    factors = np.array([row.factor for row in rows])[np.minimum(place, len(rows) - 1)]
    return np.where(np.isnan(precip), np.nan, factors)


@lru_cache(maxsize=1)
def grazing() -> dict[str, float]:
    """Return the values of ``shared/grazing.toml`` by name."""
    rows: dict[str, GrazingValue] = _parse(shared_dir() / "grazing.toml", dict[str, GrazingValue])
    return {name: row.value for name, row in rows.items()}


def animal_unit_months(air_dry_lb: float, eaten: float) -> float:
    """Return animal unit months in a mass of air-dry forage [lb], of which a share `eaten` is eaten.

    Source: one AUM is 780 lb of air-dry forage (University of Nebraska-Lincoln beef extension, 2021).
    """
    return air_dry_lb * eaten / grazing()["animal_unit_month"]


def aum_per_acre(biomass_kg_ha: float) -> float:
    """Return animal unit months an acre of a cover's dry matter [kg/ha] at the house share that is eaten."""
    table = grazing()
    air_dry = convert(biomass_kg_ha, "kilogram / hectare", "pound / acre") / table["dry_matter_share"]
    return animal_unit_months(air_dry, min(table["eaten_share"], table["eaten_share_max"]))


@lru_cache(maxsize=1)
def cautions() -> dict[str, Caution]:
    """Return the cautions by key, in the order of print."""
    return dict(_parse(shared_dir() / "cautions.toml", dict[str, Caution]))


def cautions_for(rated: bool, slope_percent: float) -> list[str]:
    """Return the keys of the cautions that a field page shows."""
    shown = []
    for key, row in cautions().items():
        steep = row.when == "erosion" and not slope_percent < row.slope_percent
        if row.when == "always" or (rated and (row.when == "cover" or steep)):
            shown.append(key)
    return shown
