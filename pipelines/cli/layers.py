"""Commands that move layers: export what a run found, fetch what a study needs."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.terminal import ResultFolder, progress_terminal, show, terminal


def export(
    result: ResultFolder,
    target: Annotated[Path, typer.Argument(metavar="TARGET", help="File or folder to write.")],
    fmt: Annotated[
        str,
        typer.Option(
            "--format", help="gpkg, geoparquet, flatgeobuf, geojson, csv, cog or netcdf; by default from TARGET."
        ),
    ] = "",
    layer: Annotated[
        list[str] | None,
        typer.Option("--layer", "-l", help="A layer; repeat for more. By default all of the format."),
    ] = None,
    crs: Annotated[str | None, typer.Option("--crs", help="Target CRS, such as EPSG:26913.")] = None,
    clip: Annotated[
        str | None, typer.Option("--clip", help="A polygon file, or west,south,east,north in degrees.")
    ] = None,
    units: Annotated[str, typer.Option("--units", help="us or metric.")] = "metric",
    show: Annotated[bool, typer.Option("--list", help="List the layers that the format can hold, and stop.")] = False,
) -> None:
    """Write layers of a finished run in another format, CRS, clip or system of units."""
    from pipelines.show.explain import open_result
    from pipelines.show.layers.export import export_layers, layer_names
    from pipelines.show.layers.request import format_of

    chosen = fmt or format_of(target)
    study = open_result(result)
    if show:
        typer.echo("\n".join(layer_names(study, chosen)))
        return
    files = export_layers(
        study,
        target,
        layers=layer,
        crs=crs,
        clip=None if clip is None else parse_clip(clip),
        units=units,  # type: ignore[arg-type]
        fmt=chosen,
    )
    for file in files:
        typer.echo(str(file))


def parse_clip(text: str) -> Path | tuple[float, float, float, float]:
    """Return four numbers as bounds, anything else as a path."""
    bounds = parse_bounds(text)
    return Path(text) if bounds is None else bounds


def parse_bounds(text: str) -> tuple[float, float, float, float] | None:
    """Return west, south, east, north, or None when the text is not four numbers."""
    parts = [p for p in re.split(r"[,;\s]+", text.strip()) if p]
    try:
        west, south, east, north = (float(p) for p in parts)
    except ValueError:
        return None
    return west, south, east, north


def fetch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Study folder; made when it does not exist.")],
    county: Annotated[str | None, typer.Option("--county", help="Five-digit code of a county.")] = None,
    bounds: Annotated[
        str | None, typer.Option("--bounds", metavar="W,S,E,N", help="West, south, east, north in degrees.")
    ] = None,
    area: Annotated[Path | None, typer.Option("--area", help="A vector file with the area.")] = None,
    climate: Annotated[str, typer.Option("--climate", help="daily, daily_points, normals or none.")] = "daily",
    years: Annotated[str, typer.Option("--years", help="First and last year.")] = "1991-2020",
    source: Annotated[
        list[str] | None,
        typer.Option(
            "--source", metavar="NAME=URL", help="Another address of a service, such as a mirror; repeatable."
        ),
    ] = None,
) -> None:
    """Bring soils, climate and the county outline of an area into a study folder.

    Asks public services politely, keeps every reply in the folder, goes on where it stopped, and writes hashes and
    licences to fetch.json. Fields are yours: add them to the study file that it writes.
    """
    place = _area(county, bounds, area)
    from pipelines.read.fetch.county import fetch_study
    from pipelines.run.progress import RunProgress

    span = parse_years(years)
    sources = parse_sources(source or [])
    with RunProgress({}, progress_terminal()) as progress:
        report = fetch_study(
            place,
            folder,
            climate=climate,  # type: ignore[arg-type]
            years=span,
            sources=sources or None,
            progress=progress.report,
        )
    console = terminal()
    size = sum(file.bytes for file in report.files) / 1e6
    show(
        console,
        f"{len(report.files)} files ({size:.1f} MB) in {report.folder}; "
        f"{report.requests_sent} requests sent, {report.replies_reused} replies were already there",
    )
    for facts in report.sources.values():
        show(console, f"  {facts['label']}: {facts['licence']}")
    for problem in report.problems:
        show(console, f"  {problem.where}: {problem.what} ({problem.action})")
    show(console, f"Next: add your fields to {report.study_file}, then\n  springfill check {report.study_file}")


def _area(
    county: str | None, bounds: str | None, area: Path | None
) -> str | Path | tuple[float, float, float, float]:
    given = [name for name, value in (("county", county), ("bounds", bounds), ("area", area)) if value is not None]
    if len(given) != 1:
        raise typer.BadParameter("give one of --county CODE, --bounds W,S,E,N and --area FILE")
    if county is not None:
        if not re.fullmatch(r"\d{5}", county):
            raise typer.BadParameter(f"{county!r} is not a county code; give five digits such as 31057")
        return county
    if bounds is not None:
        numbers = parse_bounds(bounds)
        if numbers is None:
            raise typer.BadParameter(f"{bounds!r} is not four numbers; give W,S,E,N such as -102.1,40.3,-101.3,40.7")
        return numbers
    assert area is not None
    return area


def parse_years(text: str) -> tuple[int, int]:
    """Return first and last year from ``1991-2020``."""
    match = re.fullmatch(r"\s*(\d{4})\s*[-:,]\s*(\d{4})\s*", text)
    if not match or int(match[1]) > int(match[2]):
        raise typer.BadParameter(f"{text!r} is not a span of years; give one such as 1991-2020")
    return int(match[1]), int(match[2])


def parse_sources(pairs: list[str]) -> dict[str, str]:
    """Return service name -> address from ``NAME=URL``."""
    found = {}
    for pair in pairs:
        name, equals, address = pair.partition("=")
        if not equals or not address:
            raise typer.BadParameter(f"{pair!r} is not a source; give NAME=URL")
        found[name.strip()] = address.strip()
    return found
