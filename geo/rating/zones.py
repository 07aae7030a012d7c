"""From outcomes to zones: each test, its number, its threshold, and what limits a place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from geo.options import COVERS, OPTIONS
from geo.rating.zone_codes import TESTS, ZONE_CODES, ZONE_NAMES
from geo.rule_table import rule_values

# Outcomes are stored as float32, where 6 years in 30 are 0.20000000298 and 21 in 30 are 0.69999999: a share that is
# exactly at its threshold must pass.
TOLERANCE = 1e-6
FACTOR_OF_TEST = ("season", "winter", "water", "water")
_FLOOR = {"gap": 1.0, "share": 0.01}


@dataclass(frozen=True, slots=True)
class ZoneRules:
    """Thresholds of the zone tests; meaning, unit and source of each are in ``shared/zone_rules.toml``."""

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


@dataclass(frozen=True)
class Zones:
    """Zones by site. See DEVELOPERS.md for the columns of `table` and the dimensions of `tests`."""

    table: pd.DataFrame
    tests: xr.Dataset


def zone_tests(outcomes: xr.Dataset, rules: ZoneRules, *, water_tests: bool = True) -> xr.Dataset:
    """Evaluate every test of every option.

    Parameters
    ----------
    outcomes : Dataset
        ``cover_ok_years``, ``winterkill_years``, ``survival_years``, ``shortfall_years`` by site and option, and
        ``planting_gap_mm`` by site, option and quantile.
    rules : ZoneRules
    water_tests : bool
        False for irrigated ground, where water is bought and not saved: gap and shortfall always pass.

    Returns
    -------
    Dataset
        ``value``, ``threshold``, ``passed``, ``margin`` with dims site, option, test. The stubble passes all tests
        by definition; its values are NaN. A margin above zero passes, in units of the threshold.
    """
    n = outcomes.sizes["site"]
    shape = (n, len(OPTIONS), len(TESTS))
    value = np.full(shape, np.nan)
    threshold = np.full(shape, np.nan)
    gap = outcomes["planting_gap_mm"].sel(quantile=0.5, method="nearest")
    for o, option in enumerate(OPTIONS):
        if option not in COVERS:
            continue
        dies = option == "winter_killed"
        winter = outcomes["winterkill_years" if dies else "survival_years"]
        columns = [outcomes["cover_ok_years"], winter, gap, outcomes["shortfall_years"]]
        value[:, o, :] = np.stack([c.sel(option=option).values for c in columns], axis=1)
        threshold[:, o, :] = (
            rules.season_min,
            rules.winterkill_min if dies else rules.survival_min,
            rules.planting_gap_max_mm,
            rules.shortfall_max,
        )
    at_least = np.array([True, True, False, False])
    floor = np.array([_FLOOR["share"], _FLOOR["share"], _FLOOR["gap"], _FLOOR["share"]])
    slack = np.where(at_least, value - threshold, threshold - value)
    margin = slack / np.maximum(threshold, floor)
    passed = slack >= -TOLERANCE
    if not water_tests:
        waived = np.where(np.isnan(value[:, :, 2:]), np.nan, np.inf)
        margin[:, :, 2:] = waived
        passed[:, :, 2:] = ~np.isnan(value[:, :, 2:])
    passed[:, 0, :] = True
    dims = ("site", "option", "test")
    return xr.Dataset(
        {"value": (dims, value), "threshold": (dims, threshold), "passed": (dims, passed), "margin": (dims, margin)},
        coords={"site": outcomes["site"].values, "option": list(OPTIONS), "test": list(TESTS)},
    )


def classify(
    outcomes: xr.Dataset, rules: ZoneRules, rated_share: np.ndarray | None = None, *, water_tests: bool = True
) -> Zones:
    """Give every site its zone, its limiting factor and its margin.

    Parameters
    ----------
    outcomes : Dataset
        As for `zone_tests`.
    rules : ZoneRules
    rated_share : array (site,), optional
        Share of each site that was simulated; below ``rules.rated_share_min`` a site is not rated.
    water_tests : bool
        False for irrigated ground.

    Returns
    -------
    Zones
    """
    tests = zone_tests(outcomes, rules, water_tests=water_tests)
    passed = tests["passed"].values[:, 1:, :]
    margin = tests["margin"].values[:, 1:, :]
    missing = np.isnan(tests["value"].values[:, 1:, :]).any(axis=(1, 2))
    rated = ~missing
    if rated_share is not None:
        rated &= np.asarray(rated_share) >= rules.rated_share_min - TOLERANCE
    safe = np.where(np.isnan(margin), -np.inf, margin)
    worst_test = safe.argmin(axis=2)
    worst = safe.min(axis=2)
    killed, early, late = (passed[:, k, :].all(axis=1) for k in range(3))
    code = np.select(
        [killed & late, killed & early, killed, early | late],
        [
            ZONE_CODES["either"],
            ZONE_CODES["winter_killed_or_early"],
            ZONE_CODES["winter_killed"],
            ZONE_CODES["overwintering"],
        ],
        0,
    )
    nearest = worst.argmax(axis=1)
    rows = np.arange(len(code))
    short_of_water = np.array(FACTOR_OF_TEST)[worst_test[rows, nearest]] == "water"
    none = code == 0
    code = np.where(none, np.where(short_of_water, ZONE_CODES["stubble_water"], ZONE_CODES["stubble_season"]), code)
    code = np.where(rated, code, ZONE_CODES["not_rated"])
    limiting = np.select(
        [none, code == ZONE_CODES["winter_killed"], code == ZONE_CODES["winter_killed_or_early"]], [nearest, 1, 2], 0
    )
    limited = rated & (code != ZONE_CODES["either"])
    standing = np.where(none, nearest, np.where(code == ZONE_CODES["overwintering"], np.where(early, 1, 2), 0))
    table = pd.DataFrame(
        {
            "zone_code": code.astype(np.uint8),
            "zone": [ZONE_NAMES[int(c)] for c in code],
            "limiting_factor": np.where(limited, np.array(FACTOR_OF_TEST)[worst_test[rows, limiting]], ""),
            "limiting_option": np.where(limited, np.array(COVERS)[limiting], ""),
            "margin": np.where(rated, worst[rows, standing], np.nan),
        },
        index=pd.Index(outcomes["site"].values, name="site"),
    )
    return Zones(table=table, tests=tests)
