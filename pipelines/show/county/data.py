"""What the county page carries: field outlines as integer steps, one table of fields, one packed table of sites."""

from __future__ import annotations

import base64
import zlib
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
import shapely
from geopandas import GeoDataFrame

from geo.options import COVERS, OPTIONS
from pipelines.run.result import StudyResult

FACTORS = ("", "season", "winter", "water")
SIMPLIFY_M = 1.5
SHARE_STEPS = 32768
"""Shares of a field are stored in steps of 1/32768: halves and quarters stay exact, so ties stay ties."""


def outline_steps(fields: GeoDataFrame, west: float, north: float, tolerance_m: float = SIMPLIFY_M) -> list[int]:
    """List all outlines as integers.

    Parameters
    ----------
    fields : GeoDataFrame
        Polygons in EPSG:3857.
    west, north : float
        Origin in EPSG:3857 [m]; x runs east, y south, in whole metres.
    tolerance_m : float
        Outlines are thinned by this distance.

    Returns
    -------
    list of int
        For each field the number of rings; for each ring the number of points, then the step to each point from the
        point before (the first from the first point of the ring before). Rings are closed by whoever draws them.
    """
    steps: list[int] = []
    last = np.zeros(2, np.int64)
    thin = shapely.simplify(fields.geometry.to_numpy(), tolerance_m, preserve_topology=True)
    for shape in thin:
        rings = []
        for part in shapely.get_parts(shape):
            rings += [r for r in shapely.get_rings(part) if not r.is_empty]
        steps.append(len(rings))
        for ring in rings:
            xy = np.rint((shapely.get_coordinates(ring)[:-1] - (west, north)) * (1, -1)).astype(np.int64)
            keep = np.ones(len(xy), bool)
            keep[1:] = np.any(np.diff(xy, axis=0) != 0, axis=1)
            xy = xy[keep]
            steps.append(len(xy))
            steps += np.diff(xy, axis=0, prepend=last[None, :]).ravel().tolist()
            last = xy[0]
    return steps


def field_columns(fields: GeoDataFrame) -> dict[str, dict[str, Any]]:
    """Return the property table by column.

    Text stands as it is (``v``) or as a number into a list of words (``n``, ``words``); numbers are whole multiples
    of 1 / ``k``, one higher so that 0 stands for a missing value, written by `text_of_integers`.
    """
    columns: dict[str, dict[str, Any]] = {}

    def text(name: str, source: str | None = None) -> None:
        columns[name] = {"v": fields[source or name].fillna("").astype(str).tolist()}

    def word(name: str) -> None:
        codes, words = pd.factorize(fields[name].fillna("").astype(str))
        columns[name] = {"n": text_of_integers(codes), "words": list(words)}

    def number(name: str, scale: int, source: str | None = None) -> None:
        values = fields[source or name].to_numpy(dtype=float)
        known = np.isfinite(values)
        whole = np.rint(np.where(known, values, 0) * scale).astype(np.int64)
        whole = np.where(known, whole + (whole >= 0), 0)
        columns[name] = {"n": text_of_integers(whole), "k": scale}

    text("field_id")
    text("name")
    word("previous_crop")
    word("next_crop")
    number("irrigated", 1)
    number("area_ha", 100)
    number("zone_code", 1)
    factors = [FACTORS.index(f) if f in FACTORS else 0 for f in fields["limiting_factor"]]
    columns["factor"] = {"n": text_of_integers(np.array(factors) + 1), "k": 1}
    number("capacity_mm", 10)
    for option in OPTIONS:
        number(f"planting_water_mm_{option}", 10)
    for option in COVERS:
        number(f"planting_gap_mm_{option}", 10)
        number(f"shortfall_years_{option}", 1000)
    number("latest_termination_day", 1)
    number("first_freeze_day", 1)
    number("agreement", 1000)
    number("seeding_rate_factor", 100)
    return columns


_ALPHABET = np.array(list("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"))


def text_of_integers(values: Iterable[int]) -> str:
    """Write whole numbers as text, five bits a letter, small ones first in length.

    The sign goes to the lowest bit; a letter from the upper half of the alphabet (bit 32) means that more bits
    follow. Half as long as decimal digits with commas, and read faster.
    """
    numbers = np.asarray(list(values) if not isinstance(values, np.ndarray) else values, np.int64)
    rest = np.where(numbers < 0, -2 * numbers - 1, 2 * numbers)
    letters = []
    more = np.ones(len(rest), bool)
    while more.any():
        last = rest < 32
        letters.append(np.where(more, _ALPHABET[(rest & 31) + np.where(last, 0, 32)], ""))
        more &= ~last
        rest = rest >> 5
    return "".join(np.stack(letters, axis=1).ravel().tolist()) if letters else ""


