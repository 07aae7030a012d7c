"""The stored machine code of the kernel follows the source of the whole kernel."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import geo
from geo.balance.kernel.compiled import OUTSIDE

PACKAGE = Path(geo.__file__).parent
CALL = """
import numpy as np
from geo.balance.kernel.cover import density_coefficient
from geo.balance.kernel.records import PARAMETERS
from geo.balance.kernel.season_run import small_grain_growth
p = np.zeros(1, PARAMETERS)[0]
p["run_in_mid_days"] = 125.0
hits = lambda f: sum(f.stats.cache_hits.values())
print(density_coefficient(0.5, 1.0, 1.5), small_grain_growth(130.0, p), hits(density_coefficient))
"""


def _call(folder: Path) -> list[float]:
    """Return the density coefficient of half a cover, the growth of a ripening grain, and the hits in the cache."""
    done = subprocess.run(
        [sys.executable, "-c", CALL],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder), "NUMBA_CACHE_DIR": ""},
        capture_output=True,
        text=True,
        check=True,
    )
    return [float(word) for word in done.stdout.split()]


def _replace(file: Path, old: str, new: str) -> None:
    source = file.read_text()
    assert source.count(old) == 1
    file.write_text(source.replace(old, new))


@pytest.mark.slow
def test_a_change_in_one_file_reaches_callers_in_others(tmp_path):
    shutil.copytree(PACKAGE, tmp_path / "geo", ignore=shutil.ignore_patterns("__pycache__"))
    # Allen and Pereira (2009): fc^(1/(1+h)) = 0.5^(1/2); of the 10 days between ripening and harvest 5 are over.
    assert _call(tmp_path) == pytest.approx([0.5**0.5, 0.5, 0]), "nothing is stored yet"
    assert _call(tmp_path) == pytest.approx([0.5**0.5, 0.5, 1]), "the stored code is used"
    stored = sorted(tmp_path.rglob("*.nb?"))
    assert stored

    _replace(tmp_path / "geo/balance/kernel/lanes.py", "falling(32.0 *", "falling(64.0 *")
    assert _call(tmp_path) == pytest.approx([0.5, 0.5, 0]), "twice the logarithm"

    _replace(tmp_path / "geo/season.py", "RUN_IN_DAYS = 135", "RUN_IN_DAYS = 145")
    assert _call(tmp_path) == pytest.approx([0.5, 0.75, 0]), "5 days of 20 are over"
    assert sorted(tmp_path.rglob("*.nb?")) == stored, "old code is overwritten, not kept beside the new"


def test_the_key_covers_all_that_the_kernel_imports():
    for file in (PACKAGE / "balance" / "kernel").glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "geo":
                inside = node.module.startswith("geo.balance.kernel")
                path = node.module.removeprefix("geo.").replace(".", "/") + ".py"
                assert inside or path in OUTSIDE, f"{file.name} imports {node.module}"
