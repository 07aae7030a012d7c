"""Commands that run a study: demo, new, screen."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from pipelines.show.publish import Published

Out = Annotated[
    Path | None,
    typer.Option("--out", "-o", help="Folder for the results; by default the one that the study file names."),
]


def demo(out: Out = None) -> None:
    """Screen the invented Larkspur County that comes with the program.

    Nothing has to be downloaded. All soils, weather, fields and names are invented.
    """
    from pipelines.study.house import sample_dir

    _screen(sample_dir() / "study.toml", out)


def screen(
    study: Annotated[Path, typer.Argument(metavar="STUDY.toml", help="The study file; `springfill new` writes one.")],
    out: Out = None,
) -> None:
    """Run a study: read its layers, run thirty seasons of water balance, draw zones, publish maps and layers."""
    _screen(study, out)


def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make; a file in it is never overwritten.")],
) -> None:
    """Write a commented study file to start from."""
    from geo.errors import StudyError
    from pipelines.cli.new import STUDY_FILE

    target = folder / "study.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with target.open("x", encoding="utf-8") as stream:
            stream.write(STUDY_FILE)
    except FileExistsError:
        what = "There is a study file already." if target.exists() else "This is a file, not a folder."
        raise StudyError(what, str(target if target.exists() else folder), "Choose another folder.") from None
    except OSError as error:
        raise StudyError(
            f"The folder cannot be written ({error.strerror}).", str(folder), "Choose another folder."
        ) from None
    typer.echo(f"Wrote {target}.")
    typer.echo("Put your soils, climate and fields beside it (or run `springfill fetch`), correct the paths, then:")
    typer.echo(f"  springfill check {target}")
    typer.echo(f"  springfill screen {target}")


def _screen(study_file: Path, out: Path | None) -> None:
    from rich.console import Console

    from pipelines.run.progress import RunProgress, run_plan
    from pipelines.study.file import load_study
    from pipelines.study.output_folder import input_paths, ready_folder

    study = load_study(study_file)[0]
    target = out or Path.cwd() / study.study.out
    plan = run_plan(study.run.parameter_sets, study.run.field_pages)
    with (
        ready_folder(target, input_paths(study, study_file.parent)),
        RunProgress(plan, Console(stderr=True)) as progress,
    ):
        progress.report("layers", 0, 3)
        from pipelines.show.publish import screen as run_screen  # takes seconds to load: the progress shows first

        published = run_screen(study_file, progress.report, target)
    print_summary(Console(highlight=False), published)


def print_summary(console: Console, published: Published) -> None:
    """Print how much ground is in each zone, where the files are and which one to open."""
    from rich.markup import escape
    from rich.table import Table

    from geo.errors import WHOLE_STUDY
    from geo.rating import zone_areas
    from pipelines.run.progress import shown_time
    from pipelines.show.legend import zone_legend
    from pipelines.study.units import Units
    from pipelines.study.words import load_catalogue

    result, folder = published.result, published.folder
    words = load_catalogue(str(result.settings.get("language", "en")))
    units = Units(str(result.settings["units"]), words)
    counts: dict[str, Any] = result.provenance.get("counts", {})
    areas = zone_areas(result.zones, result.sites["area_ha"])
    total = float(areas.sum())
    console.print(f"\n[bold]{escape(str(result.settings['name']))}[/bold], done in {shown_time(published.seconds)}")
    console.print(
        f"{counts.get('seasons', 0)} seasons, {counts.get('units', 0):,} soils under "
        f"{_cells(counts.get('cells', 0))}, {len(result.fields):,} fields\n"
    )
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("zone")
    table.add_column(units.area(0.0).unit, justify="right")
    table.add_column("share", justify="right")
    for zone in zone_legend(words):
        hectares = float(areas.get(zone.key, 0.0))
        share = units.percent(hectares / total) if total else ""
        table.add_row(f"{zone.code} {zone.label}", units.area(hectares).digits, str(share))
    table.add_row("  all ground", units.area(total).digits, "")
    console.print(table)
    told = result.problems[result.problems["where"] == WHOLE_STUDY]
    if len(told):
        console.print(f"\n[bold]{escape(words.t('doubt.title'))}[/bold]")
        for problem in told.itertuples():
            console.print(f"  {escape(problem.what)}", soft_wrap=True)
            console.print(f"    {escape(words.t('doubt.to_do', fix=problem.fix))}", soft_wrap=True)
    if len(result.problems):
        listed_in = escape(str(folder / "problems.csv"))
        console.print(f"\n{len(result.problems)} rows were repaired, left out or doubtful: {listed_in}")
    console.print(f"\nFiles in [bold]{escape(str(folder))}[/bold]")
    listed = [
        ("index.html", "map of the county, opens without a network"),
        ("fields/", "a page for each field"),
        ("measurements.html", words.t("measured.run_summary")),
        ("springfill.gpkg, layers/", "layers for a GIS"),
        ("fields.csv", "the fields for a spreadsheet"),
        ("run.json", "inputs, settings and versions of this run"),
    ]
    for name, meaning in listed:
        if name not in ("fields/", "measurements.html") or (folder / name).exists():
            console.print(f"  {name:26}{meaning}")
    console.print(f"\nOpen [bold]{escape(str((folder / 'index.html').absolute()))}[/bold]")
    if len(result.fields):
        example = str(result.fields["field_id"].iloc[0])
        console.print(f"Ask why: springfill explain {escape(str(folder))} --field {escape(example)}")


def _cells(count: int) -> str:
    return "one climate cell" if count == 1 else f"{count} climate cells"