def site_arrays(result: StudyResult) -> dict[str, np.ndarray]:
    """Return every value by site that the page draws or tests, in the precision that the zones were made from.

    Arrays of several covers or targets run site by site within each cover: shape (cover, site) or
    (target, cover, site).
    """
    outcomes, rules = result.outcomes, result.settings.get("rules", {})
    covers = list(COVERS)

    def by_option(name: str, options: list[str]) -> np.ndarray:
        values = outcomes[name].sel(option=options)
        if "quantile" in values.dims:
            values = values.sel(quantile=0.5, method="nearest")
        return _exact(values.transpose("option", "site").values)

    winter = np.stack(
        [
            outcomes["winterkill_years" if c == "winter_killed" else "survival_years"].sel(option=c).values
            for c in covers
        ]
    )
    shortfall = outcomes["shortfall_by_target"].sel(option=covers).transpose("target", "option", "site").values.copy()
    targets, study = target_steps(result)
    if len(targets) > shortfall.shape[0]:
        shortfall = np.insert(shortfall, study, 0, axis=0)
    shortfall[study] = outcomes["shortfall_years"].sel(option=covers).transpose("option", "site").values
    zones = result.zones
    units = pd.factorize(result.sites["map_unit_id"])[0]
    return {
        "season": by_option("cover_ok_years", covers),
        "winter": _exact(winter),
        "gap": by_option("planting_gap_mm", covers),
        "shortfall": _exact(shortfall),
        "rated": result.sites["rated_share"].to_numpy(float) >= float(rules.get("rated_share_min", 0.5)) - 1e-9,
        "water": by_option("planting_water_mm", list(OPTIONS)).astype(np.float32),
        "latest": outcomes["latest_termination_day"].values.astype(np.float32),
        "freeze": outcomes["first_freeze_day"].sel(quantile=0.5, method="nearest").values.astype(np.float32),
        "agreement": outcomes["agreement"].values.astype(np.float32),
        "capacity": outcomes["capacity_mm"].values.astype(np.float32),
        "zone": zones["zone_code"].to_numpy(np.uint8),
        "factor": np.array([FACTORS.index(f) if f in FACTORS else 0 for f in zones["limiting_factor"]], np.uint8),
        "area": result.sites["area_ha"].to_numpy(np.float32),
        "map_unit": units.astype(np.uint32),
    }


def target_steps(result: StudyResult) -> tuple[list[float], int]:
    """Return the planting-water targets that the page offers (share of capacity) and the place of the study's own."""
    targets = [float(t) for t in result.outcomes["target"].values]
    own = float(result.settings.get("rules", {}).get("target_share", 0.5))
    for place, target in enumerate(targets):
        if abs(target - own) < 1e-6:
            return targets, place
    place = int(np.searchsorted(targets, own))
    return [*targets[:place], own, *targets[place:]], place


def coverage_arrays(result: StudyResult) -> dict[str, np.ndarray]:
    """Return the share of each field in each site, field by field: number of sites, their numbers, their shares."""
    coverage = result.coverage.tocsr()
    return {
        "cover_count": np.diff(coverage.indptr).astype(np.uint32),
        "cover_site": coverage.indices.astype(np.uint32),
        "cover_share": np.rint(np.clip(coverage.data, 0, 1) * SHARE_STEPS).astype(np.uint16),
    }


def pack(arrays: dict[str, np.ndarray]) -> dict[str, Any]:
    """Pack arrays into one compressed text: bytes of equal weight stand together, which packs floats well.

    Returns
    -------
    dict
        ``parts``: name, type (``f4``, ``f8``, ``u1``, ``u2``, ``u4``) and length of each array in order;
        ``data``: base64 of the zlib stream.
    """
    parts, chunks = [], []
    for name, values in arrays.items():
        flat = np.ascontiguousarray(values).ravel()
        if flat.dtype == bool:
            flat = flat.astype(np.uint8)
        flat = flat.astype(flat.dtype.newbyteorder("<"), copy=False)
        parts.append([name, f"{flat.dtype.kind}{flat.dtype.itemsize}", int(flat.size)])
        chunks.append(flat.view(np.uint8).reshape(flat.size, flat.dtype.itemsize).T.tobytes())
    return {"parts": parts, "data": base64.b64encode(zlib.compress(b"".join(chunks), 9)).decode("ascii")}


def _exact(values: np.ndarray) -> np.ndarray:
    """Keep single precision where the outcomes have it: wider would change no test, narrower could."""
    return values if values.dtype == np.float32 else values.astype(np.float64)
