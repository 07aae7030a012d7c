"""Climate as people download it: one entry for every format, one result."""

from __future__ import annotations

import glob
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from geo.errors import StudyError
from pipelines.read.climate.build import ClimateInput, Query
from pipelines.read.climate.cells import Area
from pipelines.read.climate.grids import read_netcdf
from pipelines.read.climate.products import key_of_short, study_mapping
from pipelines.read.climate.rasters import read_rasters
from pipelines.read.climate.stations import read_tables

__all__ = ["ClimateInput", "read_climate"]

_FAMILIES = {
    "netcdf": (".nc", ".nc4", ".cdf", ".netcdf"),
    "raster": (".tif", ".tiff", ".bil", ".zip"),
    "table": (".csv", ".txt", ".dly", ".gz", ".tsv", ".dat"),
}
# A folder often holds a readme or a list of stations beside the data.
_BESIDE = re.compile(r"(ghcnd-)?stations|readme|sources", re.IGNORECASE)
_OPTIONS = (
    "units", "fill", "period", "accept_values", "latitude", "longitude", "elevation_m", "name", "stations",
    "pattern", "header", "separator", "station_margin_deg", "day_first",
)  # fmt: skip


def read_climate(
    path: str | Path | Sequence[str | Path],
    *,
    kind: str = "auto",
    area: Area | None = None,
    variables: Mapping[str, Any] | None = None,
    options: Mapping[str, Any] | None = None,
) -> ClimateInput:
    """Read monthly normals or a daily record; exactly one of them is set in the result.

    Parameters
    ----------
    path : str, Path or sequence of them
        A file, a folder, a pattern (``gridmet/*.nc``) or a list of files of one source.
    kind : {"auto", "normals", "daily"}
        ``auto`` takes what the files hold; the others refuse the wrong one.
    area : (west, south, east, north), optional
        EPSG:4326 degrees. Only the cells that cover it and one ring around them are read.
    variables : mapping, optional
        Our name -> name (or column number, from 1) in the files, for sources without standard attributes, such as
        ``{"date": "Date", "precip": "Rain"}``.
    options : mapping, optional
        ``units`` (our name -> unit), ``fill`` (number or list that means missing), ``period`` ([first, last] year),
        ``accept_values`` (list contradictions between values and units instead of stopping); for tables ``latitude``,
        ``longitude``, ``elevation_m``, ``name``, ``stations`` (station list), ``header`` (false: none),
        ``separator``, ``day_first``, ``station_margin_deg``; for rasters ``pattern`` (regular
        expression on the file name with the groups ``var`` and ``month`` or ``date``).

    Raises
    ------
    StudyError
        When nothing readable is there, a variable or unit is missing, or values contradict their unit.
    """
    if kind not in ("auto", "normals", "daily"):
        raise StudyError(f"{kind!r} is not a kind of climate source.", "climate: kind", "Use auto, normals or daily.")
    chosen = _checked_options(options)
    files = expand(path)
    where = str(path) if isinstance(path, (str, Path)) else _several(files)
    mapping = study_mapping(variables)
    query = Query(
        where,
        area,
        mapping,
        {key_of_short(k): str(v) for k, v in chosen.get("units", {}).items()},
        _numbers(chosen.get("fill", [])),
        _period(chosen.get("period")),
        bool(chosen.get("accept_values", False)),
    )
    kinds = {_family(f) or "table" for f in files}
    if len(kinds) > 1:
        raise StudyError(
            f"The source mixes {', '.join(sorted(kinds))} files.",
            where,
            "Name one kind of file, for example folder/*.nc.",
        )
    if kinds == {"netcdf"}:
        result = read_netcdf(files, query)
    elif kinds == {"raster"}:
        result = read_rasters(files, query, chosen.get("pattern"))
    else:
        result = read_tables(files, query, chosen)
    _expect(kind, result, where)
    return result


def expand(path: str | Path | Sequence[str | Path]) -> list[Path]:
    """Return the climate files that a path of the study file means, sorted by name."""
    if not isinstance(path, (str, Path)):
        return [f for p in path for f in expand(p)]
    single = Path(path)
    if single.is_dir():
        inside = sorted(p for p in single.iterdir() if p.is_file() and not _BESIDE.match(p.name))
        for family in _FAMILIES:
            same = [p for p in inside if _family(p) == family]
            if same:
                return same
        raise StudyError(
            "The folder holds no climate file.", str(single), "Put .nc, .tif, .bil, .zip, .csv or .dly files there."
        )
    if single.is_file():
        if not _family(single):
            raise StudyError(
                f"{single.suffix or 'This'} is not a climate format.",
                str(single),
                "Give .nc, .tif, .bil, .zip, .csv, .txt or .dly.",
            )
        return [single]
    matched = sorted(Path(p) for p in glob.glob(str(path)))
    if not matched:
        raise StudyError("The climate file does not exist.", str(path), "Correct the path in the study file.")
    return [p for p in matched if p.is_file()]


def _several(files: list[Path]) -> str:
    more = f" and {len(files) - 1} more" if len(files) > 1 else ""
    return f"{files[0]}{more}"


def _family(path: Path) -> str:
    return next((family for family, suffixes in _FAMILIES.items() if path.suffix.lower() in suffixes), "")


def _checked_options(options: Mapping[str, Any] | None) -> dict[str, Any]:
    chosen = dict(options or {})
    unknown = sorted(set(chosen) - set(_OPTIONS))
    if unknown:
        raise StudyError(
            f"{', '.join(unknown)} is not an option of the climate source.",
            "climate",
            f"Valid are: {', '.join(_OPTIONS)}.",
        )
    return chosen


def _numbers(fill: Any) -> list[float]:
    return [float(v) for v in (fill if isinstance(fill, (list, tuple)) else [fill])]


def _period(period: Any) -> tuple[int, int] | None:
    if period is None:
        return None
    first, last = int(period[0]), int(period[1])
    if first > last:
        raise StudyError(
            f"The period {first} to {last} runs backwards.", "climate: period", "Give [first year, last year]."
        )
    return first, last


def _expect(kind: str, result: ClimateInput, where: str) -> None:
    found = "daily" if result.daily is not None else "normals"
    if kind != "auto" and kind != found:
        wanted = "a daily record" if kind == "daily" else "monthly normals"
        holds = "a daily record" if found == "daily" else "monthly values"
        raise StudyError(
            f"The source should be {wanted} but holds {holds}.",
            where,
            f'Set kind = "{found}" under [climate], or leave kind out.',
        )
