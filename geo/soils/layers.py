"""Soils from grids: properties by depth become a finite set of profiles and a raster of codes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.profile import LAYER_EDGES_MM, N_LAYERS, PROFILE_MM, SURFACE_MM
from geo.soils import groups
from geo.soils.horizons import overlap_mm
from geo.soils.pedotransfer import TEXTURE_CLASSES, saxton_rawls, texture_class
from geo.soils.surface import DEFAULT_GROUP, DEFAULT_TEXTURE
from geo.soils.table import AWC_COLUMNS, PROFILE_COLUMNS, WILTING_COLUMNS

Floats = NDArray[np.float64]

STEP_MM = 2.0
"""Capacity of each one-foot layer is rounded to this, so that equal soils become one profile."""
CONTENT_STEP = 0.02
DEPTH_STEP_MM = 50.0
MAX_PROFILES = 4000
EXTEND_FROM_MM = 900.0
"""A product that ends between here and the fourth foot is continued with its deepest layer."""
INCOMPLETE, EMPTY = "incomplete", "no-water"


@dataclass(frozen=True, slots=True)
class GridSoils:
    """Soil of each cell, before equal cells are joined.

    Attributes
    ----------
    capacity_mm : ndarray, shape (4, y, x)
        Available water capacity of the one-foot layers, mm; NaN where a depth that counts is missing.
    fc, wp, sat : ndarray, shape (y, x)
        Water contents of the upper 100 mm, m3/m3.
    root_limit_mm : ndarray, shape (y, x)
    texture, group : ndarray of str, shape (y, x)
    outside : ndarray of bool, shape (y, x)
        True where the grid has no data at all.
    wilting_mm : ndarray or None, shape (4, y, x)
        Water held at wilting point in the one-foot layers, mm; None where only the capacity is known.
    """

    capacity_mm: Floats
    fc: Floats
    wp: Floats
    sat: Floats
    root_limit_mm: Floats
    texture: NDArray[np.object_]
    group: NDArray[np.object_]
    outside: NDArray[np.bool_]
    wilting_mm: Floats | None = None


def layer_weights(top_mm: Floats, bottom_mm: Floats) -> tuple[Floats, Floats]:
    """Return the depth intervals, the deepest one continued to the fourth foot where the product ends close to it.

    Parameters
    ----------
    top_mm, bottom_mm : ndarray, shape (k,)
        Depths from the surface, mm.

    Returns
    -------
    top_mm, bottom_mm : ndarray, shape (k,)
        In order of depth.

    Raises
    ------
    ValueError
        When the intervals overlap, leave a gap, or do not start at the surface.
    """
    order = np.argsort(top_mm)
    top, bottom = np.asarray(top_mm, float)[order], np.asarray(bottom_mm, float)[order].copy()
    if top[0] > 0 or np.any(bottom <= top) or np.any(np.abs(top[1:] - bottom[:-1]) > 1e-6):
        spans = ", ".join(f"{t / 10:g}-{b / 10:g}" for t, b in zip(top, bottom, strict=True))
        raise ValueError(f"depths {spans} cm do not run down from the surface without gap or overlap")
    if EXTEND_FROM_MM <= bottom[-1] < PROFILE_MM:
        bottom[-1] = PROFILE_MM
    return top, bottom


def foot_capacity(awc: Floats, top_mm: Floats, bottom_mm: Floats, root_limit_mm: Floats) -> Floats:
    """Cut a capacity by depth into the four one-foot layers.

    Parameters
    ----------
    awc : ndarray, shape (k, y, x)
        m3/m3 of each depth interval, sorted by depth.
    top_mm, bottom_mm : ndarray, shape (k,)
    root_limit_mm : ndarray, shape (y, x)
        Nothing counts below.

    Returns
    -------
    ndarray, shape (4, y, x)
        mm; NaN where an interval that counts has no value.
    """
    out = np.zeros((N_LAYERS, *awc.shape[1:]))
    limit = np.clip(root_limit_mm, 0.0, PROFILE_MM)
    for i in range(len(top_mm)):
        for j in range(N_LAYERS):
            top = max(float(top_mm[i]), LAYER_EDGES_MM[j])
            bottom = min(float(bottom_mm[i]), LAYER_EDGES_MM[j + 1])
            if bottom > top:
                mm = np.clip(np.minimum(limit, bottom) - top, 0.0, None)
                out[j] += np.where(mm > 0, mm * awc[i], 0.0)
    return out


def surface_mean(values: Floats, top_mm: Floats, bottom_mm: Floats, depth_mm: float = SURFACE_MM) -> Floats:
    """Return the thickness-weighted mean above a depth, shape (y, x)."""
    weight = overlap_mm(top_mm, bottom_mm, (0.0, depth_mm))[:, 0]
    used = weight > 0
    return np.asarray(np.tensordot(weight[used] / weight[used].sum(), values[used], axes=1))


def soils_from_texture(
    sand: Floats,
    clay: Floats,
    organic_matter_percent: Floats,
    fragments: Floats | None,
    top_mm: Floats,
    bottom_mm: Floats,
    root_limit_mm: Floats,
) -> GridSoils:
    """Estimate the soil of each cell from texture by depth (Saxton & Rawls 2006).

    Parameters
    ----------
    sand, clay : ndarray, shape (k, y, x)
        Fractions of the fine earth, 0-1.
    organic_matter_percent : ndarray, shape (k, y, x)
        Percent by weight; above 8 it is taken as 8, the end of the data behind the equations.
    fragments : ndarray or None, shape (k, y, x)
        Rock fragments, fraction of the volume.
    top_mm, bottom_mm : ndarray, shape (k,)
    root_limit_mm : ndarray, shape (y, x)

    Returns
    -------
    GridSoils
        NaN capacity where the equations do not hold (clay above 60 %).
    """
    outside = np.asarray(~(np.isfinite(sand) | np.isfinite(clay)).any(axis=0))
    total = sand + clay
    over = total > 1.0  # products round each fraction alone
    water = saxton_rawls(
        np.where(over, sand / total, sand),
        np.where(over, clay / total, clay),
        np.clip(organic_matter_percent, 0.0, 8.0),
    )
    soil = 1.0 if fragments is None else 1.0 - np.clip(np.nan_to_num(fragments), 0.0, 1.0)
    good = water.calibrated
    fc, wp, sat = (
        np.where(good, v, np.nan) * soil for v in (water.field_capacity, water.wilting_point, water.saturation)
    )
    ksat = np.where(good, water.ksat_mm_h / 3.6, np.nan)
    tight = [
        np.where(np.isfinite(part).any(axis=0), np.fmin.reduce(part, axis=0), np.nan)
        for part in (ksat[top_mm < depth] for depth in (500.0, 600.0, 1000.0))
    ]
    limit_cm = np.where(root_limit_mm < PROFILE_MM, root_limit_mm / 10.0, np.inf)
    group = groups.hydrologic_group(tight[0], tight[1], tight[2], limit_cm, np.inf)
    args = (top_mm, bottom_mm)
    texture = texture_class(surface_mean(sand, *args), surface_mean(clay, *args))
    return GridSoils(
        foot_capacity(fc - wp, top_mm, bottom_mm, root_limit_mm),
        surface_mean(fc, *args),
        surface_mean(wp, *args),
        surface_mean(sat, *args),
        np.minimum(root_limit_mm, bottom_mm[-1]),
        texture,
        np.where(group == "", DEFAULT_GROUP, group).astype(object),
        outside,
        foot_capacity(wp, top_mm, bottom_mm, root_limit_mm),
    )


def soils_from_water(
    awc: Floats,
    fc: Floats | None,
    wp: Floats | None,
    top_mm: Floats,
    bottom_mm: Floats,
    root_limit_mm: Floats,
    surface: pd.DataFrame,
) -> GridSoils:
    """Describe the soil of each cell from its capacity, or from field capacity and wilting point.

    Where only the capacity is known, the wilting point is the table's for loam and field capacity is that plus the
    capacity; saturation and the hydrologic group are those of loam. The caller says so to the user.

    Parameters
    ----------
    awc : ndarray, shape (k, y, x)
        m3/m3.
    fc, wp : ndarray or None, shape (k, y, x)
        m3/m3.
    top_mm, bottom_mm : ndarray, shape (k,)
    root_limit_mm : ndarray, shape (y, x)
    surface : DataFrame
        Index ``texture``; ``wp_low``, ``wp_high``, ``sat``.

    Returns
    -------
    GridSoils
    """
    shape = awc.shape[1:]
    loam = surface.loc[DEFAULT_TEXTURE]
    args = (top_mm, bottom_mm)
    wp_top = np.full(shape, (loam["wp_low"] + loam["wp_high"]) / 2) if wp is None else surface_mean(wp, *args)
    fc_top = wp_top + surface_mean(awc, *args) if fc is None else surface_mean(fc, *args)
    return GridSoils(
        foot_capacity(awc, top_mm, bottom_mm, root_limit_mm),
        fc_top,
        wp_top,
        np.maximum(float(loam["sat"]), fc_top + 0.05),
        np.minimum(root_limit_mm, bottom_mm[-1]),
        np.full(shape, DEFAULT_TEXTURE, dtype=object),
        np.full(shape, DEFAULT_GROUP, dtype=object),
        np.asarray(~np.isfinite(awc).any(axis=0)),
        None if wp is None else foot_capacity(wp, top_mm, bottom_mm, root_limit_mm),
    )


def join_equal_cells(
    soils: GridSoils, *, step_mm: float = STEP_MM, max_profiles: int = MAX_PROFILES
) -> tuple[pd.DataFrame, pd.DataFrame, NDArray[np.int32], dict[int, str], float]:
    """Join cells with equal soil into profiles, so that each soil is simulated once.

    Capacity is rounded to `step_mm` a foot, water contents to 0.02, the root limit to 50 mm. All steps are doubled
    until there are at most `max_profiles` soils.

    Parameters
    ----------
    soils : GridSoils
    step_mm : float
        Step to which the capacity of a foot is rounded, mm.
    max_profiles : int

    Returns
    -------
    profiles, map_units : DataFrame
        As in `geo.soils.table.SoilTable`; one profile for each map unit.
    codes_by_cell : ndarray of int32, shape (y, x)
        -1 where there is no data.
    codes : dict
        Code to map unit.
    step_mm : float
        The step that was used.
    """
    unknown = ~np.isfinite(soils.capacity_mm).all(axis=0) | ~np.isfinite(soils.fc) | ~np.isfinite(soils.wp)
    dry = ~unknown & ~(np.nansum(soils.capacity_mm, axis=0) > 0)
    rated = ~unknown & ~dry & ~soils.outside
    factor = 1.0
    while True:
        steps = (step_mm * factor, CONTENT_STEP * factor, DEPTH_STEP_MM * factor)
        key = _pack(soils, rated, steps)
        kinds, first, inverse = np.unique(key, return_index=True, return_inverse=True)
        if len(kinds) <= max_profiles:
            break
        factor *= 2.0
    codes_by_cell = np.full(soils.fc.shape, -1, dtype=np.int32)
    codes_by_cell[rated] = inverse.astype(np.int32)
    rows, units = [], []
    picked = np.flatnonzero(rated.ravel())[first]
    wilting = _mean_by_kind(soils.wilting_mm, rated, inverse, len(kinds))
    for index, mean in zip(picked, wilting, strict=True):
        row = _profile(soils, int(index), steps) | dict(zip(WILTING_COLUMNS, mean, strict=True))
        rows.append(row)
        layers = ", ".join(f"{row[c]:g}" for c in AWC_COLUMNS)
        total = sum(float(str(row[c])) for c in AWC_COLUMNS)
        units.append((row["map_unit_id"], f"{total:g} mm", f"Soil that holds {layers} mm by foot", 1.0, ""))
    codes = {i: str(row["map_unit_id"]) for i, row in enumerate(rows)}
    for name, cells, reason in (
        (INCOMPLETE, unknown & ~soils.outside, "soil data missing or out of range in part of the depth"),
        (EMPTY, dry & ~soils.outside, "no soil that holds water"),
    ):
        if cells.any():
            code = len(codes)
            codes[code] = name
            codes_by_cell[cells] = code
            units.append((name, "", reason, 0.0, reason))
    profiles = pd.DataFrame(rows, columns=["profile_id", *PROFILE_COLUMNS, "weight", *WILTING_COLUMNS])
    profiles = profiles.set_index("profile_id")
    columns = ["map_unit_id", "symbol", "name", "rated_share", "reason"]
    map_units = pd.DataFrame(units, columns=columns).set_index("map_unit_id")
    return profiles, map_units, codes_by_cell, codes, steps[0]


def _mean_by_kind(layers: Floats | None, rated: NDArray[np.bool_], kind: NDArray[np.intp], count: int) -> Floats:
    """Return the mean of each one-foot layer over the cells of each kind of soil, (kind, 4); NaN where unknown."""
    if layers is None:
        return np.full((count, N_LAYERS), np.nan)
    cells = np.maximum(np.bincount(kind, minlength=count), 1)
    return np.stack([np.bincount(kind, weights=v[rated], minlength=count) / cells for v in layers], axis=1)


def _pack(soils: GridSoils, rated: NDArray[np.bool_], steps: tuple[float, float, float]) -> NDArray[np.int64]:
    """Return one number for each rated cell that is equal for equal soils."""
    awc, content, depth = steps
    key = np.zeros(int(rated.sum()), dtype=np.int64)

    def add(values: NDArray[np.int64], size: int) -> None:
        nonlocal key
        key = key * size + np.clip(values, 0, size - 1)

    for layer in soils.capacity_mm:
        add(np.rint(layer[rated] / awc).astype(np.int64), 160)
    for part in (soils.fc, soils.wp, soils.sat):
        add(np.rint(part[rated] / content).astype(np.int64), 52)
    add(np.rint(soils.root_limit_mm[rated] / depth).astype(np.int64), 26)
    names = pd.Index(["", *TEXTURE_CLASSES])
    add(names.get_indexer(soils.texture[rated]).astype(np.int64), len(names) + 1)
    add(pd.Index(groups.GROUPS).get_indexer(soils.group[rated]).astype(np.int64), 4)
    return key


def _profile(soils: GridSoils, index: int, steps: tuple[float, float, float]) -> dict[str, object]:
    awc, content, depth = steps
    at = np.unravel_index(index, soils.fc.shape)
    layers = [float(np.rint(layer[at] / awc) * awc) for layer in soils.capacity_mm]
    fc, wp, sat = (float(np.rint(v[at] / content) * content) for v in (soils.fc, soils.wp, soils.sat))
    wp = min(max(wp, 0.01), 0.9)
    fc = max(fc, wp + 0.01)
    sat = min(max(sat, fc + 0.01), 1.0)
    limit = float(min(np.rint(soils.root_limit_mm[at] / depth) * depth, PROFILE_MM))
    texture, group = str(soils.texture[at]), str(soils.group[at])
    name = "-".join(
        [
            *(f"{v:g}" for v in layers),
            f"fc{fc * 100:.0f}",
            f"wp{wp * 100:.0f}",
            f"s{sat * 100:.0f}",
            f"r{limit / 10:.0f}",
            texture.replace(" ", "_") or "any",
            group,
        ]
    )
    return {
        "profile_id": f"{name}-1",
        "map_unit_id": name,
        "component": texture,
        "share": 1.0,
        **dict(zip(AWC_COLUMNS, layers, strict=True)),
        "fc_surface": fc,
        "wp_surface": wp,
        "sat_surface": sat,
        "root_limit_mm": limit,
        "hydrologic_group": group,
        "drainage_class": "",
        "surface_texture": texture,
        "slope_percent": np.nan,
        "rated": True,
        "reason": "",
        "weight": 1.0,
    }
