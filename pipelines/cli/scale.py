"""The command that runs a region of many counties: sweep."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from pipelines.scale.swept import Swept


def sweep(
    region: Annotated[Path, typer.Argument(metavar="REGION.toml", help="The region file; docs/scale.md shows one.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Folder for the results; by default the one that the region file names."),
    ] = None,
    workers: Annotated[
        int,
        typer.Option(
            "--workers", min=0, help="Tiles at a time on this machine; by default what cores and memory allow."
        ),
    ] = 0,
    scheduler: Annotated[
        str, typer.Option("--scheduler", help="Address of a dask scheduler, such as tcp://10.0.0.5:8786.")
    ] = "",
    again: Annotated[bool, typer.Option("--again", help="Do finished tiles again.")] = False,
) -> None:
    """Run a region of many counties: the same study, tile by tile, on all cores or a cluster.

    A run that was stopped goes on where it was. Needs the extra `scale` of the program.
    """
    from rich.console import Console

    from pipelines.run.progress import RunProgress, region_plan
    from pipelines.scale.cluster import need_libraries

    need_libraries()
    with RunProgress(region_plan(10, True), Console(stderr=True)) as progress:
        progress.report("inputs", 0, 1)
        from pipelines.scale.sweep import sweep as run_sweep  # takes seconds to load: the progress shows first

        swept = run_sweep(
            region, progress.report, out, plan=progress.follow, scheduler=scheduler, workers=workers, again=again
        )
    print_region(Console(highlight=False), swept)
    if swept.of("failed"):
        raise typer.Exit(1)


def print_region(console: Console, swept: Swept) -> None:
    """Print how much ground is in each zone, which tiles are missing and why, and what to open."""
    from rich.markup import escape
    from rich.table import Table

    from pipelines.run.progress import shown_time
    from pipelines.show.legend import zone_legend
    from pipelines.study.units import Units
    from pipelines.study.words import load_catalogue

    words = load_catalogue()
    units = Units(swept.study.study.units, words)
    areas = swept.areas_ha()
    total = float(areas.sum())
    done, empty, failed = (len(swept.of(status)) for status in ("done", "empty", "failed"))
    console.print(f"\n[bold]{escape(swept.region.region.name)}[/bold], done in {shown_time(swept.seconds)}")
    before = done + empty + failed - swept.fresh
    counts = [f"{done} of {len(swept.records)} tiles", *([f"{before} of them from before"] if before else [])]
    console.print(", ".join([*counts, *([f"{empty} without soil"] if empty else [])]) + "\n")
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("zone")
    table.add_column(units.area(0.0).unit, justify="right")
    table.add_column("share", justify="right")
    for zone in zone_legend(words):
        hectares = float(areas[zone.key])
        share = str(units.percent(hectares / total)) if total else ""
        table.add_row(f"{zone.code} {zone.label}", units.area(hectares).digits, share)
    table.add_row("  all ground", units.area(total).digits, "")
    console.print(table)
    if failed:
        console.print(f"\n[bold red]{failed} {'tile' if failed == 1 else 'tiles'} failed:[/bold red]")
        for record in swept.of("failed"):
            told = [record["what"], *(f"{name}: {record[key]}" for name, key in (("where", "where"), ("to do", "fix"))
                                      if record.get(key))]  # fmt: skip
            console.print(f"  {escape(str(record['tile']))}: {escape(' '.join(told))}", soft_wrap=True)
        console.print("The same command tries them again; the others stay.")
    folder = swept.folder
    console.print(f"\nFiles in [bold]{escape(str(folder))}[/bold]", soft_wrap=True)
    for name, meaning in (
        ("index.html", "map of the region, leads to the map of each tile"),
        ("tiles/<id>/", "everything that a study gives, for each tile"),
        ("zones.vrt", "one raster of zones over all tiles"),
        ("fields/", "the fields as GeoParquet, one part a tile"),
        ("outcomes.zarr", "every outcome by site"),
        ("tiles.csv, problems.csv", "tables over all tiles"),
        ("run.json", "inputs, settings and tiles of this run"),
    ):
        console.print(f"  {name:26}{meaning}")
    console.print(f"\nOpen [bold]{escape(str(folder / 'index.html'))}[/bold]", soft_wrap=True)
