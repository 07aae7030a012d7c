"""The one answer of a place: every test of every cover, the zone that follows, and what limits the place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from geo.options import COVERS
from geo.rating.rule import (
    FACTOR_OF_TEST,
    NOT_RATED,
    TEST_ROWS,
    TESTS,
    ZONE_NAMES,
    ZONE_ROWS,
    ZoneRules,
    in_steps,
    limits_in_steps,
)

_AT_LEAST = np.array([row.at_least for row in TEST_ROWS])
_STEP = np.array([row.step for row in TEST_ROWS])
_FLOOR = in_steps(np.array([row.floor for row in TEST_ROWS]), _STEP)
_IS_WATER = np.array([factor == "water" for factor in FACTOR_OF_TEST])


@dataclass(frozen=True)
class Limits:
    """The limits under which each place is judged.

    Attributes
    ----------
    steps : array (place, cover, test) or (1, cover, test)
        Limits in steps of each test.
    waived : bool array (place, test) or (1, test)
        True where a test always passes: the water tests of irrigated ground, where water is bought and not saved.
    """

    steps: NDArray[np.float64]
    waived: NDArray[np.bool_]

    @classmethod
    def of(cls, dryland: ZoneRules, irrigated: ZoneRules, is_irrigated: NDArray[np.bool_]) -> Limits:
        """Return the limits of places of which some are irrigated; `is_irrigated` has one value a place."""
        wet = np.asarray(is_irrigated, bool)
        steps = np.where(wet[:, None, None], limits_in_steps(irrigated), limits_in_steps(dryland))
        return cls(steps, wet[:, None] & _IS_WATER)


@dataclass(frozen=True)
class Judged:
    """Places with their tests and zones.

    Attributes
    ----------
    verdicts : Dataset
        Dims place (named as in the outcomes: ``site`` or ``field``), ``cover``, ``test``. ``value`` and ``limit`` in
        the unit of the test, ``passed``, ``waived``, ``margin`` (share of the limit, from zero on it passes; NaN
        where waived or unknown), ``share`` (of the ground of the place, 0-1, that passes when each soil is judged
        alone).
    table : DataFrame
        One row a place: ``zone_code``, ``zone``, ``limiting_factor``, ``limiting_option``, ``limiting_test``
        ("" where nothing limits), ``margin`` (of the answer where a cover fits, else of the limiting cover),
        ``recommended_option``.
    """

    verdicts: xr.Dataset
    table: pd.DataFrame


def test_values(outcomes: xr.Dataset) -> NDArray[np.float64]:
    """Return the tested values of each cover.

    Parameters
    ----------
    outcomes : Dataset
        By place and option. Of outcomes with statistics over the years the mean is tested.

    Returns
    -------
    array (place, cover, test)
        In the unit of each test.
    """
    columns = []
    for c, cover in enumerate(COVERS):
        tested = [outcomes[row.values[c]].sel(option=cover) for row in TEST_ROWS]
        columns.append(
            np.stack([np.asarray(v.sel(stat="mean") if "stat" in v.dims else v, float) for v in tested], axis=1)
        )
    return np.stack(columns, axis=1)


test_values.__test__ = False  # type: ignore[attr-defined]


def margins(values: NDArray[np.float64], limits: Limits) -> NDArray[np.float64]:
    """Return the margin of each test as a share of its limit.

    Parameters
    ----------
    values : array (place, cover, test)
        From `test_values`.
    limits : Limits

    Returns
    -------
    array (place, cover, test)
        From zero on the test passes; infinite where it is waived, NaN where the value is unknown.
    """
    steps = in_steps(values, _STEP)
    slack = np.where(_AT_LEAST, steps - limits.steps, limits.steps - steps)
    margin = slack / np.maximum(limits.steps, _FLOOR)
    return np.where(limits.waived[:, None, :] & ~np.isnan(steps), np.inf, margin)


@dataclass(frozen=True)
class Found:
    """Zones by place; covers and tests by their position, -1 for none."""

    code: NDArray[np.int64]
    cover: NDArray[np.int64]
    test: NDArray[np.int64]
    margin: NDArray[np.float64]
    answer: NDArray[np.int64]


def find_zones(margin: NDArray[np.float64], rated: NDArray[np.bool_]) -> Found:
    """Give each place its zone, what limits it, and by how much.

    Parameters
    ----------
    margin : array (place, cover, test)
        From `margins`.
    rated : bool array (place,)
        False gives the zone "not rated", as does a test without a value.

    Returns
    -------
    Found

    Notes
    -----
    Ties go to the first test and the first cover in their order.
    """
    n = len(margin)
    rated = np.asarray(rated, bool) & ~np.isnan(margin).any(axis=(1, 2))
    passed: NDArray[np.bool_] = np.greater_equal(margin, 0.0)
    fits: NDArray[np.bool_] = np.all(passed, axis=2)
    margin = np.where(np.isnan(margin), -np.inf, margin)
    code, cover, test, answer = (np.full(n, start, np.int64) for start in (0, -1, -1, -1))
    size = np.full(n, np.nan)
    code[~rated] = NOT_RATED
    for zone in ZONE_ROWS:
        open_ = code == 0
        open_ &= fits[:, _covers(zone.fits_all)].all(axis=1)
        if zone.fits_any:
            open_ &= fits[:, _covers(zone.fits_any)].any(axis=1)
        eligible: NDArray[np.bool_] = np.all(passed[:, :, _tests(zone.some_passes)], axis=2)
        here = np.flatnonzero(open_ & eligible.any(axis=1))
        code[here] = zone.code
        if zone.limit_covers:
            among, tests = _covers(zone.limit_covers), _tests(zone.limit_tests)
            part = margin[np.ix_(here, among, tests)]
            worst = np.where(eligible[np.ix_(here, among)], part.min(axis=2), -np.inf)
            nearest = worst.argmax(axis=1)
            row = np.arange(len(here))
            cover[here] = among[nearest]
            test[here] = tests[part[row, nearest].argmin(axis=1)]
            size[here] = worst[row, nearest]
        for choice in reversed(_covers(zone.answers)):
            fitting = here[fits[here, choice]]
            answer[fitting] = choice
            size[fitting] = margin[fitting, choice].min(axis=1)
    return Found(code, cover, test, size, answer)


def _covers(names: tuple[str, ...]) -> NDArray[np.int64]:
    return np.array([COVERS.index(name) for name in names], np.int64)


def _tests(names: tuple[str, ...]) -> NDArray[np.int64]:
    return np.array([TESTS.index(name) for name in names], np.int64)


def judge(
    outcomes: xr.Dataset,
    limits: Limits,
    rated: NDArray[np.bool_],
    ground: tuple[csr_matrix, NDArray[np.bool_]] | None = None,
) -> Judged:
    """Judge places by their outcomes.

    Parameters
    ----------
    outcomes : Dataset
        By place and option (`geo.rating.outcome`).
    limits : Limits
    rated : bool array (place,)
        Whether enough of the place is rated.
    ground : tuple of csr_matrix (place, part) and bool array (place x part entries, cover, test), optional
        Share of each place in each of its parts, and whether each entry's part passes when judged by itself
        (`passes_by_part`). Without it a place is one part.

    Returns
    -------
    Judged
    """
    value = test_values(outcomes)
    margin = margins(value, limits)
    found = find_zones(margin, rated)
    waived = np.broadcast_to(limits.waived[:, None, :], value.shape)
    known = ~np.isnan(value)
    passed = (margin >= 0.0) & known
    share = passed.astype(np.float32) if ground is None else _share_of_ground(*ground)
    dim = str(outcomes["shortfall_years"].dims[0])
    dims = (dim, "cover", "test")
    limit = np.broadcast_to(limits.steps * _STEP, value.shape)
    verdicts = xr.Dataset(
        {
            "value": (dims, in_steps(value, _STEP) * _STEP),
            "limit": (dims, limit.copy()),
            "passed": (dims, passed),
            "waived": (dims, waived & known),
            "margin": (dims, np.where(np.isfinite(margin), margin, np.nan)),
            "share": (dims, share.astype(np.float32)),
        },
        coords={dim: outcomes[dim].values, "cover": list(COVERS), "test": list(TESTS)},
    )
    table = pd.DataFrame(
        {
            "zone_code": found.code.astype(np.uint8),
            "zone": [ZONE_NAMES[int(c)] for c in found.code],
            "limiting_factor": _named(FACTOR_OF_TEST, found.test),
            "limiting_option": _named(COVERS, found.cover),
            "limiting_test": _named(TESTS, found.test),
            "margin": np.where(np.isfinite(found.margin), found.margin, np.nan),
            "recommended_option": np.where(
                found.code == NOT_RATED, "", np.where(found.answer < 0, "stubble", _named(COVERS, found.answer))
            ),
        },
        index=pd.Index(outcomes[dim].values, name=dim),
    )
    return Judged(verdicts, table)


def _named(names: tuple[str, ...], place: NDArray[np.int64]) -> NDArray[np.str_]:
    return np.array([*names, ""])[place]


def passes_by_part(
    coverage: csr_matrix, dry: xr.Dataset, wet: xr.Dataset, is_irrigated: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return whether the part of each entry of a coverage passes each test, under the rule of the place.

    Parameters
    ----------
    coverage : csr_matrix (place, part)
    dry, wet : Dataset
        Verdicts of the parts under the dryland and the irrigated rule.
    is_irrigated : bool array (place,)

    Returns
    -------
    bool array (entry, cover, test), entries in the order of ``coverage.data``.
    """
    row = np.repeat(np.arange(coverage.shape[0]), np.diff(coverage.indptr))
    under_wet = np.asarray(is_irrigated, bool)[row][:, None, None]
    one, other = (v["passed"].values[coverage.indices] for v in (wet, dry))
    return np.where(under_wet, one, other)


def _share_of_ground(coverage: csr_matrix, passes: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the share of each place whose parts pass, shape (place, cover, test)."""
    entries = len(coverage.data)
    rows = csr_matrix((coverage.data, np.arange(entries), coverage.indptr), shape=(coverage.shape[0], entries))
    per_entry = passes.reshape(entries, int(np.prod(passes.shape[1:]))).astype(float)
    return np.asarray(rows @ per_entry).reshape(coverage.shape[0], *passes.shape[1:])
