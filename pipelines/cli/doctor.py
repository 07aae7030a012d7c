"""Look at this machine: versions, the map libraries that each package brings, and what is known to clash."""

from __future__ import annotations

import importlib
import importlib.metadata
import os
import platform
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field

_PACKAGES = ("springfill", "numpy", "numba", "pandas", "xarray", "geopandas", "shapely", "folium")
# Set by desktop GIS and other installers; a wheel that finds them reads the wrong coordinate database.
_FOREIGN = ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA", "GDAL_DRIVER_PATH")


@dataclass
class Findings:
    """What `examine` has seen: facts as (name, value), conflicts as (what, what to do)."""

    facts: list[tuple[str, str]] = field(default_factory=list)
    conflicts: list[tuple[str, str]] = field(default_factory=list)


def examine() -> Findings:
    """Return versions and conflicts of this Python."""
    found = Findings()
    found.facts.append(("python", f"{platform.python_version()} on {platform.system()} {platform.machine()}"))
    for name in _PACKAGES:
        try:
            found.facts.append((name, importlib.metadata.version(name)))
        except importlib.metadata.PackageNotFoundError:
            if name == "springfill":
                found.facts.append((name, "not installed, run from its source"))
            else:
                found.conflicts.append((f"{name} is not installed.", "python -m pip install --upgrade springfill"))
    gdal: dict[str, str] = {}
    proj: dict[str, str] = {}
    _try(found, "rasterio", lambda: _rasterio(gdal, proj))
    _try(found, "pyogrio", lambda: _pyogrio(gdal))
    _try(found, "pyproj", lambda: _pyproj(proj))
    _try(found, "netCDF4", lambda: f"netCDF {_attribute('netCDF4', '__netcdf4libversion__')}")
    _compare(found, "GDAL", gdal)
    _compare(found, "PROJ", proj)
    for name in _FOREIGN:
        if os.environ.get(name):
            found.facts.append((name, os.environ[name]))
    if os.environ.get("PROJ_LIB") or os.environ.get("PROJ_DATA"):
        found.facts.append(("note", "PROJ_LIB or PROJ_DATA is set; unset it if coordinates come out wrong"))
    _try(found, "coordinates", _coordinates)
    _try(found, "temporary folder", _temporary)
    return found


def _try(found: Findings, name: str, look: Callable[[], str]) -> None:
    """Note what `look` says; anything that it raises is a conflict of this machine, whatever its type."""
    try:
        found.facts.append((name, look()))
    except Exception as error:
        told = " ".join(str(error).split())[:160]
        found.conflicts.append(
            (
                f"{name} does not work: {type(error).__name__}: {told}",
                "Use a fresh virtual environment: python -m venv .venv, then install springfill in it.",
            )
        )


def _attribute(module: str, name: str) -> str:
    return str(getattr(importlib.import_module(module), name))


def _rasterio(gdal: dict[str, str], proj: dict[str, str]) -> str:
    gdal["rasterio"] = _attribute("rasterio", "__gdal_version__")
    proj["rasterio"] = _attribute("rasterio", "__proj_version__")
    return f"{_attribute('rasterio', '__version__')} with GDAL {gdal['rasterio']}, PROJ {proj['rasterio']}"


def _pyogrio(gdal: dict[str, str]) -> str:
    gdal["pyogrio"] = _attribute("pyogrio", "__gdal_version_string__")
    return f"{_attribute('pyogrio', '__version__')} with GDAL {gdal['pyogrio']}"


def _pyproj(proj: dict[str, str]) -> str:
    proj["pyproj"] = _attribute("pyproj", "proj_version_str")
    return f"{_attribute('pyproj', '__version__')} with PROJ {proj['pyproj']}"


def _compare(found: Findings, library: str, versions: dict[str, str]) -> None:
    """Two copies of one library in one program are usual with wheels; only different major versions are told."""
    if len({v.split(".")[0] for v in versions.values()}) > 1:
        shown = ", ".join(f"{v} in {name}" for name, v in versions.items())
        found.conflicts.append(
            (
                f"Two major versions of {library}: {shown}.",
                "Upgrade both: python -m pip install --upgrade rasterio pyogrio",
            )
        )


def _coordinates() -> str:
    """Move one known point through both copies of PROJ; they must agree to a millimetre."""
    from pyproj import Transformer
    from rasterio.warp import transform

    x, y = Transformer.from_crs("EPSG:4326", "EPSG:5070", always_xy=True).transform(-103.0, 40.0)
    (other_x,), (other_y,) = transform("EPSG:4326", "EPSG:5070", [-103.0], [40.0])
    if abs(x - other_x) > 0.001 or abs(y - other_y) > 0.001:
        raise RuntimeError(f"pyproj and rasterio place one point {abs(x - other_x) + abs(y - other_y):.3f} m apart")
    return "pyproj and rasterio agree"


def _temporary() -> str:
    with tempfile.NamedTemporaryFile(prefix="springfill-") as file:
        file.write(b"x")
    return tempfile.gettempdir()
