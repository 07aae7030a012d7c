"""Bring the soil survey of an area from Soil Data Access and write it as a survey export."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from geo.errors import Problem, StudyError
from geo.ground import joined, polygon_parts
from pipelines.read.fetch.http_cache import PoliteSession, Progress, TooMuch, Transient, quiet, says_too_much
from pipelines.read.soils.common import survey_columns, survey_files
from pipelines.study.staging import write_whole

TABLES = ("legend", "mapunit", "component", "chorizon", "corestrictions", "muaggatt")
_NEEDED = ("legend", "mapunit", "component")
# How each table hangs on the map units. STATSGO2 shares the tables, but no key of a SSURGO polygon leads there.
_QUERIES = {
    "legend": "SELECT t.* FROM legend t WHERE t.lkey IN (SELECT m.lkey FROM mapunit m WHERE m.mukey IN ({keys}))",
    "mapunit": "SELECT t.* FROM mapunit t WHERE t.mukey IN ({keys})",
    "component": "SELECT t.* FROM component t WHERE t.mukey IN ({keys})",
    "chorizon": "SELECT t.* FROM chorizon t INNER JOIN component c ON c.cokey = t.cokey WHERE c.mukey IN ({keys})",
    "corestrictions": (
        "SELECT t.* FROM corestrictions t INNER JOIN component c ON c.cokey = t.cokey WHERE c.mukey IN ({keys})"
    ),
    "muaggatt": "SELECT t.* FROM muaggatt t WHERE t.mukey IN ({keys})",
}
_POLYGONS = (
    "SELECT p.mupolygonkey, p.areasymbol, p.spatialversion, p.musym, p.mukey, "
    "p.mupolygongeo.STIntersection(geometry::STGeomFromText('{wkt}', 4326)).STAsText() AS wkt "
    "FROM mupolygon p WHERE p.mupolygongeo.STIntersects(geometry::STGeomFromText('{wkt}', 4326)) = 1"
)


def fetch_soils(
    area: BaseGeometry,
    folder: Path,
    session: PoliteSession,
    settings: dict[str, Any],
    progress: Progress = quiet,
) -> tuple[list[Path], list[Problem]]:
    """Fetch map unit polygons (clipped to the area, EPSG:4326) and their tables.

    The folder gets ``tabular/*.txt`` and ``spatial/soilmu_a_fetched.shp``. `settings` is the ``soils`` part of
    ``shared/fetch_sources.toml``. Parts of the area without survey are listed.
    """
    polygons = fetch_polygons(area, session, settings, progress)
    if polygons.empty:
        raise StudyError(
            "The soil survey has no polygons in the study area.",
            settings["base"],
            "Check the area (longitude first).",
        )
    keys = sorted(polygons["MUKEY"].unique())
    tables = fetch_tables(keys, session, settings, progress)
    files = write_export(folder, polygons, tables)
    return files, _without_survey(area, polygons)


def fetch_polygons(
    area: BaseGeometry, session: PoliteSession, settings: dict[str, Any], progress: Progress = quiet
) -> gpd.GeoDataFrame:
    """Fetch the map unit polygons of an area, tile by tile, and join what the tiles have cut apart.

    A tile that the service does not manage (time-out, more rows or bytes than its limit) is quartered. The polygons
    are in EPSG:4326, with the columns ``AREASYMBOL``, ``SPATIALVER``, ``MUSYM``, ``MUKEY``.
    """
    width = float(settings["tile_deg"])
    waiting = [(tile, width) for tile in tiles(area, width)]
    rows: list[pd.DataFrame] = []
    done = 0
    while waiting:
        tile, width = waiting.pop(0)
        progress("soil polygons", done, done + len(waiting) + 1)
        query = _POLYGONS.format(wkt=_wkt(tile))
        try:
            rows.append(_frame(_ask(query, session, settings)))
        except TooMuch as error:
            if width / 2 < float(settings["smallest_tile_deg"]):
                raise StudyError(
                    f"The soil service does not manage even a small part of the area ({error}).",
                    settings["base"],
                    "Try again at another time of day; what has arrived is kept.",
                ) from None
            waiting = [*((part, width / 2) for part in tiles(tile, width / 2)), *waiting]
            continue
        done += 1
    found = [r for r in rows if len(r)]
    if not found:
        return gpd.GeoDataFrame(columns=["AREASYMBOL", "SPATIALVER", "MUSYM", "MUKEY"], geometry=[], crs=4326)
    table = pd.concat(found, ignore_index=True)
    table["geometry"] = _polygons_only(shapely.from_wkt(table["wkt"].to_numpy(dtype=object)))
    frame = gpd.GeoDataFrame(table, geometry="geometry", crs=4326)
    frame = frame[frame.geometry.notna()]
    whole = frame.dissolve("mupolygonkey", aggfunc="first").reset_index()
    names = {"areasymbol": "AREASYMBOL", "spatialversion": "SPATIALVER", "musym": "MUSYM", "mukey": "MUKEY"}
    return whole.rename(columns=names)[[*names.values(), "geometry"]]


def tiles(area: BaseGeometry, width: float) -> Iterator[BaseGeometry]:
    """Cut an area into squares of a width in degrees; parts outside the area are not asked for.

    The squares lie on whole multiples of the width, so that the same area always makes the same requests.
    """
    west, south, east, north = area.bounds
    for x in np.arange(np.floor(west / width), np.ceil(east / width)):
        for y in np.arange(np.floor(south / width), np.ceil(north / width)):
            square = shapely.box(x * width, y * width, (x + 1) * width, (y + 1) * width)
            part = shapely.intersection(area, square)
            yield from (piece for piece in polygon_parts(part) if piece.area > 1e-12)


def fetch_tables(
    keys: Sequence[str], session: PoliteSession, settings: dict[str, Any], progress: Progress = quiet
) -> dict[str, pd.DataFrame]:
    """Fetch the survey tables of map units, in chunks; a chunk that is too much is halved."""
    size = int(settings["keys_per_query"])
    out = {}
    for number, table in enumerate(TABLES):
        parts = []
        waiting = [list(keys[i : i + size]) for i in range(0, len(keys), size)]
        while waiting:
            chunk = waiting.pop(0)
            progress(f"soil table {table}", number, len(TABLES))
            listed = ",".join(f"'{k}'" for k in chunk if str(k).isdigit())
            try:
                parts.append(_frame(_ask(_QUERIES[table].format(keys=listed), session, settings)))
            except TooMuch as error:
                if len(chunk) == 1:
                    raise StudyError(
                        f"The soil service does not manage one map unit ({error}).",
                        f"{table}, map unit {chunk[0]}",
                        "Try again later.",
                    ) from None
                half = len(chunk) // 2
                waiting = [chunk[:half], chunk[half:], *waiting]
        filled = [p for p in parts if len(p)]
        out[table] = pd.concat(filled, ignore_index=True).drop_duplicates() if filled else pd.DataFrame()
        if table in _NEEDED and out[table].empty:
            raise StudyError(
                f"The soil service has no rows of {table} for the area.", settings["base"], "Try again later."
            )
    return out


def _ask(query: str, session: PoliteSession, settings: dict[str, Any]) -> list[list[str | None]]:
    """Return the rows of one query, names first; no rows at all is an empty list."""

    def check(body: bytes, kind: str) -> list[list[str | None]]:
        return read_rows(body, kind, int(settings["rows_limit"]), int(settings["bytes_limit"]))

    payload = {"format": "JSON+COLUMNNAME", "query": query}
    return check(session.post(settings["base"], payload, check, float(settings["seconds_between"])).body(), "")


def read_rows(body: bytes, kind: str, rows_limit: int, bytes_limit: int) -> list[list[str | None]]:
    """Read a reply in the format JSON+COLUMNNAME: ``{"Table": [[names], [row], ...]}``, ``{}`` when no row fits.

    Raises
    ------
    TooMuch
        The service timed out (it says so in XML with status 200), or the reply reaches a limit and was cut by it.
    Transient
        The reply is no JSON.
    StudyError
        The service reports an error in the query.
    """
    if len(body) >= bytes_limit:
        raise TooMuch(f"{len(body)} bytes reach the limit")
    text = body.decode("utf-8-sig", errors="replace").lstrip()
    if text.startswith("<"):
        plain = " ".join(text.split())
        if says_too_much(text):
            raise TooMuch("the query timed out")
        if "serviceexception" in text.lower():
            raise StudyError(
                f"The soil service reports an error: {plain[:300]}",
                kind or "reply",
                "Try again later; report it if it stays.",
            )
        raise Transient("a page came instead of data")
    try:
        data = json.loads(text)
    except ValueError:
        raise Transient("the reply is not whole JSON") from None
    if not isinstance(data, dict):
        raise Transient("the reply has an unknown form")
    rows = data.get("Table", [])
    if len(rows) - 1 >= rows_limit:
        raise TooMuch(f"{len(rows) - 1} rows reach the limit")
    return rows


def _frame(rows: list[list[str | None]]) -> pd.DataFrame:
    if len(rows) < 2:
        return pd.DataFrame()
    return pd.DataFrame(rows[1:], columns=[str(c).lower() for c in rows[0]], dtype=object)


def _wkt(piece: BaseGeometry) -> str:
    # Rounding outwards is not needed: 1e-7 degrees is about a centimetre, and tiles share the rounded edge.
    return shapely.to_wkt(shapely.set_precision(piece, 1e-7), rounding_precision=7)


def _polygons_only(shapes: np.ndarray) -> np.ndarray:
    """Drop the points and lines at which a map unit only touches the tile; repair rings."""
    shapes = shapely.make_valid(shapes, method="structure", keep_collapsed=False)
    return np.array([joined(polygon_parts(shape)) for shape in shapes], dtype=object)


def _without_survey(area: BaseGeometry, polygons: gpd.GeoDataFrame) -> list[Problem]:
    covered = shapely.intersection(shapely.union_all(polygons.geometry.to_numpy()), area)
    share = 1.0 - covered.area / area.area
    if share < 0.001:
        return []
    return [
        Problem("soils", "study area", f"{share:.1%} of the area has no soil survey", "warning", "shown as no data")
    ]


def write_export(folder: Path, polygons: gpd.GeoDataFrame, tables: dict[str, pd.DataFrame]) -> list[Path]:
    """Write polygons and tables in the layout of a survey export.

    ``tabular`` has one ``|``-delimited text file a table without header, and ``mstabcol.txt`` with the column order;
    ``spatial`` has one Shapefile of map unit polygons. Text with a delimiter is quoted, missing values are empty.
    """
    short, order = survey_files(), survey_columns()
    files = []
    described = []
    for name, table in tables.items():
        columns = [*order[name], *(c for c in table.columns if c not in order[name])]
        files.append(folder / "tabular" / f"{short[name]}.txt")
        write_whole(files[-1], _export_text(table.reindex(columns=columns)))
        described += [[name, i, c, c, c, *[""] * 8] for i, c in enumerate(columns, start=1)]
    files.append(folder / "tabular" / "mstabcol.txt")
    write_whole(files[-1], _export_text(pd.DataFrame(described)))
    spatial = folder / "spatial"
    spatial.mkdir(parents=True, exist_ok=True)
    for old in spatial.glob("soilmu_a_*"):
        old.unlink()
    polygons.to_file(spatial / "soilmu_a_fetched.shp", driver="ESRI Shapefile", engine="pyogrio")
    return [*files, *sorted(spatial.glob("soilmu_a_fetched.*"))]


def _export_text(table: pd.DataFrame) -> str:
    return table.replace(r"[\r\n]", " ", regex=True).to_csv(sep="|", header=False, index=False, lineterminator="\n")
