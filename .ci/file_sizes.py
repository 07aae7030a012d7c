"""Refuse source files that are too long and any file above 2 MB: one file has one job."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

MOST_LINES = 400
MOST_LINES_OF_TESTS = 600  # tables of cases are long, and splitting a table helps nobody
MOST_BYTES = 2_000_000
SOURCES = (".py", ".js", ".css", ".j2")


def tracked() -> list[str]:
    """Return every file that git tracks."""
    done = subprocess.run(["git", "ls-files", "-z"], capture_output=True, text=True, check=True)
    return done.stdout.split("\0")


def main(names: list[str]) -> int:
    """Check the files named, or every tracked file; return 1 when one is too large."""
    faults = []
    for file in (Path(name) for name in names or tracked() if name):
        if not file.is_file():
            continue
        if file.stat().st_size > MOST_BYTES:
            faults.append(f"{file}: {file.stat().st_size / 1e6:.1f} MB, at most {MOST_BYTES / 1e6:.0f} MB")
        most = MOST_LINES_OF_TESTS if "tests" in file.parts else MOST_LINES
        if file.suffix in SOURCES and (lines := file.read_bytes().count(b"\n")) > most:
            faults.append(f"{file}: {lines} lines, at most {most}; split it by job")
    sys.stdout.writelines(f"{fault}\n" for fault in faults)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
