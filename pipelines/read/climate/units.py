"""Units by metadata: from the declared unit to the contract's, and refusal when values contradict it."""

from __future__ import annotations

import re
import tokenize
from typing import Any

import cf_xarray.units
import numpy as np
import pint

from geo.errors import StudyError
from pipelines.read.climate.products import REQUIRED, Variable, unit_spellings, variables

_REGISTRY = cf_xarray.units.units
_SCALED = re.compile(r"^\s*([0-9.]+(?:[eE][-+]?\d+)?)\s*\*?\s+(.+)$")
_WATER = 1000.0  # kg m-3; turns a mass of water on an area into a depth
MONTH_DAYS = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])

# Yearly rain below which no rain-fed small grain is grown, and rain that no place has: outside, the unit is wrong.
ANNUAL_PRECIP_MM = (60.0, 13000.0)
# Below 10 degC in the warmest month no grain ripens (Koeppen's limit of the polar climates).
WARMEST_MONTH_C = 10.0

_ROUNDING = 0.05  # interpolated precipitation may be a rounding error below zero; that is no contradiction
# A wrong unit shows in most values of a daily record; fewer than this are single gross errors, listed and left out.
_STRAY = 0.001
_HERE = "in the climate part of the study file"


def parse_unit(text: str, where: str) -> tuple[float, Any]:
    """Return the scale factor and the pint unit of a unit text.

    Parameters
    ----------
    text : str
        CF unit text (``kg m-2 s-1``), an everyday spelling (``deg c``), or either with a factor (``0.1 degC``).
    where : str
        File and variable, for the message.

    Raises
    ------
    StudyError
        When the text is empty or is not a unit.
    """
    raw = str(text).strip()
    scale = 1.0
    found = _SCALED.match(raw)
    if found and raw != "1":
        scale, raw = float(found.group(1)), found.group(2).strip()
    spelled = unit_spellings().get(raw.lower(), raw)
    try:
        unit = _REGISTRY.parse_units(spelled) if spelled else None
    except (pint.errors.PintError, ValueError, TypeError, AttributeError, SyntaxError, tokenize.TokenError):
        unit = None
    if unit is None:
        raise StudyError(
            f"{raw!r} is not a unit.",
            where,
            'Name the unit in the study file, for example units = { precip = "mm" }.',
        )
    return scale, unit


def _line(source: Any, target: str) -> tuple[float, float]:
    """Return slope and offset from one unit to another (temperatures have an offset)."""
    zero = _REGISTRY.Quantity(0.0, source).to(target).magnitude
    one = _REGISTRY.Quantity(1.0, source).to(target).magnitude
    return float(one - zero), float(zero)


def _delta_unit(unit: Any) -> Any:
    text = str(unit)
    for plain, delta in (("degree_Celsius", "delta_degC"), ("degree_Fahrenheit", "delta_degF")):
        if text == plain:
            return _REGISTRY.parse_units(delta)
    return unit


def conversion(unit_text: str, variable: Variable, step: str, where: str) -> tuple[float, float, str]:
    """Return slope, offset and time base from a declared unit to the unit of the contract.

    Parameters
    ----------
    unit_text : str
        The declared unit.
    variable : Variable
        The variable it belongs to.
    step : {"daily", "monthly", "fixed"}
        What one value stands for.
    where : str
        File and variable, for the message.

    Returns
    -------
    slope, offset : float
        ``ours = theirs * slope + offset``.
    base : str
        ``""``: done; ``"days"``: multiply by the days of the step (a daily rate given for a month);
        ``"per_days"``: divide by them (days counted in a month).
    """
    scale, unit = parse_unit(unit_text, where)
    target = variable.units
    try:
        if target == "mm":
            return (*_water_depth(unit, scale, step), "days" if _is_daily_rate_of_month(unit, step) else "")
        if target == "delta_degC":
            slope, _ = _line(_delta_unit(unit), target)
            return slope * scale, 0.0, ""
        if target == "1":
            if unit.is_compatible_with("day"):
                return _line(unit, "day")[0] * scale, 0.0, "per_days"
            return _line(unit, "dimensionless")[0] * scale, 0.0, ""
        if target == "MJ/m^2/day" and unit.is_compatible_with("joule/meter**2"):
            slope, _ = _line(unit, "MJ/m^2")
            return slope * scale, 0.0, ""
        slope, offset = _line(unit, target)
        return slope * scale, offset, ""
    except pint.errors.DimensionalityError:
        raise StudyError(
            f"The declared unit {unit_text!r} cannot be a unit of {variable.short}.",
            where,
            f"Check which variable this is; {variable.short} is read in {target} or a unit of the same kind.",
        ) from None


