"""The one registry of units, the one table of their spellings, and what every reader says of a wrong unit."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from functools import cache
from types import MappingProxyType

import numpy as np
import pint
from numpy.typing import ArrayLike

from geo.errors import StudyError

# Spellings, in lower case, that the library does not know or reads wrongly: "deg c" would be an angle times the
# speed of light. A percentage keeps what it is a share of, so that a reader can refuse the wrong one.
_SPELLINGS: Mapping[str, tuple[str, ...]] = {
    "degC": (
        "c", "°c", "° c", "celsius", "deg c", "deg_c", "degc", "degree c", "degree_c", "degreec", "degrees c",
        "degrees_c", "degreesc", "degree celsius", "degree_celsius", "degrees celsius", "degrees_celsius",
    ),
    "degF": (
        "f", "°f", "° f", "fahrenheit", "deg f", "deg_f", "degf", "degree f", "degree_f", "degreef", "degrees f",
        "degrees_f", "degreesf", "degree fahrenheit", "degree_fahrenheit", "degrees fahrenheit",
    ),
    "K": ("deg k", "deg_k", "degk", "degrees k"),
    "inch": ("in", "in.", "inches"),
    "survey_foot": ("us-ft", "us survey foot"),
    "meter": ("gpm",),
    "mm/day": ("mm d-1",),
    "mm/month": ("mm month-1", "mm mo-1", "mm/month"),
    "day": ("days",),
    "1": ("-", "fraction", "unitless", "dimensionless"),
    "percent": ("pct", "per cent"),
    "permille": ("permille",),
    "percent_by_volume": ("vol%", "vol %", "vol. %", "% vol", "%vol", "volume percent"),
    "percent_by_weight": ("wt%", "wt %", "% wt", "weight%", "% weight"),
    "m3/m3": ("m³/m³",),
    "cm3/cm3": ("cm³/cm³",),
    "g/cm3": ("g/cm³",),
}  # fmt: skip
_UNIT_OF = MappingProxyType({text: unit for unit, texts in _SPELLINGS.items() for text in texts})
_POWER = re.compile(r"(?<=[A-Za-z])(?<![\d.][eE])(?=-?\d)")  # "kg m-2" of the CF conventions is kg * m**-2
_SCALED = re.compile(r"^([0-9.]+(?:[eE][-+]?\d+)?)\s*\*?\s+(?!/)(.+)$", re.DOTALL)
_HEADER = re.compile(r"^\s*(?P<name>[^(\[]+?)\s*[(\[](?P<unit>[^)\]]*)[)\]]\s*$")
_BY_WEIGHT = re.compile(r"\b(?:k?g|lb|wt)\b|weight", re.IGNORECASE)
_BY_VOLUME = re.compile(r"\b(?:[cd]?m3|in3|ft3|vol)\b|volume|m³|[cd]?m\^3", re.IGNORECASE)


class UnitError(ValueError):
    """A text that is not a unit, or a unit of another kind than was asked for."""


@cache
def _registry() -> pint.UnitRegistry:
    registry: pint.UnitRegistry = pint.UnitRegistry(
        autoconvert_offset_to_baseunit=True,
        on_redefinition="ignore",
        preprocessors=[lambda text: _POWER.sub("**", text)],
    )
    # pint's acre is that of the survey foot, which ended with 2022 (NIST, 85 FR 62698). The map in the browser and
    # the reader of fields use the international one, and on a county the two differ by acres.
    registry.define("acre = 4046.8564224 * meter ** 2")
    registry.define("percent_by_volume = percent")
    registry.define("percent_by_weight = percent")
    return registry


def spelled(text: str) -> str:
    """Return a unit text as the registry knows it."""
    text = text.strip()
    return _UNIT_OF.get(text.lower(), text)


@cache
def _parsed(text: str) -> tuple[float, pint.Unit]:
    """Return the factor and the unit of a text such as ``0.1 mm``."""
    raw = text.strip()
    found = _SCALED.match(raw)
    try:
        scale, unit = (float(found[1]), found[2]) if found else (1.0, raw)
        if unit and 0.0 < scale < math.inf:
            return scale, _registry().parse_units(spelled(unit))
    except Exception:  # noqa: S110  pint reads a unit as an expression; a broken one raises whatever Python raises
        pass
    raise UnitError(f"{raw!r} is not a unit.")


@cache
def line(text: str, target: str) -> tuple[float, float]:
    """Return slope and offset from a declared unit to ours: ``ours = theirs * slope + offset``.

    The text is a CF unit (``kg m-2 s-1``), an everyday spelling (``deg c``), or either with a factor (``0.1 degC``).
    A text that is not a unit, or the unit of something else, is a `UnitError`.
    """
    scale, unit = _parsed(text)
    try:
        zero, one = (float(_registry().Quantity(v, unit).to(spelled(target)).magnitude) for v in (0.0, 1.0))
    except pint.errors.PintError:
        raise UnitError(f"{text!r} is not a unit of the kind of {target}.") from None
    return (one - zero) * scale, zero


def fits(text: str, target: str) -> bool:
    """Return whether a text is a unit of the kind of `target`."""
    try:
        line(text, target)
    except UnitError:
        return False
    return True


def unit_name(text: str) -> str:
    """Return a unit in full words, such as ``millimeter / month``."""
    return str(_parsed(text)[1])


def share_of(text: str) -> str:
    """Return "weight" or "volume" when a unit says what it is a share of, else ""."""
    by_weight, by_volume = _BY_WEIGHT.search(text), _BY_VOLUME.search(text)
    return "" if bool(by_weight) == bool(by_volume) else "weight" if by_weight else "volume"


def unit_of_header(header: str) -> tuple[str, str]:
    """Return the name and the unit of a column header such as ``VWC (%)``; "" without a unit."""
    found = _HEADER.match(header)
    return (found["name"], found["unit"].strip()) if found else (header.strip(), "")


def declared(text: str, name: str, where: str, fix: str, *targets: str) -> tuple[str, float, float]:
    """Return the first of our units that a declared unit can be turned into, with `line` to it, or stop the run."""
    try:
        _parsed(text)
    except UnitError as error:
        raise StudyError(str(error), where, fix) from None
    for target in targets:
        if fits(text, target):
            return (target, *line(text, target))
    raise StudyError(f"The declared unit {text!r} cannot be a unit of {name}.", where, fix)


def span(values: ArrayLike) -> tuple[float, float]:
    """Return the lowest and the highest of the values that are not missing; NaN without any."""
    known = np.asarray(values, dtype="float64")
    known = known[np.isfinite(known)]
    return (float(known.min()), float(known.max())) if known.size else (float("nan"), float("nan"))


def span_text(values: ArrayLike) -> str:
    """Return the span of the values for a message."""
    low, high = span(values)
    return f"values run from {low:g} to {high:g}" if low <= high else "values are all missing"


def no_units(name: str, values: ArrayLike, likely: str, where: str, home: str) -> StudyError:
    """Return the error for a variable without units; `home` says where in the study file they belong."""
    return StudyError(f"{name} has no units ({span_text(values)}).", where, name_unit(name, [likely], home))


def contradiction(name: str, unit: str, values: ArrayLike, possible: str, where: str, fix: str) -> StudyError:
    """Return the error for values that cannot be in the declared unit; `possible` is the range with our unit."""
    what = f"{name} is declared in {unit!r} but its {span_text(values)}; {possible} is possible."
    return StudyError(what, where, fix)


def name_unit(name: str, fitting: Sequence[str], home: str) -> str:
    """Return what to do about a wrong unit: name the first that would fit, or look at the file."""
    if not fitting:
        return "Correct the file, or name the right column and unit in the study file."
    return f'If the values are {fitting[0]}, write units = {{ {name} = "{fitting[0]}" }} {home}.'
