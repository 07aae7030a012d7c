"""Bring soils, climate and the county outline of an area into a study folder that is ready to run."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import shapely
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from geo.errors import Problem, StudyError
from pipelines.read.fetch.climate import fetch_grid, fetch_points
from pipelines.read.fetch.http_cache import PoliteSession, Progress, Reply, Transient, quiet
from pipelines.read.fetch.soils import fetch_soils
from pipelines.study.house import shared_toml, version
from pipelines.study.staging import file_sha256, write_whole

Climate = Literal["daily", "daily_points", "normals", "none"]

_LARGEST_DEG2 = 4.0  # about four counties of the Plains: a larger area is to be fetched county by county


@dataclass(frozen=True, slots=True)
class FetchedFile:
    """One file of the study folder."""

    source: str
    path: str
    sha256: str
    bytes: int


@dataclass(frozen=True, slots=True)
class FetchReport:
    """What `fetch_study` has brought: every layer file, and of each source the ``label``, ``base`` and ``licence``.

    `requests_sent` counts the network requests of this run, `replies_reused` the replies that were already there.
    """

    folder: Path
    study_file: Path
    files: list[FetchedFile]
    sources: dict[str, dict[str, str]]
    requests_sent: int
    replies_reused: int
    problems: list[Problem] = field(default_factory=list)


def settings_of(overrides: Mapping[str, str] | None = None) -> dict[str, dict[str, Any]]:
    """Return the services with their addresses; an argument beats ``SPRINGFILL_<NAME>_URL`` beats the table."""
    table: dict[str, dict[str, Any]] = shared_toml("fetch_sources.toml")
    unknown = sorted(set(overrides or {}) - set(table))
    if unknown:
        raise StudyError(f"Unknown source: {', '.join(unknown)}.", "fetch: sources", f"Known: {', '.join(table)}.")
    for name, row in table.items():
        row["base"] = (overrides or {}).get(name) or os.environ.get(f"SPRINGFILL_{name.upper()}_URL") or row["base"]
    return table


def fetch_study(
    area: str | Path | tuple[float, float, float, float] | Mapping[str, Any],
    folder: str | Path,
    *,
    climate: Climate = "daily",
    years: tuple[int, int] = (1991, 2020),
    sources: Mapping[str, str] | None = None,
    progress: Progress = quiet,
    session: PoliteSession | None = None,
) -> FetchReport:
    """Fetch everything that a study of an area needs; the report is also written to ``fetch.json``, with hashes.

    Parameters
    ----------
    area : str, Path, tuple or mapping
        A county as its five-digit code, bounds (west, south, east, north) in EPSG:4326, a GeoJSON object, or a
        vector file.
    folder : str or Path
        The study folder; made when it does not exist. Replies are kept in ``.fetch`` inside it, so that a second run
        asks only for what is missing.
    years : (first, last)
        Whole years of the record, or of the normals.
    sources : mapping, optional
        Source name -> other base address (``soils``, ``outline``, ``daily``, ``daily_points``, ``normals``).
    session : PoliteSession, optional
        Network; by default one with its cache in the study folder.
    """
    home = Path(folder)
    if climate not in ("daily", "daily_points", "normals", "none"):
        raise StudyError(
            f"Unknown climate source: {climate!r}.", "fetch: climate", "Use daily, daily_points, normals or none."
        )
    table = settings_of(sources)
    home.mkdir(parents=True, exist_ok=True)
    net = session or PoliteSession(home / ".fetch")
    start = len(net.replies)
    county = area if isinstance(area, str) and re.fullmatch(r"\d{5}", area) else None
    place = None if county else read_area(area)
    outline = fetch_outline(county, place, net, table["outline"], progress)
    if place is None:
        place = outline.union_all()
    _not_too_large(place)
    written: dict[str, list[Path]] = {"outline": _write_outline(home, outline, place)}
    written["soils"], problems = fetch_soils(place, home / "soils", net, table["soils"], progress)
    if climate != "none":
        bring = fetch_points if climate == "daily_points" else fetch_grid
        written[climate] = bring(place, years, home / "climate", net, table[climate], progress)
    name = str(outline["NAME"].iloc[0]) if len(outline) else "Fetched area"
    earlier = _earlier(home)
    replies = net.replies[start:]
    fetched = max((r.fetched[:10] for r in replies), default="")
    terms = {n: (str(table[n]["licence"]), fetched) for n in ("soils", climate) if n in table}
    study, text = home / "study.toml", study_text(name, climate, years, terms).encode()
    if not study.exists() or file_sha256(study) == earlier.get("study_sha256"):
        write_whole(study, text)
    else:
        problems = [*problems, Problem("study", "study.toml", "it was changed by hand", "warning", "kept as it is")]
    files = [
        FetchedFile(source, str(p.relative_to(home)), file_sha256(p), p.stat().st_size)
        for source, paths in written.items()
        for p in paths
    ]
    used = {n: {k: str(table[n][k]) for k in ("label", "base", "licence")} for n in written}
    reused = sum(r.cached for r in replies)
    _remove_stale(home, earlier, files)
    report = FetchReport(home, study, files, used, len(replies) - reused, reused, problems)
    asked = {"climate": climate, "years": list(years), "study_sha256": hashlib.sha256(text).hexdigest()}
    _write_record(report, place, asked, replies)
    return report


def read_area(area: str | Path | tuple[float, float, float, float] | Mapping[str, Any]) -> BaseGeometry:
    """Return an area as one valid polygon in EPSG:4326."""
    if isinstance(area, tuple):
        west, south, east, north = area
        found: BaseGeometry = shapely.box(west, south, east, north)
    elif isinstance(area, Mapping):
        parts = [f["geometry"] for f in area["features"]] if "features" in area else [area.get("geometry", area)]
        found = shapely.union_all([shape(p) for p in parts])
    else:
        path = Path(area)
        if not path.is_file():
            raise StudyError(
                "The area file does not exist.", str(path), "Give a county code, four numbers, or a vector file."
            )
        frame = gpd.read_file(path, engine="pyogrio")
        if frame.crs is None:
            raise StudyError("The area has no coordinate system.", str(path), "Save it with its coordinate system.")
        found = frame.to_crs(4326).union_all()
    found = shapely.make_valid(found, method="structure", keep_collapsed=False)
    if found.is_empty or found.area == 0.0:
        raise StudyError("The area has no extent.", "fetch: area", "Give west, south, east, north in degrees.")
    west, south, east, north = found.bounds
    if not (-180 <= west < east <= 180 and -90 <= south < north <= 90):
        raise StudyError(
            f"The bounds {west:g}, {south:g}, {east:g}, {north:g} are not longitudes and latitudes.",
            "fetch: area",
            "Give degrees in EPSG:4326, longitude first.",
        )
    return found


def _not_too_large(place: BaseGeometry) -> None:
    west, south, east, north = place.bounds
    if (east - west) * (north - south) > _LARGEST_DEG2:
        raise StudyError(
            f"The area spans {east - west:.1f} by {north - south:.1f} degrees.",
            "fetch: area",
            "Fetch county by county; whole states come as a download of the soil survey.",
        )


def fetch_outline(
    county: str | None,
    place: BaseGeometry | None,
    session: PoliteSession,
    settings: dict[str, Any],
    progress: Progress = quiet,
) -> gpd.GeoDataFrame:
    """Fetch the outline of a county by its code, or of the county in which an area lies.

    It is in EPSG:4326 with the columns ``GEOID`` and ``NAME``; no rows when the area lies in no county.
    """
    progress("county outline", 0, 1)
    params = {"outFields": "GEOID,NAME", "returnGeometry": "true", "outSR": "4326", "f": "geojson"}
    if county is not None:
        params["where"] = f"GEOID='{county}'"
    else:
        assert place is not None
        middle = place.representative_point()
        params |= {
            "where": "1=1",
            "geometry": f"{middle.x:.6f},{middle.y:.6f}",
            "geometryType": "esriGeometryPoint",
            "inSR": "4326",
            "spatialRel": "esriSpatialRelIntersects",
        }
    reply = session.get(settings["base"], params, check_features, float(settings["seconds_between"]))
    features = json.loads(reply.body())["features"]
    if not features:
        if county is not None:
            raise StudyError(
                f"There is no county {county}.", settings["base"], "Give the five-digit code, such as 31057."
            )
        return gpd.GeoDataFrame({"GEOID": [], "NAME": []}, geometry=[], crs=4326)
    frame = gpd.GeoDataFrame.from_features(features, crs=4326)
    return frame[["GEOID", "NAME", "geometry"]]


def check_features(body: bytes, kind: str) -> None:
    """Accept a GeoJSON feature collection; the service tells errors as JSON with status 200."""
    try:
        data = json.loads(body)
    except ValueError:
        raise Transient(f"no whole GeoJSON came but {kind or 'something else'}") from None
    if "error" in data:
        code = data["error"].get("code", 0)
        if code in (429, 500, 502, 503, 504):
            raise Transient(f"error {code} in the reply")
        raise StudyError(
            f"The outline service reports: {data['error'].get('message', 'an error')}", "outline", "Try again later."
        )
    if "features" not in data:
        raise Transient("the reply has no features")


def _write_outline(home: Path, outline: gpd.GeoDataFrame, place: BaseGeometry) -> list[Path]:
    area = gpd.GeoDataFrame({"name": ["study area"]}, geometry=[place], crs=4326)
    files = [home / "area.geojson"]
    write_whole(files[0], area.to_json(drop_id=True).encode())
    if len(outline):
        files.append(home / "county.geojson")
        write_whole(files[1], outline.to_json(drop_id=True).encode())
    return files


def study_text(name: str, climate: str, years: tuple[int, int], terms: Mapping[str, tuple[str, str]]) -> str:
    """Return the text of a study file for a fetched folder.

    `terms` holds the licence of each source and the day on which it was fetched.
    """

    def stated(source: str) -> list[str]:
        licence, day = terms.get(source, ("", ""))
        pairs = (("licence", licence), ("date", day))
        return [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in pairs if value]

    lines = [
        "# Written by springfill fetch. Add your fields, check the dates, then run: springfill check study.toml",
        "[study]",
        f"name = {json.dumps(name, ensure_ascii=False)}",
        "",
        "[soils]",
        'path = "soils"',
        'kind = "survey_export"',
        *stated("soils"),
        "",
    ]
    if climate == "none":
        lines += ["# [climate]", '# path = "your climate file"']
    else:
        lines += ["[climate]", 'path = "climate"', f'kind = "{"normals" if climate == "normals" else "daily"}"']
        lines += [f"options = {{ period = [{years[0]}, {years[1]}] }}"] if climate == "normals" else []
        lines += stated(climate)
    return "\n".join([*lines, "", "# [fields]", '# path = "fields.gpkg"', ""])


def _earlier(home: Path) -> dict[str, Any]:
    """Return the record of the last fetch into this folder."""
    try:
        found = json.loads((home / "fetch.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _remove_stale(home: Path, earlier: dict[str, Any], files: list[FetchedFile]) -> None:
    """Remove layer files that an earlier fetch wrote and this one did not: other years or another climate."""
    keep = {f.path for f in files}
    for item in earlier.get("files", []):
        path = (home / str(item.get("path", ""))).resolve()
        if item.get("path") not in keep and path.is_file() and home.resolve() in path.parents:
            path.unlink()


def _write_record(report: FetchReport, place: BaseGeometry, asked: dict[str, Any], replies: list[Reply]) -> None:
    """Write what came from where, under which terms, to ``fetch.json``."""
    record = {
        "program": "springfill",
        "version": version(),
        "written": datetime.now(UTC).isoformat(timespec="seconds"),
        "area_sha256": hashlib.sha256(shapely.to_wkb(place)).hexdigest(),
        "bounds": [round(v, 6) for v in place.bounds],
        **asked,
        "sources": report.sources,
        "files": [asdict(f) for f in report.files],
        "replies": [{"url": r.url, "sha256": r.sha256, "bytes": r.size, "fetched": r.fetched} for r in replies],
    }
    write_whole(report.folder / "fetch.json", json.dumps(record, indent=1, ensure_ascii=False).encode())