def _water_depth(unit: Any, scale: float, step: str) -> tuple[float, float]:
    """Return slope and offset to mm per step from a depth, a mass on an area, or a rate of either."""
    quantity = _REGISTRY.Quantity(scale, unit)
    if quantity.check("[mass]/[length]**2") or quantity.check("[mass]/[length]**2/[time]"):
        quantity = quantity / _REGISTRY.Quantity(_WATER, "kg/m^3")
    if quantity.check("[length]/[time]"):
        if step == "monthly" and "month" in str(unit):
            return float((quantity * _REGISTRY.Quantity(1.0, "month")).to("mm").magnitude), 0.0
        return float(quantity.to("mm/day").magnitude), 0.0
    return float(quantity.to("mm").magnitude), 0.0


def _is_daily_rate_of_month(unit: Any, step: str) -> bool:
    per_time = _REGISTRY.Quantity(1.0, unit)
    rate = per_time.check("[length]/[time]") or per_time.check("[mass]/[length]**2/[time]")
    return step == "monthly" and rate and "month" not in str(unit)


def to_contract(
    values: np.ndarray, unit_text: str, key: str, step: str, where: str, days: np.ndarray | float | None = None
) -> np.ndarray:
    """Return values in the unit of the contract.

    Parameters
    ----------
    values : ndarray
        Values as the file gives them, missing as NaN; the first axis is the step where there is one.
    unit_text : str
        The declared unit; empty text is an error that names the likely unit.
    key : str
        Variable key (``precip_mm``).
    step : {"daily", "monthly", "fixed"}
        What one value stands for.
    where : str
        File and variable, for messages.
    days : ndarray or float, optional
        Days of each step (first axis), needed only for daily rates of monthly values.
    """
    variable = variables()[key]
    if not str(unit_text).strip():
        raise missing_units(values, variable, step, where)
    slope, offset, base = conversion(unit_text, variable, step, where)
    out = np.asarray(values, dtype="float64") * slope + offset
    if base:
        lengths = np.asarray(MONTH_DAYS if days is None else days, dtype="float64")
        lengths = lengths.reshape(lengths.shape + (1,) * (out.ndim - lengths.ndim))
        out = out * lengths if base == "days" else out / lengths
    return out


def missing_units(values: np.ndarray, variable: Variable, step: str, where: str) -> StudyError:
    """Return the error for a variable without units, with the unit that would fit its values."""
    low, high = _extent(values)
    fits = _fitting_units(values, variable, step)
    likely = fits[0] if fits else variable.units
    return StudyError(
        f"{variable.short} has no units (values run from {low:g} to {high:g}).",
        where,
        f'If they are {likely}, write units = {{ {variable.short} = "{likely}" }} {_HERE}.',
    )


def check_values(values: np.ndarray, key: str, step: str, unit_text: str, where: str) -> StudyError | None:
    """Return the error when converted values cannot be what the declared unit says, else None.

    Parameters
    ----------
    values : ndarray
        Values in the unit of the contract, missing as NaN.
    key : str
        Variable key.
    step : {"daily", "monthly", "fixed"}
        What one value stands for.
    unit_text : str
        The unit the file declared (the values are shown in it).
    where : str
        File and variable, for the message.
    """
    variable = variables()[key]
    if step not in variable.ranges or not _contradicts(values, variable.ranges[step], step):
        return None
    low, high = variable.ranges[step]
    slope, offset, base = conversion(unit_text, variable, step, where)
    slope *= {"days": 30.4, "per_days": 1 / 30.4}.get(base, 1.0)
    raw = (values - offset) / slope
    raw_low, raw_high = _extent(raw)
    fits = [u for u in _fitting_units(raw, variable, step) if u != unit_text]
    sentinels = [v for v in (raw_low, raw_high) if _is_sentinel(v)]
    if sentinels:
        fix = f"If {sentinels[0]:g} means missing, write fill = {sentinels[0]:g} {_HERE}."
    elif fits:
        fix = f'If the values are {fits[0]}, write units = {{ {variable.short} = "{fits[0]}" }} {_HERE}.'
    else:
        fix = "Correct the file, or name the right variable and unit in the study file."
    shown = variable.units.replace("delta_degC", "degC")
    return StudyError(
        f"{variable.short} is declared in {unit_text!r} but its values run from {raw_low:g} to {raw_high:g}; "
        f"{low:g} to {high:g} {shown} is possible.",
        where,
        fix,
    )


