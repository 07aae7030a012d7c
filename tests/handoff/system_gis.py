"""Find a system Python with GDAL or QGIS, or skip with the reason; nothing of it enters this process."""

from __future__ import annotations

import json
import os
import subprocess
from functools import lru_cache
from pathlib import Path

import pytest

_PYTHON = os.environ.get("SPRINGFILL_SYSTEM_PYTHON", "/usr/bin/python3")


@lru_cache(maxsize=4)
def _has(module: str) -> bool:
    try:
        done = subprocess.run(
            [_PYTHON, "-c", f"import {module}"], capture_output=True, env=_environment(), timeout=60
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0


def _environment() -> dict[str, str]:
    drop = ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA", "PYTHONPATH", "VIRTUAL_ENV", "PYTHONHOME")
    kept = {k: v for k, v in os.environ.items() if k not in drop}
    return kept | {"QT_QPA_PLATFORM": "offscreen", "PYTHONIOENCODING": "utf-8"}


def run_system_python(module: str, arguments: list[str], folder: Path) -> str:
    """Run the system Python, which must have a module; return what it prints."""
    if not _has(module):
        pytest.skip(
            f"{_PYTHON} has no {module} (Debian: python3-gdal, qgis, python3-qgis; or SPRINGFILL_SYSTEM_PYTHON)"
        )
    runtime = folder / "runtime"
    runtime.mkdir(mode=0o700, exist_ok=True)
    done = subprocess.run(
        [_PYTHON, *arguments], capture_output=True, text=True, timeout=180,
        env=_environment() | {"XDG_RUNTIME_DIR": str(runtime), "HOME": str(folder)}, cwd=folder,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def gdal_says(script: str, arguments: list[str], folder: Path) -> object:
    """Run a script that prints JSON under the system GDAL."""
    return json.loads(run_system_python("osgeo.gdal", ["-c", script, *arguments], folder))
