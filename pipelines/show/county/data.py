"""What the county page carries: field outlines as integer steps, one table of fields, values by site and field."""

from __future__ import annotations

import base64
import zlib
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
import shapely
import xarray as xr
from geopandas import GeoDataFrame
from numpy.typing import ArrayLike

from geo.options import COVERS
from geo.rating import NOT_RATED, TEST_ROWS, TESTS, ZONE_CODES, in_steps, test_values
from pipelines.run.result import StudyResult

SIMPLIFY_M = 1.5
MISSING = -32768
"""A tested value that is not known."""
_BY_TARGET = {"shortfall_years": "shortfall_by_target"}
"""Tested outcomes that depend on the planting-water target, and where they are given for every target."""


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

    Text is given as it is (``v``) or as a number into a list of words (``n``, ``words``); numbers are whole multiples
    of 1 / ``k``, one higher so that 0 marks a missing value, written by `text_of_integers`.
    """
    columns: dict[str, dict[str, Any]] = {}

    def text(name: str) -> None:
        columns[name] = {"v": fields[name].fillna("").astype(str).tolist()}

    def word(name: str) -> None:
        codes, words = pd.factorize(fields[name].fillna("").astype(str))
        columns[name] = {"n": text_of_integers(codes), "words": list(words)}

    def number(name: str, scale: int = 1, values: ArrayLike | None = None) -> None:
        whole = in_steps(np.asarray(fields[name] if values is None else values, float), 1.0 / scale)
        known = np.isfinite(whole)
        whole = np.where(known, whole, 0).astype(np.int64)
        columns[name] = {"n": text_of_integers(np.where(known, whole + (whole >= 0), 0)), "k": scale}

    text("field_id")
    text("name")
    word("previous_crop")
    word("next_crop")
    number("irrigated")
    number("area_ha", 100)
    number("zone_code")
    number("limiting_cover", values=[COVERS.index(o) if o else np.nan for o in fields["limiting_option"]])
    number("limiting_test", values=[TESTS.index(t) if t else np.nan for t in fields["limiting_test"]])
    number("largest_zone", values=[ZONE_CODES[zone] for zone in fields["largest_zone"]])
    number("largest_zone_share", 1000)
    number("capacity_mm", 10)
    number("planting_water_mm_stubble", 10)
    for option in COVERS:
        number(f"planting_gap_mm_{option}", 10)
        number(f"shortfall_years_{option}", 1000)
    number("latest_termination_day")
    number("first_freeze_day")
    number("agreement", 1000)
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
    """Return what the page draws by site besides the tested values; water is that of stubble."""
    outcomes, sites = result.outcomes, result.sites
    return {
        "water": outcomes["planting_water_mm"].sel(option="stubble", stat="mean").values.astype(np.float32),
        "latest": outcomes["latest_termination_day"].values.astype(np.float32),
        "freeze": outcomes["first_freeze_day"].sel(quantile=0.5).values.astype(np.float32),
        "agreement": result.zones["agreement"].to_numpy(np.float32),
        "capacity": outcomes["capacity_mm"].values.astype(np.float32),
        "area": sites["area_ha"].to_numpy(np.float32),
        "map_unit": pd.factorize(sites["map_unit_id"])[0].astype(np.uint32),
    }


def judged_arrays(result: StudyResult) -> dict[str, np.ndarray]:
    """Return the tested values by site and by field, and whether each place is rated.

    Returns
    -------
    dict
        ``site_<test>`` and ``field_<test>``: int16 whole steps of the test, `MISSING` where unknown, shape
        (cover, place), or (target, cover, place) where the value depends on the planting-water target;
        ``site_rated`` and ``field_rated``: False where a place has no zone, whatever the limits are.
    """
    arrays: dict[str, np.ndarray] = {}
    places = (("site", result.outcomes, result.zones), ("field", result.field_outcomes, result.fields))
    for place, outcomes, table in places:
        own = test_values(outcomes)
        for k, test in enumerate(TEST_ROWS):
            value = own[:, :, k].T
            if set(test.values) <= set(_BY_TARGET):
                value = _by_target(result, outcomes, _BY_TARGET[test.values[0]], value)
            steps = in_steps(value, test.step)
            arrays[f"{place}_{test.name}"] = np.where(np.isnan(steps), MISSING, steps).astype(np.int16)
        arrays[f"{place}_rated"] = table["zone_code"].to_numpy() != NOT_RATED
    return arrays


def _by_target(result: StudyResult, outcomes: xr.Dataset, name: str, own: np.ndarray) -> np.ndarray:
    """Return (target, cover, place), at the study's own target exactly what the study tested."""
    values = outcomes[name].sel(option=list(COVERS)).transpose("target", "option", ...).values.astype(float)
    targets, place = target_steps(result)
    if len(targets) > len(values):
        return np.insert(values, place, own, axis=0)
    values[place] = own
    return values


def target_steps(result: StudyResult) -> tuple[list[float], int]:
    """Return the planting-water targets that the page offers (share of capacity) and the place of the study's own."""
    targets = [float(t) for t in result.outcomes["target"].values]
    own = float(result.settings["rules"]["target_share"])
    for place, target in enumerate(targets):
        if abs(target - own) < 1e-6:
            return targets, place
    place = int(np.searchsorted(targets, own))
    return [*targets[:place], own, *targets[place:]], place


def pack(arrays: dict[str, np.ndarray]) -> dict[str, Any]:
    """Pack arrays into one compressed text: bytes of equal weight lie together, which packs well.

    Returns
    -------
    dict
        ``parts``: name, type (such as ``f4``, ``i2``, ``u1``) and length of each array in order;
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
