"""Where the open sample data are, and how a test skips without them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(os.environ.get("SPRINGFILL_OPEN_DATA", Path(__file__).resolve().parents[2] / "shared" / "open_data"))


def open_data(relative: str) -> Path:
    """Return the path of one open sample, or skip the test with the reason."""
    path = ROOT / relative
    if not path.exists():
        pytest.skip(f"open sample {relative} is not on this machine (set SPRINGFILL_OPEN_DATA)")
    return path
