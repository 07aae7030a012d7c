"""Units of climate variables: from the declared unit to the contract's, and refusal when values contradict it."""

from __future__ import annotations

import numpy as np

from geo.errors import StudyError
from geo.season import MEAN_MONTH_DAYS
from pipelines.read.climate.products import REQUIRED, Variable, variables
from pipelines.study.unit_registry import contradiction, declared, line, name_unit, no_units, span, unit_name

# What a unit of the contract is read from, in this order, and what else one value of a step then needs: "days" times
# the days of a month, "per_days" divided by them. 1 kg of water on 1 m2 is 1 mm; a daily rate is the sum of its day.
_SOURCES = {
    "mm": (("mm", ""), ("kg/m^2", ""), ("mm/day", "days"), ("kg/m^2/day", "days")),
    "1": (("day", "per_days"), ("dimensionless", "")),
    "MJ/m^2/day": (("MJ/m^2", ""), ("MJ/m^2/day", "")),
    "delta_degC": (("degC", ""), ("delta_degC", "")),
}
_MEAN_DAYS = {"": 1.0, "days": 30.4, "per_days": 1 / 30.4}  # of a month, near enough to tell units apart

# Yearly rain below which no rain-fed small grain is grown, and rain that no place has: outside, the unit is wrong.
ANNUAL_PRECIP_MM = (60.0, 13000.0)
# Below 10 degC in the warmest month no grain ripens (Koeppen's limit of the polar climates).
WARMEST_MONTH_C = 10.0

_ROUNDING = 0.05  # interpolated precipitation may be a rounding error below zero; that is no contradiction
# A wrong unit shows in most values of a daily record; fewer than this are single gross errors, listed and left out.
_STRAY = 0.001
_HERE = "in the climate part of the study file"


def conversion(unit_text: str, variable: Variable, step: str, where: str) -> tuple[float, float, str]:
    """Return slope and offset from a declared unit to the contract's, and what the days of a step are for.

    A `step` is ``daily``, ``monthly`` or ``fixed``. The third value is "days" where a daily rate is given for a month
    (multiply by its days), "per_days" where days of a month are counted (divide by them), else "".
    """
    sources = dict(_SOURCES.get(variable.units, ((variable.units, ""),)))
    target, slope, offset = declared(unit_text, variable.short, where, _fix(variable), *sources)
    base = sources[target]
    if variable.units == "1" and "percent_by" in unit_name(unit_text):
        raise StudyError(f"{unit_text!r} cannot be a unit of {variable.short}.", where, _fix(variable))
    if base == "days" and step != "monthly":
        base = ""
    elif base == "days" and "month" in unit_name(unit_text):
        slope, base = line(unit_text, target.replace("day", "month"))[0], ""
    return slope, 0.0 if variable.units == "delta_degC" else offset, base


def _fix(variable: Variable) -> str:
    ours = _shown(variable)
    return f'Read in {ours} or a unit of the same kind; write units = {{ {variable.short} = "{ours}" }} {_HERE}.'


def _shown(variable: Variable) -> str:
    return variable.units.removeprefix("delta_")


def to_contract(
    values: np.ndarray, unit_text: str, key: str, step: str, where: str, days: np.ndarray | float | None = None
) -> np.ndarray:
    """Return values in the unit of the contract; without a declared unit the error names the likely one.

    The first axis of the values is the step where there is one; `days` are those of each step, for rates of months.
    """
    variable = variables()[key]
    if not str(unit_text).strip():
        raise missing_units(values, variable, step, where)
    slope, offset, base = conversion(unit_text, variable, step, where)
    out = np.asarray(values, dtype="float64") * slope + offset
    if base:
        lengths = np.asarray(MEAN_MONTH_DAYS if days is None else days, dtype="float64")
        lengths = lengths.reshape(lengths.shape + (1,) * (out.ndim - lengths.ndim))
        out = out * lengths if base == "days" else out / lengths
    return out


