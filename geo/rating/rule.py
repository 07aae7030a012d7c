"""The zone rule as data: tests, zones in the order in which they are tried, and the limits that a study may set.

The program judges places by these rows, and the county page is given the same rows (`rule_data`), so that a rule that
is tried in the browser and the rule of the run cannot drift apart. A new test is one row of `TEST_ROWS`, a field of
`ZoneRules` with its row in ``shared/zone_rules.toml``, and its words in ``shared/text_en.toml``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.options import COVERS
from geo.rule_table import rule_values


@dataclass(frozen=True, slots=True)
class ZoneRules:
    """Limits of the zone tests; meaning, unit and source of each are in ``shared/zone_rules.toml``."""

    season_min: float = 0.7
    winterkill_min: float = 0.9
    survival_min: float = 0.7
    planting_gap_max_mm: float = 38.1
    shortfall_max: float = 0.2
    target_share: float = 0.5
    ground_cover_min: float = 0.3
    rated_share_min: float = 0.5

    @classmethod
    def from_table(cls, table: Mapping[str, Mapping[str, Any]], **changes: float) -> ZoneRules:
        """Build rules from the shared table (name -> row with ``value``, ``low``, ``high``) and a study's changes.

        Raises
        ------
        StudyError
            For an unknown rule, or a value outside the row's range.
        """
        names = [f.name for f in fields(cls)]
        return cls(**rule_values(table, names, "shared/zone_rules.toml", changes))


@dataclass(frozen=True, slots=True)
class TestRow:
    """One test of a cover.

    Attributes
    ----------
    name : str
    factor : str
        What it is about: ``season``, ``winter`` or ``water``. Water tests are waived on irrigated ground.
    values : tuple of str
        Outcome that is tested, for each cover in the order of `geo.options.COVERS`.
    limits : tuple of str
        Limit (a field of `ZoneRules`) for each cover.
    at_least : bool
        True where the value must reach the limit, False where it must not exceed it.
    step : float
        Values and limits are compared in whole steps of this size: 0.001 of a share of years, 0.1 mm of water.
        Nothing finer is known, and equal numbers on a page are then equal in the rule.
    floor : float
        The margin is a share of the limit, but of no less than this.
    """

    __test__ = False
    name: str
    factor: str
    values: tuple[str, ...]
    limits: tuple[str, ...]
    at_least: bool
    step: float
    floor: float


@dataclass(frozen=True, slots=True)
class ZoneRow:
    """One zone and when a place belongs to it; the first zone of `ZONE_ROWS` that matches is taken.

    Attributes
    ----------
    code : int
    name : str
    fits_all, fits_any : tuple of str
        Covers that must pass all their tests: each of the first, one of the second.
    some_passes : tuple of str
        Tests that at least one cover must pass, all of them.
    answers : tuple of str
        The first of these covers that fits is the recommended one; empty where the stubble is kept.
    limit_covers : tuple of str
        Covers that keep the place from a better zone; the one nearest to passing limits it. Where `some_passes` names
        tests, only covers that pass them count.
    limit_tests : tuple of str
        Tests among which the limiting one is looked for.
    """

    code: int
    name: str
    fits_all: tuple[str, ...] = ()
    fits_any: tuple[str, ...] = ()
    some_passes: tuple[str, ...] = ()
    answers: tuple[str, ...] = ()
    limit_covers: tuple[str, ...] = ()
    limit_tests: tuple[str, ...] = ()


TEST_ROWS = (
    TestRow("season", "season", ("cover_ok_years",) * 3, ("season_min",) * 3, True, 0.001, 0.01),
    TestRow(
        "winter",
        "winter",
        ("winterkill_years", "survival_years", "survival_years"),
        ("winterkill_min", "survival_min", "survival_min"),
        True,
        0.001,
        0.01,
    ),
    TestRow("gap", "water", ("planting_gap_mm",) * 3, ("planting_gap_max_mm",) * 3, False, 0.1, 1.0),
    TestRow("shortfall", "water", ("shortfall_years",) * 3, ("shortfall_max",) * 3, False, 0.001, 0.01),
)
TESTS = tuple(row.name for row in TEST_ROWS)
FACTOR_OF_TEST = tuple(row.factor for row in TEST_ROWS)
_WATER = tuple(row.name for row in TEST_ROWS if row.factor == "water")
_OTHER = tuple(row.name for row in TEST_ROWS if row.factor != "water")
_KILLED, _EARLY, _LATE = COVERS

ZONE_ROWS = (
    ZoneRow(5, "either", fits_all=(_KILLED, _LATE), answers=(_KILLED,)),
    ZoneRow(
        4, "winter_killed_or_early", fits_all=(_KILLED, _EARLY), answers=(_KILLED,), limit_covers=(_LATE,),
        limit_tests=TESTS,
    ),
    ZoneRow(
        3, "winter_killed", fits_all=(_KILLED,), answers=(_KILLED,), limit_covers=(_EARLY,), limit_tests=TESTS
    ),
    ZoneRow(
        6, "overwintering", fits_any=(_EARLY, _LATE), answers=(_EARLY, _LATE), limit_covers=(_KILLED,),
        limit_tests=TESTS,
    ),
    ZoneRow(2, "stubble_season", some_passes=_WATER, limit_covers=COVERS, limit_tests=_OTHER),
    ZoneRow(1, "stubble_water", limit_covers=COVERS, limit_tests=_WATER),
)  # fmt: skip
OUTSIDE, NOT_RATED = 0, 7
ZONE_NAMES = MappingProxyType(
    {row.code: row.name for row in sorted(ZONE_ROWS, key=lambda z: z.code)} | {7: "not_rated"}
)
"""Zone names by code, from dry to wet."""
ZONE_CODES = MappingProxyType({name: code for code, name in ZONE_NAMES.items()})
RECOMMENDED_OPTION = MappingProxyType(
    {row.name: (row.answers or ("stubble",))[0] for row in ZONE_ROWS} | {"not_rated": ""}
)
"""What a zone recommends first."""


def in_steps(values: NDArray[Any] | float, step: NDArray[Any] | float) -> NDArray[np.float64]:
    """Return values as whole numbers of steps, halves upwards.

    Parameters
    ----------
    values : array or float
    step : array or float
        Size of a step, in the unit of the values.

    Returns
    -------
    array
        Whole numbers as floats; NaN stays NaN.
    """
    return np.asarray(np.floor(np.asarray(values, float) / step + 0.5))


def limits_in_steps(rules: ZoneRules) -> NDArray[np.float64]:
    """Return the limit of each cover and test in steps of the test, shape (cover, test)."""
    limit = np.array([[getattr(rules, row.limits[c]) for row in TEST_ROWS] for c in range(len(COVERS))])
    return in_steps(limit, np.array([row.step for row in TEST_ROWS]))


def rule_data() -> dict[str, Any]:
    """Return tests, covers and zones as plain values, for a program in another language.

    Returns
    -------
    dict
        ``covers``; ``tests``: name, factor, at_least, step, floor (in steps), the name of the limit for each cover,
        and whether it is waived on irrigated ground; ``zones`` in the order in which they are tried, covers and tests
        by their position; ``not_rated``.
    """
    place_of_test = {name: k for k, name in enumerate(TESTS)}
    place_of_cover = {name: k for k, name in enumerate(COVERS)}
    tests = [
        {
            "name": row.name, "factor": row.factor, "at_least": row.at_least, "step": row.step,
            "floor": float(in_steps(row.floor, row.step)), "limits": list(row.limits),
            "waived_if_irrigated": row.factor == "water",
        }
        for row in TEST_ROWS
    ]  # fmt: skip
    zones = []
    for row in ZONE_ROWS:
        data = asdict(row)
        for key in ("fits_all", "fits_any", "answers", "limit_covers"):
            data[key] = [place_of_cover[name] for name in data[key]]
        for key in ("some_passes", "limit_tests"):
            data[key] = [place_of_test[name] for name in data[key]]
        zones.append(data)
    return {"covers": list(COVERS), "tests": tests, "zones": zones, "not_rated": NOT_RATED}
