"""One NetCDF file: which variable is which, what one step stands for, values in contract units."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from geo.errors import StudyError
from geo.season import MEAN_MONTH_DAYS
from pipelines.read.climate.build import Context, Query, check_layer
from pipelines.read.climate.cells import Area, Window, window
from pipelines.read.climate.products import Product, product_of_file, product_of_text, products, variables
from pipelines.read.climate.units import to_contract
from pipelines.read.netcdf import open_netcdf

_MINIMUM = re.compile(r"minim|tmin|tmmn|tasmin|(?<![a-z])min(?![a-z])", re.IGNORECASE)
_MAXIMUM = re.compile(r"maxim|tmax|tmmx|tasmax|(?<![a-z])max(?![a-z])", re.IGNORECASE)
_LARGEST = 1.2e9  # bytes of one read; keeps a county screen below 1.5 GB of memory


@dataclass(slots=True)
class Part:
    """The variables of one file on the window of the study area.

    `step` is ``daily``, ``months`` (normals), ``monthly`` (a series of months) or ``fixed``. `layers` holds each
    variable on ``(time | month, y, x)``, `fixed` those on ``(y, x)``, in contract units.
    """

    step: str
    layers: dict[str, xr.DataArray]
    window: Window
    fixed: dict[str, np.ndarray] = field(default_factory=dict)


def product_of(raw: xr.Dataset, path: Path) -> Product:
    """Return the product of a NetCDF file, by its name, then by its title; else the general CF grid."""
    text = " ".join(str(raw.attrs.get(k, "")) for k in ("title", "summary", "project", "note2", "id"))
    return product_of_file(path.name) or product_of_text(text) or products()["cf_grid"]


def identify(name: str, attrs: dict[str, Any], path: Path, product: Product) -> str | None:
    """Return our key of a file variable, from its attributes and the product's names, or None.

    ``air_temperature`` is split into minimum and maximum by ``cell_methods`` and the descriptive attributes,
    then by the file name of a known product; a standard deviation is never taken for the temperature itself.
    """
    if name in product.names:
        return product.names[name]
    methods = str(attrs.get("cell_methods", "")).lower()
    text = " ".join(str(attrs.get(k, "")) for k in ("cell_methods", "long_name", "standard_name", "description"))
    low, standard = name.lower(), str(attrs.get("standard_name", "")).lower()
    spread = (
        "standard_deviation" in methods or "standard deviation" in text.lower() or low.endswith(("_sd", "_stddev"))
    )
    for key, variable in variables().items():
        if low in variable.names and spread == key.endswith("_sd_c"):
            return key
    for key, variable in variables().items():
        if standard in variable.standard_names and not variable.statistic:
            return key
    if standard == "air_temperature" or low in ("air_temperature", "temperature"):
        file_part = (product.match_file(path.name) or {}).get("var", "")
        for words in (methods, f"{name} {text}", file_part):
            lowest, highest = bool(_MINIMUM.search(words)), bool(_MAXIMUM.search(words))
            if lowest != highest:
                stem = "tmin" if lowest else "tmax"
                return f"{stem}_sd_c" if spread else f"{stem}_c"
    if standard in ("tmmn", "tmmx"):
        return {"tmmn": "tmin_c", "tmmx": "tmax_c"}[standard]
    return None


def choose(raw: xr.Dataset, path: Path, product: Product, mapping: dict[str, Any]) -> dict[str, str]:
    """Return key -> file variable for the variables that will be read; two of one meaning stop the run."""
    rivals: dict[str, list[str]] = {}
    wanted = {str(v): k for k, v in mapping.items()}
    for name in (str(n) for n in raw.data_vars if raw[n].ndim >= 2):
        key = wanted.get(name) or identify(name, dict(raw[name].attrs), path, product)
        if key is not None and (key not in mapping or name in wanted):
            rivals.setdefault(key, []).append(name)
    for key, names in rivals.items():
        if len(names) > 1:
            raise StudyError(
                f"{', '.join(names)} could all be {variables()[key].short}.",
                str(path),
                f'Name one in the study file: variables = {{ {variables()[key].short} = "{names[0]}" }}.',
            )
    return {key: names[0] for key, names in rivals.items()}


def time_axis(raw: xr.Dataset, path: Path, product: Product) -> tuple[str | None, str, Any]:
    """Return the step dimension, its kind (``daily``, ``months``, ``monthly``, ``fixed``) and its values.

    The values are dates at midnight, or months 1 to 12.
    """
    dim = next((str(d) for d in raw.dims if str(d).lower() in ("time", "day", "date", "month", "months")), None)
    if dim is None:
        named = list(raw.cf.axes.get("T", [])) + list(raw.cf.standard_names.get("time", []))
        dim = next((str(raw[n].dims[0]) for n in named if raw[n].ndim == 1), None)
    if dim is None:
        return None, "fixed", None
    size = raw.sizes[dim]
    coordinate = raw[dim] if dim in raw.variables else None
    units = "" if coordinate is None else str(coordinate.attrs.get("units", ""))
    normals = "period" in (product.match_file(path.name) or {}) or (
        coordinate is not None and "climatology" in coordinate.attrs
    )
    if " since " not in units:
        if size == 12 and (coordinate is None or _one_to_twelve(coordinate.values)):
            return dim, "months", np.arange(1, 13)
        raise StudyError(
            f"The axis {dim!r} ({size} steps) has neither dates nor the months 1 to 12.",
            str(path),
            'Give time units such as "days since 1900-01-01", or twelve months.',
        )
    dates = decode_dates(raw, dim, path)
    if size == 12 and normals:
        return dim, "months", dates.month.to_numpy()
    gaps = np.diff(dates.values).astype("timedelta64[D]").astype(int)
    typical = float(np.median(gaps)) if gaps.size else (28.0 if product.key == "nclimgrid_monthly" else 1.0)
    if 27 <= typical <= 32:
        return dim, "monthly", dates
    if typical == 1:
        return dim, "daily", dates
    raise StudyError(
        f"The time steps are {typical:g} days apart; daily or monthly values are needed.",
        str(path),
        "Give a daily record or monthly values.",
    )


def _one_to_twelve(values: np.ndarray) -> bool:
    return bool(np.array_equal(np.asarray(values, dtype="float64"), np.arange(1, 13)))


def decode_dates(raw: xr.Dataset, dim: str, path: Path) -> pd.DatetimeIndex:
    """Return the dates of an axis at midnight, whatever its calendar.

    Daymet files number the days of a year 1 to 365 in ``yearday``; where it is there it decides, since the file's
    calendar says "standard" while 31 December of leap years is left out.
    """
    calendar = str(raw[dim].attrs.get("calendar", "standard")).lower()
    if calendar in ("360_day", "none"):
        raise StudyError(
            f"The calendar {calendar!r} has days that do not exist.",
            str(path),
            "Use a record with real calendar dates.",
        )
    decoded = xr.decode_cf(raw[[dim]], decode_timedelta=False)[dim].values
    # Calendars such as noleap give objects of their own.
    real = [pd.Timestamp(d.year, d.month, d.day) for d in decoded] if decoded.dtype == object else decoded
    dates = pd.DatetimeIndex(real).normalize()
    if "yearday" in raw.variables and raw["yearday"].dims == (dim,):
        days = np.asarray(raw["yearday"].values, dtype="int64")
        starts = pd.to_datetime(dates.year.astype(str), format="%Y")
        dates = pd.DatetimeIndex(starts + pd.to_timedelta(days - 1, unit="D"))
    return dates


def read_part(path: Path, query: Query, context: Context, like: Window | None) -> Part:
    """Read the climate variables of one NetCDF file on the cells of the study area.

    `like` is the window of the first file; the declared units are written to the context.
    """
    with open_netcdf(path, decode_cf=False) as raw:
        product = product_of(raw, path)
        chosen = choose(raw, path, product, query.mapping)
        dim, step, when = time_axis(raw, path, product)
        for name in chosen.values():
            _declare_fill(raw[name], [*query.fill, *product.fill])
        decoded = xr.decode_cf(raw, decode_times=False, decode_timedelta=False)
        cut, seen = window(decoded, query.area, str(path), like)
        _fits_memory(cut, chosen, query.area, path)
        part = Part(step, {}, seen)
        for key, name in chosen.items():
            layer = cut[name]
            others = [d for d in layer.dims if d not in ("y", "x", dim)]
            if any(layer.sizes[d] > 1 for d in others) or not {"y", "x"} <= set(layer.dims):
                continue
            layer = layer.isel(dict.fromkeys(others, 0))
            where = f"{path.name}: {name}"
            unit = query.units.get(key, str(layer.attrs.get("units", "")))
            if dim is None or dim not in layer.dims or key == "elevation_m":
                flat = layer.isel({dim: 0}) if dim in layer.dims else layer
                part.fixed[key] = to_contract(flat.transpose("y", "x").values, unit, key, "fixed", where)
                continue
            try:
                values = layer.transpose(dim, "y", "x").values
            except (OSError, RuntimeError) as error:
                raise StudyError(
                    f"Part of the file cannot be read ({error}).", where, "It is damaged: fetch it again."
                ) from None
            values = np.where(np.isin(values, query.fill), np.nan, values) if query.fill else values
            part.layers[key] = contract_layer(values, unit, key, step, when, path.name, where, context)
    context.product = product if context.product.key == "cf_grid" else context.product
    return part


def contract_layer(
    values: np.ndarray, unit: str, key: str, step: str, when: Any, file: str, where: str, context: Context
) -> xr.DataArray:
    """Return values ``(step, y, x)`` in contract units on ``(month | time, y, x)``, checked against their unit.

    `when` are months 1 to 12 where the step is ``months``, else dates.
    """
    kind, days = "daily" if step == "daily" else "monthly", None
    if step != "daily":
        days = MEAN_MONTH_DAYS[when - 1] if step == "months" else when.days_in_month.to_numpy()
    converted = to_contract(values, unit, key, kind, where, days)
    context.units[key] = unit
    check_layer(converted, key, kind, context, file)
    label = "month" if step == "months" else "time"
    return xr.DataArray(converted.astype("float32"), dims=(label, "y", "x"), coords={label: when})


def _declare_fill(variable: xr.DataArray, values: list[float]) -> None:
    """Give a variable the product's fill value when the file itself names none."""
    if "_FillValue" in variable.attrs or "missing_value" in variable.attrs:
        return
    for value in values:
        if np.issubdtype(variable.dtype, np.floating) or float(value).is_integer():
            kind = variable.dtype
            if np.issubdtype(kind, np.integer) and not np.iinfo(kind).min <= value <= np.iinfo(kind).max:
                continue
            variable.attrs["_FillValue"] = kind.type(value)
            return


def _fits_memory(cut: xr.Dataset, chosen: dict[str, str], area: Area | None, path: Path) -> None:
    size = sum(float(np.prod([cut.sizes[d] for d in cut[n].dims])) for n in chosen.values()) * 4.0
    if size > _LARGEST:
        raise StudyError(
            f"Reading {cut.sizes['y'] * cut.sizes['x']} cells would need {size / 1e9:.1f} GB of memory.",
            str(path),
            "Study a smaller area, or run a state county by county." if area else "Give the study area.",
        )
