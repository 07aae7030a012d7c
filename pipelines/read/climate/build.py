"""From read values to the climate contracts: whole calendars, checks across variables, attributes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from geo.errors import Problem, StudyError
from geo.season import MEAN_MONTH_DAYS
from pipelines.read.climate.cells import Area
from pipelines.read.climate.products import REQUIRED, Product, variables
from pipelines.read.climate.units import check_values, check_year, impossible

DAILY = ("precip_mm", "tmin_c", "tmax_c", "et0_mm", "wind_m_s", "vapour_pressure_kpa", "solar_mj_m2_day")
NORMALS = (*DAILY, "wet_day_fraction", "tmin_sd_c", "tmax_sd_c")
_LISTED = 12  # problems of one kind that are listed cell by cell before they are summed up
_SWAPPED = 0.05  # share of days with tmax below tmin above which the two variables must be confused


@dataclass(frozen=True, slots=True)
class ClimateInput:
    """Climate of a study area as read from one source, with what was left out, repaired or is doubtful.

    `cells` (index ``cell``) has ``latitude``, ``longitude`` (EPSG:4326), ``elevation_m`` and ``name``. One of
    `normals` (``(cell, month)``) and `daily` (``(cell, time)``, one row for each calendar day, missing values NaN,
    ``et0_mm`` only when the source has it) is set.
    """

    cells: pd.DataFrame
    normals: xr.Dataset | None
    daily: xr.Dataset | None
    problems: list[Problem] = field(default_factory=list)
    provenance: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Query:
    """What a study asks of a climate source, whatever its kind.

    `where` names the source, `area` is in EPSG:4326; `mapping`, `units` and `fill` are overrides of the study file.
    `period` are the first and last year to keep, or those that make the normals of a series of months (default
    1991-2020). With `trust`, contradictions between values and units are listed instead of stopping the run.
    """

    where: str
    area: Area | None = None
    mapping: dict[str, Any] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    fill: list[float] = field(default_factory=list)
    period: tuple[int, int] | None = None
    trust: bool = False


@dataclass(slots=True)
class Context:
    """What every reader needs to know and to report."""

    where: str
    product: Product
    trust: bool = False
    units: dict[str, str] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    provenance: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        self.provenance = self.product.provenance()

    def refuse(self, error: StudyError | None) -> None:
        """Raise an error of contradiction, or list it when the study says that the values are right."""
        if error is None:
            return
        if not self.trust:
            raise error
        self.problems.append(Problem("climate", error.where, error.what, "warning", error.fix))

    def note(self, where: str, what: str, action: Any = "warning", fix: str = "") -> None:
        """List one problem."""
        self.problems.append(Problem("climate", where, what, action, fix))


def require(present: Any, context: Context) -> None:
    """Raise when precipitation or a temperature is missing, naming what was found."""
    missing = [variables()[k].short for k in REQUIRED if k not in present]
    if missing:
        found = ", ".join(variables()[k].short for k in present) or "nothing that is known"
        raise StudyError(
            f"The climate source has no {' and no '.join(missing)} (found: {found}).",
            context.where,
            "Add the missing files, or name the variables in the study file: "
            f'variables = {{ {missing[0]} = "name in the file" }}.',
        )


def check_layer(values: np.ndarray, key: str, step: str, context: Context, file: str = "") -> None:
    """Refuse a variable whose values contradict its declared unit."""
    unit = context.units.get(key, variables()[key].units)
    context.refuse(check_values(values, key, step, unit, f"{file or context.where}: {variables()[key].short}"))


def normals_input(data: xr.Dataset, cells: pd.DataFrame, context: Context) -> ClimateInput:
    """Return monthly normals, dims ``(cell, month)`` in contract units, in the form of the contract."""
    months = np.asarray(data["month"].values, dtype=int)
    absent = sorted(set(range(1, 13)) - set(months.tolist()))
    if absent:
        raise StudyError(
            f"Monthly normals lack month {', '.join(map(str, absent))}.",
            context.where,
            "Give all twelve months of precipitation, minimum and maximum temperature.",
        )
    data = data.sel(month=np.arange(1, 13)).transpose("cell", "month")
    for key in (k for k in NORMALS if k in data):
        check_layer(data[key].values, key, "monthly", context)
    context.refuse(_whole_year(data, context))
    low, high = data["tmin_c"].values, data["tmax_c"].values
    _not_swapped(low > high, np.isfinite(low) & np.isfinite(high), context)
    gaps = np.flatnonzero(~np.isfinite(np.stack([data[k].values for k in REQUIRED])).all(axis=(0, 2)))
    if gaps.size == len(cells):
        raise StudyError("No cell has all twelve months.", context.where, "Check the missing months of the source.")
    for cell in gaps:
        context.note(str(cells.loc[cell, "name"]), "some months are missing", "left out", "use another source")
    keep = np.setdiff1d(np.arange(len(cells)), gaps)
    out, kept = _finish(data.isel(cell=keep), cells.iloc[keep], NORMALS, "monthly", context)
    return ClimateInput(kept, out, None, context.problems, context.provenance)


def daily_input(data: xr.Dataset, cells: pd.DataFrame, context: Context) -> ClimateInput:
    """Return daily weather in the form of the contract: one row for every calendar day.

    The data have the dims ``(cell, time)``, dates at midnight, contract units, and NaN where missing; days may be
    absent.
    """
    data = data.transpose("cell", "time").sortby("time")
    known = np.stack([np.isfinite(data[k].values).any(axis=0) for k in REQUIRED]).any(axis=0)
    if not known.any():
        raise StudyError(
            "The record holds no values at all.", context.where, "Check the missing values of the source."
        )
    inside = np.flatnonzero(known)  # days without anything before and after the record are no gaps
    data = data.isel(time=slice(int(inside[0]), int(inside[-1]) + 1))
    days = pd.date_range(data["time"].values[0], data["time"].values[-1], freq="D")
    absent = days.difference(pd.DatetimeIndex(data["time"].values))
    if len(absent):
        context.note(
            "all cells", f"{len(absent)} days are not in the source ({_few(absent)})", "warning", "kept as missing"
        )
        data = data.reindex(time=days)
    for key in (k for k in DAILY if k in data):
        check_layer(data[key].values, key, "daily", context)
        stray = impossible(data[key].values, key, "daily")
        if stray.any() and not context.trust:
            _list_strays(data, key, stray, cells, context)
            data[key] = data[key].where(~stray)
    context.refuse(_whole_year(data, context))
    _drop_crossed(data, cells, context)
    _report_gaps(data, cells, len(absent), context)
    out, kept = _finish(data, cells, DAILY, "daily", context)
    when = out["time"].dt
    out = out.assign_coords({part: ("time", getattr(when, part).values) for part in ("year", "month", "day")})
    return ClimateInput(kept, None, out, context.problems, context.provenance)


def _whole_year(data: xr.Dataset, context: Context) -> StudyError | None:
    if "time" in data.dims and data.sizes["time"] < 330:
        return None
    if "time" in data.dims:
        months = data[list(REQUIRED)].groupby(data["time"].dt.month).mean("time")
        if months.sizes["month"] < 12:
            return None
        lengths = xr.DataArray(MEAN_MONTH_DAYS, dims="month", coords={"month": months["month"]})
        rain = (months["precip_mm"] * lengths).sum("month")
    else:
        months = data
        rain = data["precip_mm"].sum("month")
    mean = (months["tmin_c"] + months["tmax_c"]) / 2
    return check_year(float(np.nanmedian(rain)), float(np.nanmedian(mean.max("month"))), context.units, context.where)


def _list_strays(data: xr.Dataset, key: str, stray: np.ndarray, cells: pd.DataFrame, context: Context) -> None:
    name, unit = variables()[key].short, variables()[key].units
    for cell, step in np.argwhere(stray)[:_LISTED]:
        value, day = data[key].values[cell, step], pd.Timestamp(data["time"].values[step])
        where = f"{cells['name'].iloc[cell]}, {day:%Y-%m-%d}"
        context.note(where, f"{name} of {value:.1f} {unit} is impossible", "left out", "set to missing")
    if stray.sum() > _LISTED:
        context.note("all cells", f"{int(stray.sum())} impossible values of {name} in all", "left out")


def _not_swapped(crossed: np.ndarray, both: np.ndarray, context: Context) -> None:
    if both.any() and crossed.sum() > max(1, _SWAPPED * both.sum()):
        raise StudyError(
            f"tmax is below tmin in {crossed.sum() / both.sum():.0%} of the values.",
            context.where,
            'The two may be swapped: name them in the study file, variables = { tmin = "...", tmax = "..." }.',
        )


def _drop_crossed(data: xr.Dataset, cells: pd.DataFrame, context: Context) -> None:
    low, high = data["tmin_c"].values, data["tmax_c"].values
    crossed = low > high
    _not_swapped(crossed, np.isfinite(low) & np.isfinite(high), context)
    if not crossed.any():
        return
    for key in ("tmin_c", "tmax_c"):
        data[key] = data[key].where(~crossed)
    _by_cell(crossed.sum(axis=1), cells, context, "days with tmax below tmin, both set to missing", "left out", "")


def _report_gaps(data: xr.Dataset, cells: pd.DataFrame, already: int, context: Context) -> None:
    for key in REQUIRED:
        counts = (~np.isfinite(data[key].values)).sum(axis=1) - already
        what, fix = f"days without {variables()[key].short}", "filled only where the gap is short"
        _by_cell(counts, cells, context, what, "warning", fix)


def _by_cell(counts: np.ndarray, cells: pd.DataFrame, context: Context, what: str, action: str, fix: str) -> None:
    hit = np.flatnonzero(counts > 0)
    if 0 < hit.size <= _LISTED:
        for i in hit:
            context.note(str(cells["name"].iloc[i]), f"{counts[i]} {what}", action, fix)
    elif hit.size:
        context.note(f"{hit.size} cells", f"{counts[hit].min()} to {counts[hit].max()} {what}", action, fix)


def _few(days: pd.DatetimeIndex) -> str:
    shown = ", ".join(d.strftime("%Y-%m-%d") for d in days[:3])
    return shown + (f" ... {days[-1]:%Y-%m-%d}" if len(days) > 3 else "")


def _finish(
    data: xr.Dataset, cells: pd.DataFrame, keys: tuple[str, ...], step: str, context: Context
) -> tuple[xr.Dataset, pd.DataFrame]:
    kept = cells.set_axis(pd.RangeIndex(len(cells), name="cell"))
    out = data[[k for k in keys if k in data]].astype("float32")
    if "precip_mm" in out:
        out["precip_mm"] = out["precip_mm"].clip(min=0.0)
    for key in out.data_vars:
        units = variables()[str(key)].units
        per = {"daily": "per day", "monthly": "per month"}[step] if units == "mm" else ""
        out[key].attrs = {"units": "degC" if units == "delta_degC" else units, "comment": per}
    places = {name: ("cell", kept[name].to_numpy()) for name in ("latitude", "longitude", "elevation_m")}
    out = out.assign_coords({"cell": kept.index.to_numpy(), **places})
    et0 = context.product.et0 or "as supplied by the source"
    out.attrs = {"source": context.provenance["product"], "et0_method": et0 if "et0_mm" in out else "", "seed": ""}
    return out, kept
