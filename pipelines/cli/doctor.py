"""Look at this machine: versions, the map libraries that each package brings, and known conflicts."""

from __future__ import annotations

import importlib
import importlib.metadata
import os
import platform
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field

from pipelines.study.house import version

_PACKAGES = ("numpy", "numba", "pandas", "xarray", "geopandas", "shapely", "folium", "rasterio", "pyogrio", "pyproj")
# Each map library, and the attributes in which packages give the version of their own copy of it.
_INSIDE = {
    "GDAL": (("rasterio", "__gdal_version__"), ("pyogrio", "__gdal_version_string__")),
    "PROJ": (("rasterio", "__proj_version__"), ("pyproj", "proj_version_str")),
    "netCDF": (("netCDF4", "__netcdf4libversion__"),),
}
# Set by desktop GIS and other installers; a wheel that finds them reads the wrong coordinate database.
_FOREIGN = ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA", "GDAL_DRIVER_PATH")
_FRESH = "Use a fresh virtual environment: python -m venv .venv, then install springfill in it."


@dataclass
class Findings:
    """What `examine` has seen: facts as (name, value), conflicts as (what, what to do)."""

    facts: list[tuple[str, str]] = field(default_factory=list)
    conflicts: list[tuple[str, str]] = field(default_factory=list)

    def look(self, name: str, seen: Callable[..., str], *arguments: str) -> str:
        """Note a fact and return it; any error is a conflict of this machine, whatever its type, and returns ""."""
        try:
            value = seen(*arguments)
        except Exception as error:
            shown = " ".join(str(error).split())[:160]
            self.conflicts.append((f"{name} does not work: {type(error).__name__}: {shown}", _FRESH))
            return ""
        self.facts.append((name, value))
        return value


def examine() -> Findings:
    """Return versions and conflicts of this Python."""
    found = Findings()
    found.facts.append(("python", f"{platform.python_version()} on {platform.system()} {platform.machine()}"))
    found.facts.append(("springfill", version()))
    for name in _PACKAGES:
        found.look(name, importlib.metadata.version, name)
    for library, copies in _INSIDE.items():
        seen = {package: found.look(f"{library} in {package}", _attribute, package, name) for package, name in copies}
        versions = {package: version for package, version in seen.items() if version}
        # Two copies of one library in one program are usual with wheels; only different major versions clash.
        if len({version.split(".")[0] for version in versions.values()}) > 1:
            shown = ", ".join(f"{version} in {package}" for package, version in versions.items())
            fix = f"Upgrade both: python -m pip install --upgrade {' '.join(versions)}"
            found.conflicts.append((f"Two major versions of {library}: {shown}.", fix))
    found.facts += [(name, os.environ[name]) for name in _FOREIGN if os.environ.get(name)]
    if os.environ.get("PROJ_LIB") or os.environ.get("PROJ_DATA"):
        found.facts.append(("note", "PROJ_LIB or PROJ_DATA is set; unset it if coordinates come out wrong"))
    found.look("coordinates", _coordinates)
    found.look("temporary folder", _temporary)
    return found


def _attribute(module: str, name: str) -> str:
    return str(getattr(importlib.import_module(module), name))


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
