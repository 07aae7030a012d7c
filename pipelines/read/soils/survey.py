"""Soil survey exports as downloaded: a folder or a zip, one survey area or many."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio

from geo.errors import Problem, StudyError
from geo.soils import SoilTable
from pipelines.read.soils.common import (
    OPTIONAL_TABLES,
    TABLES,
    Area,
    area_bounds,
    assemble,
    outside,
    parse_crs,
    survey_columns,
    survey_files,
    tidy_polygons,
)

Place = Path | zipfile.Path
_MAX_DEPTH = 5
_SURVEY_CRS = "EPSG:4326"  # the exports are always in WGS 84 degrees


@dataclass(frozen=True, slots=True)
class SurveyArea:
    """One survey area in an export: where its tables and its polygons are."""

    name: str
    tables: dict[str, Place]
    headed: bool
    polygons: str | None
    columns: dict[str, list[str]]


def _walk(place: Place, depth: int = 0) -> Iterator[Place]:
    """Yield the files below a folder or in a zip, in order."""
    if depth > _MAX_DEPTH or place.name.lower().endswith(".gdb"):
        return
    children: list[Place] = list(place.iterdir())
    for child in sorted(children, key=lambda p: p.name):
        if child.is_dir():
            yield from _walk(child, depth + 1)
        else:
            yield child


def _contents(path: Path) -> list[Place]:
    """List every file below a folder or in a zip; zips inside a folder are opened too."""
    if path.is_file():
        if not zipfile.is_zipfile(path):
            raise StudyError(
                "The soil survey export is neither a folder nor a whole zip.",
                str(path),
                "Give the downloaded zip as it is; download it again if it was cut short.",
            )
        return list(_walk(zipfile.Path(path)))
    files = list(_walk(path))
    archives = [p for p in files if isinstance(p, Path) and p.suffix.lower() == ".zip" and zipfile.is_zipfile(p)]
    return [*files, *(file for archive in archives for file in _walk(zipfile.Path(archive)))]


def gdal_path(place: Place) -> str:
    """Return the path by which GDAL opens a file, in a zip or not."""
    if isinstance(place, zipfile.Path):
        return f"/vsizip/{place.root.filename}/{place.at}"
    return str(place)


def _size(place: Place) -> int:
    if isinstance(place, zipfile.Path):
        return place.root.getinfo(place.at).file_size
    return place.stat().st_size


def find_survey_areas(path: Path) -> list[SurveyArea]:
    """Find the survey areas of an export.

    Two layouts are known: ``tabular/*.txt`` with ``spatial/*soilmu_a_*.shp`` beside it, and tables with a header,
    ``<name>_component.csv`` and so on, with ``<name>_Mapunits.shp`` (column names with dots or underscores).
    """
    files = _contents(path)
    short = survey_files()
    areas = []
    folders: dict[str, list[Place]] = {}
    for file in files:
        folders.setdefault(gdal_path(file.parent), []).append(file)  # type: ignore[arg-type]
    for folder, inside in folders.items():
        names = {f.name.lower(): f for f in inside}
        if f"{short['component']}.txt" in names:
            columns = _column_order(names)
            tables = {t: names[f"{short[t]}.txt"] for t in TABLES if f"{short[t]}.txt" in names}
            home = folder.replace("\\", "/").rstrip("/").rpartition("/")[0]
            shapes = [
                f
                for f in files
                if "soilmu_a" in f.name.lower()
                and f.name.lower().endswith(".shp")
                and gdal_path(f).replace("\\", "/").startswith(f"{home}/")
            ]
            areas.append(
                SurveyArea(home.rpartition("/")[2], tables, False, gdal_path(shapes[0]) if shapes else None, columns)
            )
        for name in sorted(n for n in names if n.endswith("component.csv")):
            prefix = name[: -len("component.csv")]
            found = {t: names[f"{prefix}{t}.csv"] for t in TABLES if f"{prefix}{t}.csv" in names}
            shape = names.get(f"{prefix}mapunits.shp")
            label = prefix.strip("_ -") or folder
            areas.append(SurveyArea(label, found, True, gdal_path(shape) if shape else None, {}))
    return areas


def _column_order(names: dict[str, Place]) -> dict[str, list[str]]:
    """Return the columns of each table: the export's own list when it has one, else the built-in order."""
    order = survey_columns()
    listing = names.get("mstabcol.txt")
    if listing is not None and _size(listing):
        own: dict[str, list[tuple[int, str]]] = {}
        text = io.StringIO(listing.read_text(encoding="utf-8", errors="replace"))
        for row in csv.reader(text, delimiter="|"):
            if len(row) > 2 and row[1].isdigit():
                own.setdefault(row[0], []).append((int(row[1]), row[2]))
        order.update({t: [c for _, c in sorted(pairs)] for t, pairs in own.items()})
    return order


def read_text_table(place: Place, columns: list[str] | None) -> tuple[pd.DataFrame, list[Problem]]:
    """Read one survey table as text; its index names file and line.

    The file is ``|``-delimited without header when `columns` (names in order) is given, otherwise comma-separated
    with a header. Another number of columns than the order says, or a file that was cut short, stops the run.
    """
    if not _size(place):
        return pd.DataFrame(columns=columns or []), []
    raw = place.read_text(encoding="utf-8-sig", errors="replace")
    delimiter = "|" if columns else ","
    first = next(csv.reader(io.StringIO(raw), delimiter=delimiter))
    if columns and len(first) != len(columns):
        raise StudyError(
            f"The soil table has {len(first)} columns in its first row where {len(columns)} are expected.",
            where=f"{gdal_path(place)}, row 1",
            fix="Keep mstabcol.txt of the same export beside it, or download the export again.",
        )
    last = raw.rpartition("\n")[2]
    if last and (len(next(csv.reader([last], delimiter=delimiter))) < len(first) or last.count('"') % 2):
        raise StudyError(
            "The soil table ends in the middle of a row: the file was cut short.",
            where=f"{gdal_path(place)}, row {raw.count(chr(10)) + 1}",
            fix="Unpack or download the export again.",
        )
    problems: list[Problem] = []

    def odd_row(fields: list[str]) -> None:
        problems.append(
            Problem(
                "soils",
                f"{gdal_path(place)}, row that starts with {'|'.join(fields[:3])[:40]}",
                f"row has {len(fields)} fields, not {len(first)}",
                "left out",
                "Repair the row (often a stray delimiter or quote), or download the export again.",
            )
        )

    options: dict[str, Any] = {
        "sep": delimiter,
        "header": None if columns else 0,
        "names": columns,
        "dtype": str,
        "keep_default_na": False,
        "na_values": ["", "NA"],
        "index_col": False,
    }
    try:
        frame = pd.read_csv(io.StringIO(raw), **options)
    except pd.errors.ParserError:
        frame = pd.read_csv(io.StringIO(raw), engine="python", on_bad_lines=odd_row, **options)
    frame.columns = [str(c).strip().lower().replace(".", "_") for c in frame.columns]
    start = 1 if columns else 2
    frame.index = pd.Index([f"{gdal_path(place)} row {i + start}" for i in range(len(frame))])
    return frame, problems


def read_area_tables(area: SurveyArea) -> tuple[dict[str, pd.DataFrame], list[Problem]]:
    """Read the tables of one survey area; one that is needed and missing or empty stops the run."""
    tables: dict[str, pd.DataFrame] = {}
    problems: list[Problem] = []
    for name in TABLES:
        place = area.tables.get(name)
        if place is None:
            if name in OPTIONAL_TABLES:
                continue
            raise StudyError(
                f"The soil survey export has no table {name}.",
                where=f"survey area {area.name}",
                fix="Unpack the whole export: the folder tabular belongs to it.",
            )
        frame, listed = read_text_table(place, None if area.headed else area.columns[name])
        if frame.empty and name not in OPTIONAL_TABLES:
            raise StudyError(
                f"The soil table {name} is empty.",
                where=gdal_path(place),
                fix="Download the export again.",
            )
        tables[name], problems = frame, problems + listed
    return tables, problems


def read_survey_tables(path: Path) -> tuple[dict[str, pd.DataFrame], list[Problem]]:
    """Read and join the tables of every survey area of an export (no polygons needed)."""
    return _join_tables(_survey_areas(path))


def _survey_areas(path: Path) -> list[SurveyArea]:
    areas = find_survey_areas(path)
    if not areas:
        raise StudyError(
            "No soil survey tables were found.",
            where=str(path),
            fix="Give the folder or zip of the export, with its folders tabular and spatial.",
        )
    return areas


def _join_tables(areas: Iterable[SurveyArea]) -> tuple[dict[str, pd.DataFrame], list[Problem]]:
    parts: dict[str, list[pd.DataFrame]] = {}
    problems: list[Problem] = []
    for area in areas:
        tables, listed = read_area_tables(area)
        problems += listed
        for name, frame in tables.items():
            parts.setdefault(name, []).append(frame)
    return {name: pd.concat(frames) for name, frames in parts.items()}, problems


def read_survey_export(path: Path, *, area: Area | None = None, crs: Any = None) -> tuple[SoilTable, list[Problem]]:
    """Read a soil survey export with its polygons: a folder or zip of one survey area, or a folder of several.

    Only polygons that touch the window are read, and only the tables of survey areas that have some: a county of a
    state's folder is not held up by the others. `crs` is that of polygons that lack one.
    """
    wanted: list[SurveyArea] = []
    problems: list[Problem] = []
    parts: list[gpd.GeoDataFrame] = []
    seen: set[str] = set()
    for place in _survey_areas(path):
        if place.polygons is None:
            wanted.append(place)
            problems.append(
                Problem("soils", f"survey area {place.name}", "tables without map unit polygons", "left out",
                        "Unpack the folder spatial of the export too (soilmu_a_*.shp).")
            )  # fmt: skip
            continue
        mark = _signature(place.polygons)
        if mark in seen:
            problems.append(
                Problem("soils", f"survey area {place.name}", "given twice; one copy is used", "left out")
            )
            continue
        seen.add(mark)
        polygons, listed = read_polygons(place.polygons, area=area, crs=crs, default_crs=_SURVEY_CRS)
        problems += listed
        if len(polygons):
            wanted.append(place)
            parts.append(polygons if not parts else polygons.to_crs(parts[0].crs))
    if not parts:
        if seen:
            raise outside(str(path), f"{len(seen)} survey areas")
        raise StudyError(
            "The soil survey export has tables but no map unit polygons.",
            where=str(path),
            fix="Unpack the folder spatial of the export too (soilmu_a_*.shp).",
        )
    merged = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=parts[0].crs)
    tables, of_tables = _join_tables(wanted)
    soils, listed = assemble(tables, polygons=merged)
    return soils, of_tables + problems + listed


def _signature(path: str) -> str:
    """Return what tells two copies of one survey area from two areas: name, number of polygons, extent."""
    try:
        info = pyogrio.read_info(path, force_total_bounds=True)
    except pyogrio.errors.DataSourceError:
        return path
    extent = ",".join(f"{v:.6f}" for v in info["total_bounds"] or ())
    return f"{Path(path).name.lower()} {info['features']} {extent}"


def read_polygons(
    path: str, *, layer: str | None = None, area: Area | None = None, crs: Any = None, default_crs: Any = None
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Read map unit polygons that touch the window; a missing CRS is taken from `crs`, else from `default_crs`."""
    problems: list[Problem] = []
    try:
        info = pyogrio.read_info(path, layer=layer)
    except pyogrio.errors.DataSourceError as error:
        raise StudyError("The soil polygons cannot be opened.", path, "Keep .shp, .shx and .dbf together.") from error
    own = info["crs"]
    if own is None:
        own = crs or default_crs
        if own is None:
            raise StudyError("The soil polygons have no coordinate system.", path, "Give it in the study file: crs.")
        problems.append(
            Problem("soils", path, f"no coordinate system in the file; taken as {parse_crs(own, path).name}")
        )
    bounds = area_bounds(area, own) if area else None
    frame = pyogrio.read_dataframe(path, layer=layer, bbox=bounds, force_2d=True)
    frame = frame.set_crs(own, allow_override=True)
    polygons, listed = tidy_polygons(frame, path)
    return polygons, problems + listed
