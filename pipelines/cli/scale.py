"""The command that runs a region of many counties: sweep."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.terminal import Out, progress_terminal, show, show_files, show_list, show_zones, terminal

if TYPE_CHECKING:
    from rich.console import Console

    from pipelines.scale.swept import Swept


def sweep(
    region: Annotated[Path, typer.Argument(metavar="REGION.toml", help="The region file; docs/scale.md shows one.")],
    out: Out = None,
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
    from pipelines.run.progress import RunProgress, region_plan
    from pipelines.scale.cluster import need_libraries

    need_libraries()
    with RunProgress(region_plan(10, True), progress_terminal()) as progress:
        progress.report("inputs", 0, 1)
        from pipelines.scale.sweep import sweep as run_sweep  # takes seconds to load: the progress shows first

        swept = run_sweep(
            region, progress.report, out, plan=progress.follow, scheduler=scheduler, workers=workers, again=again
        )
    print_region(terminal(), swept)
    if swept.of("failed"):
        raise typer.Exit(1)


def print_region(console: Console, swept: Swept) -> None:
    """Print how much ground is in each zone, which tiles are missing and why, and what to open."""
    from pipelines.run.progress import shown_time
    from pipelines.study.units import Units
    from pipelines.study.words import load_catalogue

    words = load_catalogue()
    done, empty, failed = (len(swept.of(status)) for status in ("done", "empty", "failed"))
    before = done + empty + failed - swept.fresh
    counts = [
        f"{done} of {len(swept.records)} tiles",
        f"{before} of them from before" if before else "",
        f"{empty} without soil" if empty else "",
    ]
    show(console, f"\n{swept.region.region.name}, done in {shown_time(swept.seconds)}", "bold")
    show(console, ", ".join(filter(None, counts)) + "\n")
    show_zones(console, swept.areas_ha(), Units(swept.study.study.units, words), words)
    if failed:
        lines = []
        for record in swept.of("failed"):
            parts = [record["what"]]
            parts += [
                f"{name}: {record[key]}" for name, key in (("where", "where"), ("to do", "fix")) if record.get(key)
            ]
            lines.append(f"{record['tile']}: {' '.join(parts)}")
        show_list(console, f"{failed} {'tile' if failed == 1 else 'tiles'} failed:", lines, "bold red")
        show(console, "The same command tries them again; finished tiles stay as they are.")
    show_files(
        console,
        swept.folder,
        [
            ("index.html", "map of the region, leads to the map of each tile"),
            ("tiles/<id>/", "everything that a study gives, for each tile"),
            ("zones.vrt", "one raster of zones over all tiles"),
            ("fields/", "the fields as GeoParquet, one part a tile"),
            ("outcomes.zarr", "every outcome by site"),
            ("tiles.csv, problems.csv", "tables over all tiles"),
            ("run.json", "inputs, settings and tiles of this run"),
        ],
    )
