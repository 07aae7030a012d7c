"""What the sub-packages of the library export, who imports what from them, and what an import loads."""

from __future__ import annotations

import ast
import importlib
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SUBJECTS = ("balance", "ground", "rating", "soils", "weather")


@pytest.mark.parametrize("subject", SUBJECTS)
def test_the_sub_package_exports_its_contract(subject):
    package = importlib.import_module(f"geo.{subject}")
    assert len(package.__all__) == len(set(package.__all__)) > 0
    for name in package.__all__:
        assert hasattr(package, name)


def _exported() -> list[object]:
    found = [getattr(importlib.import_module(f"geo.{s}"), name) for s in SUBJECTS for name in _exports(s)]
    return [one for one in found if inspect.isfunction(one)]


def _exports(subject: str) -> list[str]:
    return list(importlib.import_module(f"geo.{subject}").__all__)


@pytest.mark.parametrize("function", _exported(), ids=lambda f: f.__name__)
def test_each_exported_function_describes_what_it_takes_and_returns(function):
    text = inspect.getdoc(function) or ""
    assert "Parameters\n----------" in text or not inspect.signature(function).parameters
    assert "Returns\n-------" in text or "Yields\n------" in text
    described = text.partition("Parameters\n----------")[2]
    assert [name for name in inspect.signature(function).parameters if name not in described] == []


def _inner_imports(file: Path) -> list[str]:
    """Return the inner files of sub-packages that a file outside of them imports from."""
    own = ".".join(file.relative_to(ROOT).parts[:2])
    modules: list[str] = []
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            modules.append(node.module)
        elif isinstance(node, ast.Import):
            modules += [name.name for name in node.names]
    parts = [module.split(".") for module in modules if not module.startswith(f"{own}.")]
    return [".".join(p) for p in parts if len(p) > 2 and p[0] == "geo" and p[1] in SUBJECTS]


def test_callers_import_from_the_sub_package():
    found = {}
    for folder in ("geo", "pipelines", "sample_layers"):
        for file in (ROOT / folder).rglob("*.py"):
            name = str(file.relative_to(ROOT))
            inner = _inner_imports(file)
            if inner:
                found[name] = inner
    assert not found


@pytest.mark.slow
def test_a_run_starts_without_what_only_some_runs_need():
    late = {
        "cf_xarray.units", "dask.array", "folium", "matplotlib", "numba", "pandera", "rioxarray", "scipy.signal",
        "scipy.spatial", "scipy.stats",
    }  # fmt: skip
    code = f"import sys, pipelines.show.publish; print(*({late} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


@pytest.mark.slow
def test_the_weather_loads_without_the_compiler():
    code = "import sys, geo.weather; sys.exit('numba' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT).returncode == 0
