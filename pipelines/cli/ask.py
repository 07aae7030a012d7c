"""Commands that ask: check a study before it runs, explain a zone, look at this machine."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from pipelines.cli.check import CheckReport

_SHOWN = 12


def explain(
    result: Annotated[Path, typer.Argument(metavar="RESULT_DIR", help="Folder of a finished run.")],
    field: Annotated[str | None, typer.Option("--field", "-f", help="Id of a field.")] = None,
    point: Annotated[
        str | None, typer.Option("--point", "-p", metavar="LON,LAT", help="A place in degrees, such as -103.1,40.2.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON in SI units instead of sentences.")] = False,
) -> None:
    """Tell why a field or a point has its zone: every test, its number, its limit, what limits, how sure."""
    if (field is None) == (point is None):
        raise typer.BadParameter("give either --field ID or --point LON,LAT")
    place = None if point is None else parse_point(point)
    from rich.console import Console

    from pipelines.cli import explain as reasons
    from pipelines.show.explain import explain_field, explain_point, open_result
    from pipelines.show.verdict_words import VerdictWords
    from pipelines.study.units import Units
    from pipelines.study.words import load_catalogue

    study = open_result(result)
    words = load_catalogue(str(study.settings.get("language", "en")))
    why = explain_field(study, str(field)) if place is None else explain_point(study, *place)
    if as_json:
        import json

        typer.echo(json.dumps(reasons.as_json(why), indent=1, ensure_ascii=False))
        return
    says = VerdictWords(words, Units(str(study.settings["units"]), words), study.seasons)
    reasons.print_reason(Console(highlight=False), why, says)


def parse_point(text: str) -> tuple[float, float]:
    """Return longitude and latitude from ``LON,LAT``."""
    parts = text.replace(";", ",").split(",") if "," in text or ";" in text else text.split()
    try:
        longitude, latitude = (float(part) for part in parts)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is no point; give LON,LAT such as -103.1,40.2") from None
    return longitude, latitude


def check(
    study: Annotated[Path, typer.Argument(metavar="STUDY.toml", help="The study file.")],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", "-o", help="Folder for the overview map; by default the one that the study file names."
        ),
    ] = None,
) -> None:
    """Read everything a study needs, draw what covers what, and say what is missing, before any long run.

    Ends with code 1 when the study would stop.
    """
    from rich.console import Console

    from pipelines.cli.check import check_study
    from pipelines.run.progress import RunProgress, check_plan

    with RunProgress(check_plan(), Console(stderr=True)) as progress:
        report = check_study(study, progress.report, out)
    print_check(Console(highlight=False), report)
    if report.faults:
        raise typer.Exit(1)


def print_check(console: Console, report: CheckReport) -> None:
    """Print the findings of a check, what to do about them, and where the map is."""
    from rich.markup import escape

    console.print(f"\n[bold]{escape(report.name)}[/bold]")
    for layer, fact in report.facts:
        console.print(f"  {layer:13}{escape(fact)}", soft_wrap=True)
    if report.faults:
        console.print("\n[bold red]These stop the run[/bold red]")
        for fault in report.faults:
            console.print(escape("\n".join(f"  {line}" for line in str(fault).splitlines())), soft_wrap=True)
    if report.findings:
        console.print("\n[bold]Worth a look[/bold]")
        for what, fix in report.findings:
            console.print(f"  {escape(what)}", soft_wrap=True)
            console.print(f"    to do: {escape(fix)}", soft_wrap=True)
    if report.groups:
        console.print("\n[bold]Rows that were repaired, left out or are doubtful[/bold]")
        for group in report.groups[:_SHOWN]:
            console.print(f"  {group.layer:12} {escape(group.what)} ({group.action})", soft_wrap=True)
            places = f"{group.count} places, such as " if group.count > 1 else ""
            console.print(f"    where: {places}{escape(group.where)}", soft_wrap=True)
            if group.fix:
                console.print(f"    to do: {escape(group.fix)}", soft_wrap=True)
        if len(report.groups) > _SHOWN:
            console.print(f"  and {len(report.groups) - _SHOWN} more kinds")
        if report.problems_file is not None:
            console.print(f"  all rows: {escape(str(report.problems_file))}", soft_wrap=True)
    console.print("")
    if report.map_file is not None:
        console.print(f"Overview map: [bold]{escape(str(report.map_file))}[/bold]", soft_wrap=True)
    if report.faults:
        console.print("[red]The study cannot run yet.[/red]")
    else:
        console.print(f"[green]The study can run.[/green] Next: springfill screen {escape(str(report.study_file))}")


def doctor() -> None:
    """Show the versions of the program, its libraries and the map libraries inside them, and known conflicts.

    Ends with code 1 when something does not work.
    """
    from rich.console import Console
    from rich.markup import escape

    from pipelines.cli.doctor import examine

    console = Console(highlight=False)
    found = examine()
    for name, value in found.facts:
        console.print(f"  {name:18}{escape(value)}", soft_wrap=True)
    for what, fix in found.conflicts:
        console.print(f"[red]{escape(what)}[/red]\n    to do: {escape(fix)}", soft_wrap=True)
    if found.conflicts:
        raise typer.Exit(1)
    console.print("[green]Everything that a run needs works here.[/green]")
