"""How tests are spread over the cores and which are slow, fixtures that many share, and how Hypothesis searches."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import xarray as xr
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

from geo.balance.parameters import BalanceSettings
from tests import water
from tests.sharing import compile_one_at_a_time

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


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Spread folders of tests over all cores; run files and single tests here, where they start at once."""
    folders_only = all((config.invocation_params.dir / argument).is_dir() for argument in config.args)
    return (os.cpu_count() or 1) if folders_only else 0


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """Return the temporary folder of this test run, which its workers share."""
    own = tmp_path_factory.getbasetemp()
    return own if worker_id == "master" else own.parent


@pytest.fixture(scope="session", autouse=True)
def shared_compiler(run_folder: Path, worker_id: str) -> None:
    """Let one worker compile at a time."""
    if worker_id != "master":
        compile_one_at_a_time(run_folder / "compiler.lock")


@pytest.fixture(scope="session")
def settings() -> BalanceSettings:
    """Return the shared tables, packed."""
    return water.settings()


@pytest.fixture(scope="session")
def champion() -> xr.Dataset:
    """Return the daily record of Champion, Nebraska, 1982 to 2018."""
    return water.champion_weather()
