"""Commands that ask: check a study before it runs, explain a zone, look at this machine."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.terminal import Out, ResultFolder, StudyFile, progress_terminal, show, terminal


def explain(
    result: ResultFolder,
    field: Annotated[str | None, typer.Option("--field", "-f", help="Id of a field.")] = None,
    point: Annotated[
        str | None, typer.Option("--point", "-p", metavar="LON,LAT", help="A place in degrees, such as -103.1,40.2.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON in SI units instead of sentences.")] = False,
) -> None:
    """Say why a field or a point has its zone: every test, its number, its limit, what limits, how sure."""
    if (field is None) == (point is None):
        raise typer.BadParameter("give either --field ID or --point LON,LAT")
    place = None if point is None else parse_point(point)
    from pipelines.cli import explain as reasons
    from pipelines.show.explain import explain_field, explain_point, open_result
    from pipelines.show.verdict_words import VerdictWords
    from pipelines.study.units import Units
    from pipelines.study.words import load_catalogue

    study = open_result(result)
    words = load_catalogue()
    why = explain_field(study, str(field)) if place is None else explain_point(study, *place)
    if as_json:
        import json

        typer.echo(json.dumps(reasons.as_json(why), indent=1, ensure_ascii=False))
        return
    says = VerdictWords(words, Units(str(study.settings["units"]), words), study.seasons)
    reasons.print_reason(terminal(), why, says)


def parse_point(text: str) -> tuple[float, float]:
    """Return longitude and latitude from ``LON,LAT``."""
    parts = text.replace(";", ",").split(",") if "," in text or ";" in text else text.split()
    try:
        longitude, latitude = (float(part) for part in parts)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a point; give LON,LAT such as -103.1,40.2") from None
    return longitude, latitude


def check(study: StudyFile, out: Out = None) -> None:
    """Read everything a study needs, draw what covers what, and say what is missing, before any long run.

    Ends with code 1 when the study would stop.
    """
    from pipelines.cli.check import check_study, print_check
    from pipelines.run.progress import RunProgress, check_plan

    with RunProgress(check_plan(), progress_terminal()) as progress:
        report = check_study(study, progress.report, out)
    print_check(terminal(), report)
    if report.faults:
        raise typer.Exit(1)


def doctor() -> None:
    """Show the versions of the program, its libraries and the map libraries inside them, and known conflicts.

    Ends with code 1 when something does not work.
    """
    from pipelines.cli.doctor import examine

    console = terminal()
    found = examine()
    for name, value in found.facts:
        show(console, f"  {name:18}{value}")
    for what, fix in found.conflicts:
        show(console, what, "red")
        show(console, f"    to do: {fix}")
    if found.conflicts:
        raise typer.Exit(1)
    show(console, "Everything that a run needs works here.", "green")
