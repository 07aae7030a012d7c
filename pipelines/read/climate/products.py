"""Climate products and variables as tables: names, units, fill values, terms (`shared/climate_sources.toml`)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from geo.errors import StudyError
from pipelines.study.house import shared_toml

REQUIRED = ("precip_mm", "tmin_c", "tmax_c")


@dataclass(frozen=True, slots=True)
class Variable:
    """One variable of the climate contracts.

    Attributes
    ----------
    key : str
        Name inside the program (``precip_mm``).
    short : str
        Name in the study file (``precip``).
    units : str
        Unit inside the program.
    ranges : dict
        ``daily``, ``monthly`` or ``fixed`` -> lowest and highest value that does not contradict the unit.
    alternatives : tuple of str
        Units that this variable is often given in; offered when values contradict the declared unit.
    """

    key: str
    short: str
    units: str
    ranges: Mapping[str, tuple[float, float]]
    standard_names: tuple[str, ...]
    names: tuple[str, ...]
    statistic: str
    alternatives: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Product:
    """What is known of one product beside its files."""

    key: str
    label: str
    titles: tuple[str, ...]
    files: tuple[re.Pattern[str], ...]
    names: Mapping[str, str]
    units: Mapping[str, str]
    fill: tuple[float, ...]
    day: str
    period: str
    licence: str
    et0: str
    extra: Mapping[str, Any]

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
def _tables() -> dict[str, Any]:
    return shared_toml("climate_sources.toml")


@cache
def variables() -> dict[str, Variable]:
    """Return the variables of the contracts by key."""
    out = {}
    for key, row in _tables()["variables"].items():
        ranges = {k: (float(row[k][0]), float(row[k][1])) for k in ("daily", "monthly", "fixed") if k in row}
        out[key] = Variable(
            key=key,
            short=row["short"],
            units=row["units"],
            ranges=ranges,
            standard_names=tuple(row["standard_names"]),
            names=tuple(n.lower() for n in row["names"]),
            statistic=row.get("statistic", ""),
            alternatives=tuple(row["alternatives"]),
        )
    return out


@cache
def products() -> dict[str, Product]:
    """Return the known products by key, the more specific ones first."""
    out = {}
    known = {"title", "label", "files", "names", "units", "fill", "day", "period", "licence", "et0"}
    for key, row in _tables()["products"].items():
        out[key] = Product(
            key=key,
            label=row["label"],
            titles=tuple(row["title"]),
            files=tuple(re.compile(p) for p in row.get("files", [])),
            names=row["names"],
            units=row.get("units", {}),
            fill=tuple(float(v) for v in row.get("fill", [])),
            day=row["day"],
            period=row["period"],
            licence=row["licence"],
            et0=row.get("et0", ""),
            extra={k: v for k, v in row.items() if k not in known},
        )
    return out


def product_of_file(name: str) -> Product | None:
    """Return the product whose file-name rule fits, or None."""
    return next((p for p in products().values() if p.match_file(name) is not None), None)


def product_of_text(text: str) -> Product | None:
    """Return the product whose title occurs in the global attributes of a file, or None."""
    low = text.lower()
    return next((p for p in products().values() if any(t.lower() in low for t in p.titles)), None)


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