def impossible(values: np.ndarray, key: str, step: str) -> np.ndarray:
    """Return where values lie outside what the variable can be (missing values do not count)."""
    limits = variables()[key].ranges.get(step)
    if limits is None:
        return np.zeros(np.shape(values), dtype=bool)
    with np.errstate(invalid="ignore"):
        return (values < limits[0] - _ROUNDING) | (values > limits[1])


def _contradicts(values: np.ndarray, limits: tuple[float, float], step: str) -> bool:
    finite = np.asarray(values, dtype="float64")
    finite = finite[np.isfinite(finite)]
    outside = int(((finite < limits[0] - _ROUNDING) | (finite > limits[1])).sum())
    return outside > (_STRAY * finite.size if step == "daily" else 0)


def _is_sentinel(value: float) -> bool:
    return abs(value) > 1e10 or value in (32767.0, -32768.0) or (value < 0 and set(f"{value:g}") <= set("-.9"))


def check_year(precip_year_mm: float, warmest_month_c: float, units: dict[str, str], where: str) -> StudyError | None:
    """Return the error when a whole year contradicts the declared units, else None.

    A unit that is wrong by less than the range of single values shows only in the sums: inches read as mm,
    degrees Celsius read as Fahrenheit.

    Parameters
    ----------
    precip_year_mm : float
        Median over cells of the mean yearly precipitation, mm.
    warmest_month_c : float
        Median over cells of the mean temperature of the warmest month, degC.
    units : dict
        Variable key -> declared unit.
    where : str
        File, for the message.
    """
    low, high = ANNUAL_PRECIP_MM
    if np.isfinite(precip_year_mm) and not low <= precip_year_mm <= high:
        guess = "inch" if precip_year_mm < low else "0.1 mm"
        return StudyError(
            f"precip is declared in {units.get('precip_mm', 'mm')!r} but a year adds up to {precip_year_mm:.1f} mm; "
            f"{low:g} to {high:g} mm is possible on farm land.",
            where,
            f'If the values are {guess}, write units = {{ precip = "{guess}" }} {_HERE}.',
        )
    if np.isfinite(warmest_month_c) and warmest_month_c < WARMEST_MONTH_C:
        return StudyError(
            f"tmin and tmax are declared in {units.get('tmax_c', 'degC')!r} but the warmest month has a mean of "
            f"{warmest_month_c:.1f} degC; below {WARMEST_MONTH_C:g} degC no grain ripens.",
            where,
            f'If the values are degC, write units = {{ tmin = "degC", tmax = "degC" }} {_HERE}.',
        )
    return None


def _extent(values: np.ndarray) -> tuple[float, float]:
    finite = np.asarray(values, dtype="float64")
    finite = finite[np.isfinite(finite)]
    return (float(finite.min()), float(finite.max())) if finite.size else (float("nan"), float("nan"))


def _fitting_units(raw: np.ndarray, variable: Variable, step: str) -> list[str]:
    """Return the usual units of a variable under which all values are possible, the most telling first."""
    low, high = variable.ranges.get(step, (-np.inf, np.inf))
    fits = []
    for unit in (*variable.alternatives, variable.units.replace("delta_degC", "degC")):
        slope, offset, base = conversion(unit, variable, step, "")
        if base:
            slope = slope / 30.0 if base == "per_days" else slope * 30.0
        if unit not in fits and not _contradicts(
            np.asarray(raw, dtype="float64") * slope + offset, (low, high), step
        ):
            fits.append(unit)
    # Prefer the unit whose values fill the possible range: tenths of a degree also "fit" plain degrees.
    return sorted(fits, key=lambda u: u != variable.units) if variable.key in REQUIRED and step == "monthly" else fits
