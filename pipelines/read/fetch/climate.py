"""Bring daily weather or monthly climate of an area from open services, in the services' own files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geo.errors import StudyError
from pipelines.read.fetch.http_cache import PoliteSession, Progress, Reply, TooMuch, Transient, quiet, says_too_much
from pipelines.study.staging import write_whole

_NETCDF = (b"CDF\x01", b"CDF\x02", b"CDF\x05", b"\x89HDF\r\n\x1a\n")


def fetch_grid(
    area: BaseGeometry,
    years: tuple[int, int],
    folder: Path,
    session: PoliteSession,
    settings: dict[str, Any],
    progress: Progress = quiet,
) -> list[Path]:
    """Fetch the cells of a gridded product that cover an area, and one ring, through a NetCDF subset service.

    The area is in EPSG:4326, the years are whole calendar years. The folder gets one file a variable and span of
    years, ``<file>_<first>_<last>.nc``; `settings` are those of ``daily`` or ``normals``.
    """
    _known_years(years, settings)
    ring = 1.5 * float(settings["cell_deg"])
    west, south, east, north = area.bounds
    box = {"north": north + ring, "south": south - ring, "west": west - ring, "east": east + ring}
    size = int(settings["years_per_query"])
    starts = range(years[0], years[1] + 1, size)
    spans = [(v, first, min(first + size - 1, years[1])) for v in settings["variables"] for first in starts]
    paths = list(settings["paths"])
    files: list[Path] = []
    while spans:
        variable, first, last = spans.pop(0)
        progress(f"climate {variable} {first}-{last}", len(files), len(files) + len(spans) + 1)
        try:
            reply = _subset(variable, first, last, box, paths, session, settings)
        except TooMuch as error:
            if first == last:
                raise StudyError(
                    f"The climate service does not manage one year ({error}).",
                    settings["base"],
                    "Take a smaller area.",
                ) from None
            middle = (first + last) // 2
            spans = [(variable, first, middle), (variable, middle + 1, last), *spans]
            continue
        # The start of the product's own file names, by which the reader knows the product.
        prefix = str(settings["paths"][0]).rpartition("/")[2].partition("{")[0]
        files.append(folder / f"{prefix}{variable}_{first}_{last}.nc")
        write_whole(files[-1], reply.body())
    return files


def _subset(
    variable: str,
    first: int,
    last: int,
    box: dict[str, float],
    paths: list[str],
    session: PoliteSession,
    settings: dict[str, Any],
) -> Reply:
    """Ask the documented addresses in turn (services rename their files); the one that answers moves to the front."""
    params = {
        "var": str(settings["variables"][variable]),
        **{k: f"{v:.5f}" for k, v in box.items()},
        "horizStride": "1",
        "time_start": f"{first}-01-01T00:00:00Z",
        "time_end": f"{last}-12-31T23:59:59Z",
        "timeStride": "1",
        "accept": "netcdf",
    }
    refusal: StudyError | None = None
    urls = [str(settings["base"]).rstrip("/") + "/" + path.format(file=variable) for path in paths]
    kept = [url for url in urls if session.has(url, params)]
    for number, url in enumerate(kept[:1] or urls):
        try:
            reply = session.get(url, params, check_netcdf, float(settings["seconds_between"]))
            if not kept:
                paths.insert(0, paths.pop(number))
            return reply
        except StudyError as error:
            if "status 404" not in error.what:
                raise
            refusal = error
    assert refusal is not None
    raise refusal


def check_netcdf(body: bytes, kind: str) -> None:
    """Accept a reply only when it is a NetCDF file; a page in its place tells of a busy or overtaxed service."""
    if body.startswith(_NETCDF):
        try:
            with netCDF4.Dataset("reply", memory=body) as file:
                for variable in file.variables.values():
                    variable[...]  # a cut file opens, and fails where its data end
        except (OSError, RuntimeError):
            raise Transient("the NetCDF file was cut") from None
        return
    text = body[:400].decode("utf-8", errors="replace").strip()
    if says_too_much(text):
        raise TooMuch(text[:120])
    raise Transient(f"no NetCDF file came but {kind or 'something else'}")


def fetch_points(
    area: BaseGeometry,
    years: tuple[int, int],
    folder: Path,
    session: PoliteSession,
    settings: dict[str, Any],
    progress: Progress = quiet,
) -> list[Path]:
    """Fetch single-pixel records on a regular net of points over an area (one CSV a point)."""
    _known_years(years, settings)
    points = point_net(area, float(settings["spacing_deg"]), int(settings["most_points"]))
    files = []
    for number, (longitude, latitude) in enumerate(points):
        progress("climate points", number, len(points))
        params = {
            "lat": f"{latitude:.4f}",
            "lon": f"{longitude:.4f}",
            "vars": str(settings["variables"]["all"]),
            "start": f"{years[0]}-01-01",
            "end": f"{years[1]}-12-31",
        }
        reply = session.get(str(settings["base"]), params, check_point_table, float(settings["seconds_between"]))
        files.append(folder / f"point_{latitude:.4f}_{longitude:.4f}.csv".replace("-", "m"))
        write_whole(files[-1], reply.body())
    return files


def check_point_table(body: bytes, kind: str) -> None:
    """Accept a single-pixel reply only with its preamble, its header and whole last row."""
    text = body.decode("utf-8", errors="replace")
    if not text.lower().startswith("latitude:") or "year,yday" not in text:
        raise Transient(f"no point table came but {kind or 'something else'}")
    lines = [line for line in text.splitlines() if line.strip()]
    header = next(line for line in lines if line.startswith("year,yday"))
    if len(lines[-1].split(",")) != len(header.split(",")) or not text.endswith("\n"):
        raise Transient("the point table was cut")


def point_net(area: BaseGeometry, spacing: float, most: int) -> list[tuple[float, float]]:
    """Return points (longitude, latitude) on a regular net over an area, its middle at least.

    The net is widened until it has at most ``most`` points: a service that answers one point at a time is not to be
    asked for thousands.
    """
    west, south, east, north = area.bounds
    while True:
        xs = np.arange(np.floor(west / spacing), np.ceil(east / spacing) + 1) * spacing
        ys = np.arange(np.floor(south / spacing), np.ceil(north / spacing) + 1) * spacing
        net = [(float(x), float(y)) for y in ys for x in xs]
        near = shapely.dwithin(shapely.points(net), area, spacing / 2)
        chosen = [p for p, hit in zip(net, near, strict=True) if hit]
        if not chosen:
            middle = area.representative_point()
            return [(round(middle.x, 4), round(middle.y, 4))]
        if len(chosen) <= most:
            return chosen
        spacing *= 1.25


def _known_years(years: tuple[int, int], settings: dict[str, Any]) -> None:
    first, last = years
    if first > last or first < int(settings["first_year"]):
        raise StudyError(
            f"{settings['label']} has no record for {first} to {last}.",
            "fetch: years",
            f"Choose years from {settings['first_year']} on, the first before the last.",
        )
