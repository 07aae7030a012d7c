"""From response units to places: weighted means, the same for sites, fields and whole counties.

A place is a row of a sparse matrix of weights (place x unit). All numbers of a place are its row times the values of
the units, so that whatever is true of every unit (stubble less cover is the gap, water is not above capacity) is true
of every place, and parts add up to the whole. What is derived from such means (the latest safe termination, the
recovery) is derived for each place from its own means.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_matrix

from geo.ground import ResponseUnits
from geo.model_rules import DEFAULT_RULES, ModelRules
from geo.rating.rule import TEST_ROWS, ZoneRules, in_steps


def site_weights(units: ResponseUnits, rated_share_min: float) -> csr_matrix:
    """Return the weight of each unit in each site; a row sums to 1 where the site is rated, else to 0.

    Parameters
    ----------
    units : ResponseUnits
    rated_share_min : float
        A site of which a smaller share can be simulated is not rated: its small part says nothing of the rest.

    Returns
    -------
    csr_matrix (site, unit)
    """
    rated = units.sites["rated_share"].to_numpy(float) >= rated_share_min - 1e-9
    weights = csr_matrix(units.weights().multiply(rated[:, None]))
    weights.eliminate_zeros()
    return weights


def place_means(weights: csr_matrix, values: ArrayLike) -> NDArray[np.float64]:
    """Return the weighted mean of values for each place, over the part of it where they are known.

    Parameters
    ----------
    weights : csr_matrix (place, part)
        Parts are units, sites or pixels.
    values : array (part, ...)
        NaN = unknown.

    Returns
    -------
    array (place, ...)
        NaN where nothing is known.
    """
    # Of a layer with a value for each pixel only those under a place are widened to doubles.
    used, column = np.unique(weights.indices, return_inverse=True)
    near = csr_matrix((weights.data, column, weights.indptr), shape=(weights.shape[0], used.size))
    table = np.asarray(values)[used]
    rest = table.shape[1:]
    table = table.reshape(len(used), int(np.prod(rest))).astype(float)
    known = np.isfinite(table)
    total = np.asarray(weights.sum(axis=1)).reshape(-1, 1)
    if known.all():
        weight, summed = np.broadcast_to(total, (near.shape[0], table.shape[1])), near @ table
    else:
        weight, summed = near @ known.astype(float), near @ np.where(known, table, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = summed / weight
    return np.asarray(np.where(weight > 0, mean, np.nan).reshape(-1, *rest))


def place_outcomes(
    weights: csr_matrix, by_unit: xr.Dataset, dim: str, rules: ZoneRules, model: ModelRules = DEFAULT_RULES
) -> xr.Dataset:
    """Return the outcomes of places.

    Parameters
    ----------
    weights : csr_matrix (place, unit)
    by_unit : Dataset
        From `geo.rating.outcome.unit_outcomes`, with those of `geo.rating.spring_rule.spring_outcomes`.
    dim : str
        Name of the places: ``site`` or ``field``.
    rules : ZoneRules
        Water limits, for the latest safe termination.
    model : ModelRules
        The smallest fall gap for which a recovery is given.

    Returns
    -------
    Dataset
        The same variables with `dim` in place of ``unit``, and those that are derived by place: ``recovery`` (share
        of the mean fall gap that is gone at planting; NaN where that gap is small) and ``latest_termination_day``.
    """
    data = {}
    for name, values in by_unit.data_vars.items():
        mean = place_means(weights, values.transpose("unit", ...).values)
        data[name] = ((dim, *values.dims[1:]), mean.astype(np.float32), values.attrs)
    coords = {k: v for k, v in by_unit.coords.items() if k != "unit"}
    out = xr.Dataset(data, coords={dim: np.arange(weights.shape[0]), **coords}, attrs=by_unit.attrs)
    if "fall_gap_mm" in out:
        fall, spring = (out[name].sel(stat="mean", drop=True) for name in ("fall_gap_mm", "planting_gap_mm"))
        recovery = (1.0 - spring / fall).where(fall > model.least_fall_gap_mm)
        out["recovery"] = recovery.assign_attrs(units="1", long_name="share of the fall gap that is gone at planting")
    if "termination_gap_mm" in out:
        latest = latest_safe_day(
            out["ladder"].values, out["termination_gap_mm"].values, out["termination_shortfall"].values, rules
        )
        text = {"units": "day of year", "long_name": "latest safe termination of the overwintering mix"}
        out["latest_termination_day"] = (dim, latest.astype(np.float32), text)
    return out


def latest_safe_day(day: np.ndarray, gap_mm: np.ndarray, shortfall_years: np.ndarray, rules: ZoneRules) -> np.ndarray:
    """Return the latest termination day of year that keeps the water tests; NaN when none does.

    Parameters
    ----------
    day : array (rung,)
        Tried dates, early to late.
    gap_mm, shortfall_years : arrays (place, rung)
        Mean planting gap and share of shortfall years for each date.
    rules : ZoneRules

    Notes
    -----
    Between two tried dates the answer is interpolated to where the first test fails.
    """
    values = {"gap": gap_mm, "shortfall": shortfall_years}
    slack = np.stack(
        [
            in_steps(getattr(rules, row.limits[-1]), row.step) - in_steps(values[row.name], row.step)
            for row in TEST_ROWS
            if row.name in values
        ],
        axis=-1,
    )
    passed = (slack >= 0.0).all(axis=-1)
    good = np.cumprod(passed, axis=1).sum(axis=1)
    out = np.full(gap_mm.shape[0], np.nan)
    last = len(day) - 1
    for place in np.flatnonzero((good > 0) & ~np.isnan(gap_mm).any(axis=1)):
        k = good[place] - 1
        if k == last:
            out[place] = day[last]
            continue
        here, there = slack[place, k], slack[place, k + 1]
        share = min(h / (h - t) for h, t in zip(here, there, strict=True) if t < 0)
        out[place] = day[k] + share * (day[k + 1] - day[k])
    return out