def missing_units(values: np.ndarray, variable: Variable, step: str, where: str) -> StudyError:
    """Return the error for a variable without units, with the unit that would fit its values."""
    fitting = [*_fitting_units(values, variable, step), _shown(variable)]
    return no_units(variable.short, values, fitting[0], where, _HERE)


def check_values(values: np.ndarray, key: str, step: str, unit_text: str, where: str) -> StudyError | None:
    """Return the error when converted values cannot be what the declared unit says, else None."""
    variable = variables()[key]
    if not _contradicts(values, key, step):
        return None
    slope, offset, base = conversion(unit_text, variable, step, where)
    raw = (values - offset) / (slope * _MEAN_DAYS[base])
    fix = name_unit(variable.short, [u for u in _fitting_units(raw, variable, step) if u != unit_text], _HERE)
    sentinels = [v for v in span(raw) if _is_sentinel(v)]
    if sentinels:
        fix = f"If {sentinels[0]:g} means missing, write fill = {sentinels[0]:g} {_HERE}."
    low, high = variable.ranges[step]
    return contradiction(variable.short, unit_text, raw, f"{low:g} to {high:g} {_shown(variable)}", where, fix)


def impossible(values: np.ndarray, key: str, step: str) -> np.ndarray:
    """Return where values lie outside what the variable can be (missing values do not count)."""
    low, high = variables()[key].ranges.get(step, (-np.inf, np.inf))
    with np.errstate(invalid="ignore"):
        return (values < low - _ROUNDING) | (values > high)


def _contradicts(values: np.ndarray, key: str, step: str) -> bool:
    finite = values[np.isfinite(values)]
    return int(impossible(finite, key, step).sum()) > (_STRAY * finite.size if step == "daily" else 0)


def _is_sentinel(value: float) -> bool:
    return abs(value) > 1e10 or value in (32767.0, -32768.0) or (value < 0 and set(f"{value:g}") <= set("-.9"))


def check_year(precip_year_mm: float, warmest_month_c: float, units: dict[str, str], where: str) -> StudyError | None:
    """Return the error when a whole year contradicts the declared units (by variable key), else None.

    A unit that is wrong by less than the range of single values shows only in the sums: inches read as mm,
    degrees Celsius read as Fahrenheit.
    """
    low, high = ANNUAL_PRECIP_MM
    if np.isfinite(precip_year_mm) and not low <= precip_year_mm <= high:
        guess = "inch" if precip_year_mm < low else "0.1 mm"
        return StudyError(
            f"precip is declared in {units.get('precip_mm', 'mm')!r} but a year adds up to {precip_year_mm:.1f} mm; "
            f"{low:g} to {high:g} mm is possible on farm land.",
            where,
            name_unit("precip", [guess], _HERE),
        )
    if np.isfinite(warmest_month_c) and warmest_month_c < WARMEST_MONTH_C:
        return StudyError(
            f"tmin and tmax are declared in {units.get('tmax_c', 'degC')!r} but the warmest month has a mean of "
            f"{warmest_month_c:.1f} degC; below {WARMEST_MONTH_C:g} degC no grain ripens.",
            where,
            f'If the values are degC, write units = {{ tmin = "degC", tmax = "degC" }} {_HERE}.',
        )
    return None


def _fitting_units(raw: np.ndarray, variable: Variable, step: str) -> list[str]:
    """Return the usual units of a variable under which all values are possible, the most telling first."""
    raw = np.asarray(raw, dtype="float64")
    fitting = []
    for unit in dict.fromkeys((*variable.alternatives, _shown(variable))):
        slope, offset, base = conversion(unit, variable, step, "")
        if not _contradicts(raw * slope * _MEAN_DAYS[base] + offset, variable.key, step):
            fitting.append(unit)
    # Prefer the unit whose values fill the possible range: tenths of a degree also "fit" plain degrees.
    if variable.key in REQUIRED and step == "monthly":
        fitting.sort(key=lambda unit: unit != variable.units)
    return fitting
