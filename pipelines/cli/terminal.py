"""What the commands share: the arguments that several take, and how they print."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.study.units import Units
    from pipelines.study.words import Catalogue

Out = Annotated[
    Path | None,
    typer.Option("--out", "-o", help="Folder for the results; by default the one that the study or region names."),
]
StudyFile = Annotated[
    Path, typer.Argument(metavar="STUDY.toml", help="The study file; `springfill new` writes one to start from.")
]
ResultFolder = Annotated[Path, typer.Argument(metavar="RESULT_DIR", help="Folder of a finished run.")]


def terminal() -> Console:
    """Return the console that results are printed to."""
    return Console(highlight=False)


def progress_terminal() -> Console:
    """Return the console that progress is shown on; what is printed stays clean for a pipe."""
    return Console(stderr=True)


def show(console: Console, text: str, style: str = "") -> None:
    """Print a text on one line, as it is: a name with square brackets is not taken for markup."""
    console.print(Text(text, style=style), soft_wrap=True)


def show_list(console: Console, title: str, lines: Iterable[str], style: str = "bold") -> None:
    """Print an empty line, a heading and the lines below it; nothing when there are no lines."""
    shown = list(lines)
    if shown:
        show(console, f"\n{title}", style)
    for line in shown:
        show(console, f"  {line}")


def show_zones(console: Console, areas_ha: pd.Series, units: Units, words: Catalogue) -> None:
    """Print how much ground is in each zone, from hectares by zone."""
    from pipelines.show.legend import zone_legend

    total = float(areas_ha.sum())
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("zone")
    table.add_column(units.area(0.0).unit, justify="right")
    table.add_column("share", justify="right")
    for zone in zone_legend(words):
        hectares = float(areas_ha.get(zone.key, 0.0))
        share = str(units.percent(hectares / total)) if total else ""
        table.add_row(f"{zone.code} {zone.label}", units.area(hectares).digits, share)
    table.add_row("  all ground", units.area(total).digits, "")
    console.print(table)


def show_files(console: Console, folder: Path, files: Iterable[tuple[str, str]]) -> None:
    """Print where the results are, what each file holds, and the page to open."""
    show_list(console, f"Files in {folder}", (f"{name:26}{meaning}" for name, meaning in files))
    show(console, f"\nOpen {(folder / 'index.html').absolute()}")
