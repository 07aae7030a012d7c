"""Find the tables of `shared/` and the sample county, in a checkout or in an installed wheel, and its version."""

from __future__ import annotations

import importlib.metadata
import tomllib
from pathlib import Path
from typing import Any

from geo.errors import StudyError

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


def shared_toml(name: str, folder: Path | None = None) -> dict[str, Any]:
    """Read one TOML table of `shared/`, or of another folder.

    Raises
    ------
    StudyError
        When the file is missing or is not TOML; the file and the line are named.
    """
    path = (folder or shared_dir()) / name
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise StudyError(f"The table {name} is missing.", str(path.parent), "Install the program again.") from None
    except tomllib.TOMLDecodeError as error:
        raise StudyError(f"The table is not valid TOML: {error}.", str(path), "Correct that line.") from None


def version() -> str:
    """Return the version of the installed program, or of the checkout."""
    try:
        return importlib.metadata.version("springfill")
    except importlib.metadata.PackageNotFoundError:
        return "0+checkout"
