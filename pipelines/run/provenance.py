"""What a run was made of: versions, hashes, licences, seeds, counts."""

from __future__ import annotations

import glob
import hashlib
import importlib.metadata
import platform
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipelines.run.context import Context
from pipelines.run.ground import Ground
from pipelines.run.seasons import Seasons
from pipelines.study.file import Study
from pipelines.study.house import version
from pipelines.study.input_facts import UNSTATED

_LIBRARIES = ("numpy", "numba", "xarray", "pandas", "geopandas", "shapely", "rasterio", "pyogrio", "exactextract")
_BIG = 64 * 1024 * 1024
_SHAPEFILE = (".shp", ".dbf", ".prj", ".cpg")  # what decides shapes, attributes and place


def hash_path(path: Path) -> str:
    """Return the SHA-256 of a file, or of a folder's file names and contents.

    A file above 64 MB is hashed by its size and its first and last 64 MB, so that a state-wide raster does not
    hold up a county.
    """
    digest = hashlib.sha256()
    files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    for file in files:
        if path.is_dir():
            digest.update(str(file.relative_to(path)).encode())
        size = file.stat().st_size
        with file.open("rb") as stream:
            if size <= 2 * _BIG:
                for block in iter(lambda: stream.read(1 << 20), b""):
                    digest.update(block)
            else:
                digest.update(str(size).encode() + stream.read(_BIG))
                stream.seek(-_BIG, 2)
                digest.update(stream.read(_BIG))
    return digest.hexdigest()


def files_of(path: Path) -> list[Path]:
    """Return the files behind a path of a study file: itself, its pattern's matches, a shapefile with its parts."""
    if not path.exists():
        return sorted(Path(p) for p in glob.glob(str(path)))
    if path.suffix.lower() == ".shp":
        return sorted(p for p in path.parent.iterdir() if p.stem == path.stem and p.suffix.lower() in _SHAPEFILE)
    return [path]


def _with(path: str | list[str], beside: object) -> str | list[str]:
    """Return the path of a layer with the second file that it is read by (soil tables, station list), if any."""
    paths = [path] if isinstance(path, str) else path
    return [*paths, beside] if isinstance(beside, str) else path


def _layer_paths(study: Study) -> dict[str, str | list[str]]:
    """Return the paths of each layer that a study reads, in the order in which they are listed."""
    paths: dict[str, str | list[str]] = {
        "soils": _with(study.soils.path, study.soils.variables.get("tables")),
        "climate": _with(study.climate.path, study.climate.options.get("stations")),
    }
    for name in ("fields", "elevation", "measurements"):
        table = getattr(study, name)
        if table is not None:
            paths[name] = table.path
    return paths


def _files(context: Context, paths: str | list[str]) -> list[Path]:
    return [p for one in ([paths] if isinstance(paths, str) else paths) for p in files_of(context.path(one))]


def hash_files(context: Context) -> dict[str, str]:
    """Return the SHA-256 of every file of the layers, by path: once, for all tiles of a region."""
    return {str(p): hash_path(p) for paths in _layer_paths(context.study).values() for p in _files(context, paths)}


def input_layers(context: Context, title: str = "", licence: str = "") -> list[dict[str, str]]:
    """Return the record of each layer: path, SHA-256, title, licence, date. `title`, `licence` are of the climate."""
    facts = {"climate": {"title": title, "licence": licence}}
    return [
        _layer(context, name, paths, **facts.get(name, {})) for name, paths in _layer_paths(context.study).items()
    ]


def _layer(
    context: Context, layer: str, shown: str | list[str], title: str = "", licence: str = ""
) -> dict[str, str]:
    """Return the record of one layer; what the study file says of it goes before what the file says."""
    table = getattr(context.study, layer)
    found = _files(context, shown)
    hashes = [context.hashes.get(str(p)) or hash_path(p) for p in found]
    newest = max((p.stat().st_mtime for p in found), default=0.0)
    return {
        "layer": layer,
        "path": shown if isinstance(shown, str) else ", ".join(shown),
        "sha256": hashes[0] if len(found) == 1 else hashlib.sha256("".join(hashes).encode()).hexdigest(),
        "title": title or layer,
        "licence": table.licence or licence or UNSTATED,
        "date": table.date or datetime.fromtimestamp(newest, UTC).strftime("%Y-%m-%d"),
        "date_of": "layer" if table.date else "file",
    }


def provenance(
    context: Context, ground: Ground, seasons: Seasons, digest: str, started: datetime, seconds: float
) -> dict[str, Any]:
    """Return the record that goes into every published layer and into ``run.json``.

    Parameters
    ----------
    context, ground, seasons
        Of the run.
    digest : str
        SHA-256 of the study file.
    started : datetime
    seconds : float
        How long the run took.
    """
    study, units, weather = context.study, ground.units, ground.weather
    climate = {k: str(v) for k, v in ground.climate.provenance.items() if v}
    return {
        "program": f"springfill {version()}",
        "started": started.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "seconds": round(seconds, 1),
        "study_hash": digest,
        "tables_hash": context.tables.digest,
        "seed": study.study.seed,
        "owner": study.study.owner,
        "versions": {"python": platform.python_version()} | {n: importlib.metadata.version(n) for n in _LIBRARIES},
        "inputs": input_layers(context, climate.get("product", ""), climate.get("licence", "")),
        "climate": climate,
        "weather": {k: str(v) for k, v in weather.daily.attrs.items()},
        "counts": {
            "sites": len(units.sites),
            "units": len(units.units),
            "cells": len(weather.cells),
            "seasons": len(weather.seasons),
            "fields": len(ground.fields),
            "problems": len(ground.problems),
            "unit_days": seasons.unit_days,
            "parameter_sets": study.run.parameter_sets,
        },
        "closure_mm": seasons.closure_mm,
        "warnings": [p.what for p in ground.problems if p.action == "warning"],
    }
