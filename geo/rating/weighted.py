"""Quantiles and means of mixtures: a map unit is its components, in their shares, never one average soil."""

from __future__ import annotations

import numpy as np
import pandas as pd

CHUNK_VALUES = 4_000_000
"""Values that are sorted at a time: some ten arrays of 32 MB, however many days and components a site has."""


def padded_members(site_units: pd.DataFrame, n_sites: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (unit, weight) arrays of shape (site, member), padded with unit 0 and weight 0.

    Parameters
    ----------
    site_units : DataFrame
        Columns ``site``, ``unit``, ``weight``.
    n_sites : int
    """
    ordered = site_units.sort_values("site", kind="stable")
    place = ordered.groupby("site").cumcount().to_numpy()
    width = int(place.max(initial=0)) + 1
    unit = np.zeros((n_sites, width), np.int64)
    weight = np.zeros((n_sites, width))
    site = ordered["site"].to_numpy()
    unit[site, place] = ordered["unit"].to_numpy()
    weight[site, place] = ordered["weight"].to_numpy()
    return unit, weight


def mixture_mean(values: np.ndarray, unit: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return weighted means over members; `values` (unit, ...) -> (site, ...). NaN where a site has no member."""
    total = weight.sum(axis=1)
    out = np.zeros((unit.shape[0], *values.shape[1:]))
    extra = (1,) * (values.ndim - 1)
    for m in range(unit.shape[1]):
        share = weight[:, m].reshape(-1, *extra)
        out += np.where(share > 0, share * values[unit[:, m]], 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return out / np.where(total > 0, total, np.nan).reshape(-1, *extra)


def mixture_quantile(
    values: np.ndarray, unit: np.ndarray, weight: np.ndarray, q: tuple[float, ...], chunk_values: int = CHUNK_VALUES
) -> np.ndarray:
    """Return weighted quantiles over the members and the first axis after the unit axis.

    Parameters
    ----------
    values : array (unit, season, ...)
    unit, weight : arrays (site, member)
    q : tuple of float
        Probabilities.
    chunk_values : int
        How many values are sorted at a time; the result does not depend on it.

    Returns
    -------
    array (site, q, ...)
        NaN where a site has no member or all values are missing. With one member this is the usual linear quantile
        (Hyndman and Fan 1996, type 7); with several, each value carries its member's weight.
    """
    rest = values.shape[2:]
    out = np.full((unit.shape[0], len(q), *rest), np.nan)
    probability = np.asarray(q)
    chunk = max(1, chunk_values // max(1, unit.shape[1] * int(np.prod(values.shape[1:]))))
    for start in range(0, unit.shape[0], chunk):
        part = slice(start, start + chunk)
        picked = values[unit[part]].astype(float)
        weights = np.broadcast_to(weight[part].reshape(*weight[part].shape, 1, *(1,) * len(rest)), picked.shape)
        n = picked.shape[0]
        picked = np.moveaxis(picked.reshape(n, -1, *rest), 1, -1)
        weights = np.moveaxis(weights.reshape(n, -1, *rest), 1, -1)
        weights = np.where(np.isnan(picked), 0.0, weights)
        order = np.argsort(np.where(weights > 0, picked, np.inf), axis=-1)
        picked = np.take_along_axis(picked, order, axis=-1)
        weights = np.take_along_axis(weights, order, axis=-1)
        out[part] = np.moveaxis(_interpolate(picked, weights, probability), -1, 1)
    return out


def _interpolate(values: np.ndarray, weights: np.ndarray, q: np.ndarray) -> np.ndarray:
    """Interpolate sorted weighted values (weight 0 last) at probabilities `q`; (..., n) -> (..., q)."""
    total = weights.sum(axis=-1, keepdims=True)
    count = (weights > 0).sum(axis=-1, keepdims=True)
    cumulative = np.cumsum(weights, axis=-1)
    last = np.maximum(count - 1, 0)
    last_weight = np.take_along_axis(weights, last, axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        position = (cumulative - weights) / (total - last_weight)
    position = np.where(np.arange(values.shape[-1]) >= count, np.inf, position)
    position = np.where(count == 1, np.where(np.arange(values.shape[-1]) == 0, 0.0, np.inf), position)
    result = np.empty((*values.shape[:-1], len(q)))
    for k, p in enumerate(q):
        upper = np.minimum((position < p - 1e-12).sum(axis=-1, keepdims=True), last)
        lower = np.maximum(upper - 1, 0)
        v0, v1 = (np.take_along_axis(values, i, axis=-1) for i in (lower, upper))
        p0, p1 = (np.take_along_axis(position, i, axis=-1) for i in (lower, upper))
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(p1 > p0, (p - p0) / (p1 - p0), 1.0)
        result[..., k] = (v0 + np.clip(share, 0.0, 1.0) * (v1 - v0))[..., 0]
    return np.where(count > 0, result, np.nan)
