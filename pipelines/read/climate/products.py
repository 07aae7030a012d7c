"""Climate products and variables as tables: names, units, fill values, terms (`shared/climate_sources.toml`)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any

from pydantic import BaseModel, ConfigDict

from geo.errors import StudyError
from pipelines.study.house import shared_toml

REQUIRED = ("precip_mm", "tmin_c", "tmax_c")


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True)


class Variable(_Row):
    """One variable of the climate contracts.

    `key` is its name inside the program (``precip_mm``), `short` that in the study file (``precip``). `ranges`
    holds, for ``daily``, ``monthly`` or ``fixed`` values, the lowest and the highest that does not contradict the
    unit; `alternatives` are units often given, offered when values contradict the declared one.
    """

    key: str
    short: str
    units: str
    ranges: Mapping[str, tuple[float, float]]
    standard_names: tuple[str, ...]
    names: tuple[str, ...]
    statistic: str = ""
    alternatives: tuple[str, ...]


class Product(_Row):
    """What is known of one product beside its files; station normals also name their special values."""

    key: str
    label: str
    title: tuple[str, ...]
    files: tuple[re.Pattern[str], ...] = ()
    names: Mapping[str, str]
    units: Mapping[str, str] = {}
    units_1981: Mapping[str, str] = {}
    fill: tuple[float, ...] = ()
    missing: tuple[float, ...] = ()
    rounds_to_zero: tuple[float, ...] = ()
    missing_flags: tuple[str, ...] = ()
    day: str
    period: str
    licence: str
    et0: str = ""
    source: str

    def match_file(self, name: str) -> dict[str, str] | None:
        """Return the named parts of a file name of this product, or None."""
        for pattern in self.files:
            found = pattern.match(name)
            if found:
                return {k: v for k, v in found.groupdict().items() if v is not None}
        return None

    def provenance(self) -> dict[str, str]:
        """Return what a run must say about this product."""
        return {
            "product": self.label,
            "period": self.period,
            "licence": self.licence,
            "day_definition": self.day,
            "et0": self.et0,
        }


@cache
def variables() -> dict[str, Variable]:
    """Return the variables of the contracts by key."""
    rows = shared_toml("climate_sources.toml")["variables"]
    steps = ("daily", "monthly", "fixed")
    return {k: Variable(key=k, ranges={s: row[s] for s in steps if s in row}, **row) for k, row in rows.items()}


@cache
def products() -> dict[str, Product]:
    """Return the known products by key, the more specific ones first."""
    rows = shared_toml("climate_sources.toml")["products"]
    return {key: Product(key=key, **row) for key, row in rows.items()}


def product_of_file(name: str) -> Product | None:
    """Return the product whose file-name rule fits, or None."""
    return next((p for p in products().values() if p.match_file(name) is not None), None)


def product_of_text(text: str) -> Product | None:
    """Return the product whose title occurs in the global attributes of a file, or None."""
    low = text.lower()
    return next((p for p in products().values() if any(t.lower() in low for t in p.title)), None)


def key_of_short(name: str) -> str:
    """Return our key for a name of the study file (``precip``, ``precip_mm``), or raise with the valid ones."""
    low = name.strip().lower()
    for key, variable in variables().items():
        if low in (key, variable.short):
            return key
    valid = ", ".join(v.short for v in variables().values())
    raise StudyError(f"{name!r} is not a climate variable.", "climate: variables / units", f"Use one of: {valid}.")


def study_mapping(mapping: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return a study-file mapping keyed by our variable names; table columns such as ``date`` keep their names."""
    columns = {"date", "year", "month", "day", "yday", "station", "latitude", "longitude", "name"}
    out: dict[str, Any] = {}
    for name, value in (mapping or {}).items():
        out[name if name in columns else key_of_short(name)] = value
    return out
