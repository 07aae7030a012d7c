"""Outcomes of response units, the weighted means of places, and the one answer of each place: tests, zone, limit."""

from __future__ import annotations

from geo.rating.outcome import (
    PLANTING,
    STATS,
    TARGETS,
    CellClimate,
    cell_climate,
    outcomes_for_rule,
    unit_outcomes,
    yearly_values,
)
from geo.rating.places import place_means, place_outcomes, site_weights
from geo.rating.rate import Rating, Ruled, rate, rate_sites, zone_areas
from geo.rating.rule import (
    FACTOR_OF_TEST,
    NOT_RATED,
    RECOMMENDED_OPTION,
    TEST_ROWS,
    TESTS,
    ZONE_CODES,
    ZONE_NAMES,
    ZONE_ROWS,
    ZoneRules,
    in_steps,
    rule_data,
)
from geo.rating.spring_rule import LINES, SPRING_COLUMNS, spring_outcomes
from geo.rating.verdicts import Judged, Limits, find_zones, judge, margins, test_values

__all__ = [
    "FACTOR_OF_TEST",
    "LINES",
    "NOT_RATED",
    "PLANTING",
    "RECOMMENDED_OPTION",
    "SPRING_COLUMNS",
    "STATS",
    "TARGETS",
    "TESTS",
    "TEST_ROWS",
    "ZONE_CODES",
    "ZONE_NAMES",
    "ZONE_ROWS",
    "CellClimate",
    "Judged",
    "Limits",
    "Rating",
    "Ruled",
    "ZoneRules",
    "cell_climate",
    "find_zones",
    "in_steps",
    "judge",
    "margins",
    "outcomes_for_rule",
    "place_means",
    "place_outcomes",
    "rate",
    "rate_sites",
    "rule_data",
    "site_weights",
    "spring_outcomes",
    "test_values",
    "unit_outcomes",
    "yearly_values",
    "zone_areas",
]
