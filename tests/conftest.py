"""Fixtures that several tests of the water balance share, and how Hypothesis searches."""

from __future__ import annotations

import os

import pytest
import xarray as xr
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

from geo.balance.parameters import BalanceSettings
from tests import water

hypothesis_settings.register_profile(
    "house", deadline=None, max_examples=25, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.register_profile(
    "search", deadline=None, max_examples=500, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.load_profile(os.environ.get("SPRINGFILL_HYPOTHESIS", "house"))


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--rebuild-golden", action="store_true", help="write tests/golden anew from this run instead of comparing"
    )


@pytest.fixture(scope="session")
def settings() -> BalanceSettings:
    """Return the shared tables, packed."""
    return water.settings()


@pytest.fixture(scope="session")
def champion() -> xr.Dataset:
    """Return the daily record of Champion, Nebraska, 1982 to 2018."""
    return water.champion_weather()
