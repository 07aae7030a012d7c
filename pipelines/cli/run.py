"""Commands that run a study: demo, new, screen."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.terminal import (
    Out,
    StudyFile,
    progress_terminal,
    show,
    show_files,
    show_list,
    show_zones,
    terminal,
)  # fmt: skip

if TYPE_CHECKING:
    from rich.console import Console

    from pipelines.show.publish import Published


def demo(out: Out = None) -> None:
    """Screen the invented Larkspur County that comes with the program.

    Nothing has to be downloaded. All soils, weather, fields and names are invented.
    """
    from pipelines.study.house import sample_dir

    _screen(sample_dir() / "study.toml", out)


def screen(
    study: StudyFile,
    field: Annotated[
        list[str] | None,
        typer.Option("--field", "-f", help="Run only this field and its ground; may be given several times."),
    ] = None,
    out: Out = None,
) -> None:
    """Run a study: read its layers, run thirty seasons of water balance, rate the fields, write maps and layers."""
    _screen(study, out, tuple(field or ()))


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


def _screen(study_file: Path, out: Path | None, only: tuple[str, ...] = ()) -> None:
    from pipelines.run.progress import RunProgress, run_plan
    from pipelines.study.file import load_study
    from pipelines.study.output_folder import input_paths, ready_folder

    study = load_study(study_file)[0]
    # some fields go to a folder of their own, so that the county's pages stay as they are
    target = out or Path.cwd() / (f"{study.study.out}_fields" if only else study.study.out)
    plan = run_plan(study.run.parameter_sets, study.run.field_pages)
    with (
        ready_folder(target, input_paths(study, study_file.parent)),
        RunProgress(plan, progress_terminal()) as progress,
    ):
        progress.report("layers", 0, 3)
        from pipelines.show.publish import screen as run_screen  # takes seconds to load: the progress shows first

        published = run_screen(study_file, progress.report, target, only)
    print_summary(terminal(), published)


def print_summary(console: Console, published: Published) -> None:
    """Print how much ground is in each zone, where the files are and which one to open."""
    from geo.errors import WHOLE_STUDY
    from geo.rating import zone_areas
    from pipelines.run.progress import shown_time
    from pipelines.study.units import Units
    from pipelines.study.words import load_catalogue

    result, folder = published.result, published.folder
    words = load_catalogue()
    units = Units(str(result.settings["units"]), words)
    counts: dict[str, Any] = result.provenance.get("counts", {})
    cells = counts.get("cells", 0)
    under = "one climate cell" if cells == 1 else f"{cells} climate cells"
    show(console, f"\n{result.settings['name']}, done in {shown_time(published.seconds)}", "bold")
    show(
        console,
        f"{counts.get('seasons', 0)} seasons, {counts.get('units', 0):,} soils under {under}, "
        f"{len(result.fields):,} fields\n",
    )
    show_zones(console, zone_areas(result.zones, result.sites["area_ha"]), units, words)
    doubts = result.problems[result.problems["where"] == WHOLE_STUDY]
    lines = [f"{row.what}\n    {words.t('doubt.to_do', fix=row.fix)}" for row in doubts.itertuples()]
    show_list(console, words.t("doubt.title"), lines)
    if len(result.problems):
        rows = f"{len(result.problems)} rows were repaired, left out or doubtful"
        show(console, f"\n{rows}: {folder / 'problems.csv'}")
    files = [
        ("index.html", "map of the county, opens without a network"),
        ("fields/", "a page for each field"),
        ("measurements.html", words.t("measured.run_summary")),
        ("springfill.gpkg, layers/", "layers for a GIS"),
        ("fields.csv", "the fields for a spreadsheet"),
        ("run.json", "inputs, settings and versions of this run"),
    ]
    optional = ("fields/", "measurements.html")
    show_files(console, folder, [row for row in files if row[0] not in optional or (folder / row[0]).exists()])
    if len(result.fields):
        example = str(result.fields["field_id"].iloc[0])
        show(console, f"Ask why: springfill explain {folder} --field {example}")
