"""A study of eight kilometres of the invented county: all seven zones, fourteen fields, a few seconds."""

from __future__ import annotations

from pathlib import Path

from pipelines.study.house import sample_dir

BOUNDS = (-581840.0, 1910480.0, -573840.0, 1918480.0)

_TEXT = """\
[study]
name = "Tiny Larkspur (invented)"
units = "us"
seed = 20
years = 9
out = "tiny"

[soils]
path = "{home}/soils"
licence = "invented; free to use"
date = "2026"

[climate]
path = "{home}/climate/normals.nc"

[fields]
path = "{home}/fields.gpkg"

[elevation]
path = "{home}/elevation.tif"

[map]
resolution_m = 60.0
bounds = {bounds}

[run]
parameter_sets = {sets}
"""


def write_tiny_study(
    folder: Path, *, sets: int = 2, replace: tuple[tuple[str, str], ...] = (), more: str = ""
) -> Path:
    """Write the study file, with pieces of its text replaced and `more` added at the end; return its path."""
    text = _TEXT.format(home=sample_dir().as_posix(), bounds=list(BOUNDS), sets=sets)
    for old, new in replace:
        assert old in text
        text = text.replace(old, new)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "study.toml"
    path.write_text(text + more, encoding="utf-8")
    return path
