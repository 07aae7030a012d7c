"""The most memory that this process held, for tests that run a step in a process of its own."""

from __future__ import annotations

import resource
from pathlib import Path

_STATUS = Path("/proc/self/status")


def peak_mb() -> float:
    """Return the high-water mark of this process in MB.

    On Linux from its own status: the usual ``ru_maxrss`` also carries what the parent held when it forked, so that a
    small child of a large test run looks large.
    """
    if _STATUS.exists():
        line = next(text for text in _STATUS.read_text().splitlines() if text.startswith("VmHWM:"))
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
