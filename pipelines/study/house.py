"""Find the tables of `shared/` and the sample county, in a checkout or in an installed wheel, and its version."""

from __future__ import annotations

import importlib.metadata
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parents[1]


def _folder(name: str) -> Path:
    installed = _PACKAGE / "_house" / name
    return installed if installed.is_dir() else _PACKAGE.parent / name


def shared_dir() -> Path:
    """Return the folder of the reference tables."""
    return _folder("shared")


def sample_dir() -> Path:
    """Return the folder of the invented Larkspur County."""
    return _folder("sample_layers")


def version() -> str:
    """Return the version of the installed program, or of the checkout."""
    try:
        return importlib.metadata.version("springfill")
    except importlib.metadata.PackageNotFoundError:
        return "0+checkout"
