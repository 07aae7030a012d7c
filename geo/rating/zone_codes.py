"""The ordered zone codes, from dry to wet. The words and colours are in `shared/zones.toml`."""

from __future__ import annotations

from types import MappingProxyType

OUTSIDE = 0
ZONE_CODES = MappingProxyType(
    {
        "stubble_water": 1,
        "stubble_season": 2,
        "winter_killed": 3,
        "winter_killed_or_early": 4,
        "either": 5,
        "overwintering": 6,
        "not_rated": 7,
    }
)
ZONE_NAMES = MappingProxyType({code: name for name, code in ZONE_CODES.items()})
TESTS = ("season", "winter", "gap", "shortfall")
RECOMMENDED_OPTION = MappingProxyType(
    {
        "stubble_water": "stubble",
        "stubble_season": "stubble",
        "winter_killed": "winter_killed",
        "winter_killed_or_early": "winter_killed",
        "either": "winter_killed",
        "overwintering": "overwinter_early",
        "not_rated": "",
    }
)
