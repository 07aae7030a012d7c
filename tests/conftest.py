"""How tests are spread over the cores and which are slow, fixtures that many share, and how Hypothesis searches."""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path

import pytest
import xarray as xr
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

from geo.balance.parameters import BalanceSettings
from tests import water
from tests.sharing import compile_one_at_a_time
from tests.untouched import Untouched

SLOW_FIXTURES = frozenset({"browser", "four_squares", "one_fails", "published", "quick_county"})
"""Fixtures whose tests are left out of the fast tier: a browser, a region of many tiles, a whole county, a
folder with every layer."""
FAST_CASES = 1
"""Cases of one parametrised test that the fast tier runs; the first touches the same code as the others."""

hypothesis_settings.register_profile(
    "house", deadline=None, max_examples=25, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.register_profile(
    "search", deadline=None, max_examples=500, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.register_profile("fast", hypothesis_settings.get_profile("house"), max_examples=5)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--rebuild-golden", action="store_true", help="rewrite tests/golden from this run instead of comparing"
    )
    parser.addoption("--untouched", action="store_true", help="fail when a module of the program was not touched")


def pytest_configure(config: pytest.Config) -> None:
    """Search less in the fast tier, and look for modules that nothing touches where that is asked for."""
    usual = "fast" if config.getoption("markexpr") == "not slow" else "house"
    hypothesis_settings.load_profile(os.environ.get("SPRINGFILL_HYPOTHESIS", usual))
    if config.getoption("--untouched"):
        config.pluginmanager.register(Untouched())


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what the fast tier leaves out, and start with the files that take longest.

    That is what needs a slow fixture or another program, and the later cases of a table.
    """
    for item in items:
        fixtures = SLOW_FIXTURES.intersection(getattr(item, "fixturenames", ()))
        if fixtures or item.get_closest_marker("qgis"):
            item.add_marker(pytest.mark.slow)
    slow_files = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow_files)
    cases: Counter[str] = Counter()
    for item in items:
        function = item.nodeid.partition("[")[0]
        cases[function] += hasattr(item, "callspec")
        if cases[function] > FAST_CASES:
            item.add_marker(pytest.mark.slow)


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
