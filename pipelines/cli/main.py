"""The command line. The only place that turns an error into an exit code and red text."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Annotated

import typer
from rich.console import Console

from pipelines.cli import ask, layers, scale
from pipelines.cli import run as runs
from pipelines.cli.terminal import show
from pipelines.study.house import version

OK, FAILED, STOPPED = 0, 1, 130
DEBUG = "SPRINGFILL_DEBUG"

app = typer.Typer(
    name="springfill",
    help=(
        "Where will a cover crop take the water that the next crop needs? "
        "A map of a county, a page for each field and layers for a GIS, from soils, climate and field boundaries."
    ),
    epilog="Start with `springfill demo`: an invented county, in a minute or two. Then `springfill new my_county`.",
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["-h", "--help"]},
)

_RUN, _ASK, _LAYERS = "Run a study", "Ask about a study", "Layers in and out"
_COMMANDS: tuple[tuple[str, Callable[..., None], str], ...] = (
    (_RUN, runs.demo, """
        springfill demo
        springfill demo --out /tmp/larkspur"""),
    (_RUN, runs.new, """
        springfill new my_county"""),
    (_RUN, ask.check, """
        springfill check my_county/study.toml"""),
    (_RUN, runs.screen, """
        springfill screen my_county/study.toml
        springfill screen my_county/study.toml --field F12
        springfill screen my_county/study.toml --out /data/my_county"""),
    (_RUN, scale.sweep, """
        springfill sweep region.toml
        springfill sweep region.toml --workers 4 --out /data/region
        springfill sweep region.toml --scheduler tcp://10.0.0.5:8786"""),
    (_ASK, ask.explain, """
        springfill explain larkspur --field LK-0001
        springfill explain larkspur --point -103.1,40.1
        springfill explain larkspur --field LK-0001 --json"""),
    (_ASK, ask.doctor, """
        springfill doctor"""),
    (_LAYERS, layers.export, """
        springfill export larkspur fields.geojson
        springfill export larkspur zones_utm --format cog --layer zones --crs EPSG:32613
        springfill export larkspur part.gpkg --clip -103.2,40.0,-103.0,40.2 --units us
        springfill export larkspur any --format cog --list"""),
    (_LAYERS, layers.fetch, """
        springfill fetch my_county --county 31057
        springfill fetch my_county --area area.geojson --climate normals
        springfill fetch my_county --bounds -102.05,40.3,-101.3,40.7"""),
)  # fmt: skip
for _panel, _command, _examples in _COMMANDS:
    _epilog = "\n\n".join(["[bold]Examples[/bold]", *(line.strip() for line in _examples.strip().splitlines())])
    app.command(rich_help_panel=_panel, epilog=_epilog)(_command)


class Stopped(BaseException):
    """The user pressed Ctrl+C."""


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"springfill {version()}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of an unexpected error.")] = False,
) -> None:
    """Take the options that every command shares; `main` has already acted on --debug."""


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 1 an error that the user can correct, 2 wrong usage, 130 stopped."""
    sys.exit(run(list(sys.argv[1:] if arguments is None else arguments)))


def run(arguments: list[str]) -> int:
    """Run the command line and return its exit code."""
    debug = "--debug" in arguments or bool(os.environ.get(DEBUG))
    arguments = [a for a in arguments if a != "--debug"]
    if not debug:
        warnings.simplefilter("ignore")
    earlier = signal.signal(signal.SIGINT, _stop)
    try:
        app(args=arguments)
    except SystemExit as done:
        return done.code if isinstance(done.code, int) else OK if done.code is None else FAILED
    except Stopped:
        _red("Stopped.", "The files of an earlier run are as they were.")
        return STOPPED
    except BrokenPipeError:  # the reader of a pipe, such as head, has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except Exception as error:
        return _failed(error, arguments, debug)
    finally:
        signal.signal(signal.SIGINT, earlier)
    return OK


def _failed(error: Exception, arguments: list[str], debug: bool) -> int:
    """Print a user's error as what, where and what to do; any other error as one line with its log."""
    from geo.errors import StudyError

    if debug:
        traceback.print_exception(error)
    if isinstance(error, StudyError):
        _red(*str(error).partition("\n")[::2])
        return FAILED
    log = _write_log(error, arguments)
    message = " ".join(str(error).split())[:200]
    _red(
        f"An unexpected error: {type(error).__name__}{': ' + message if message else ''}",
        f"  log:   {log}\n"
        "  to do: Run the same command with --debug, or report it with this log and your study file.\n"
        "         Look through the log first: it holds the paths of your files.",
    )
    return FAILED


def _write_log(error: Exception, arguments: list[str]) -> str:
    """Write what is needed for a report to a file of the temporary folder; return its name."""
    stamp = time.strftime("%Y%m%d-%H%M%S")
    try:
        handle, name = tempfile.mkstemp(prefix=f"springfill-{stamp}-", suffix=".log")
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(f"springfill {' '.join(arguments)}\nin {Path.cwd()}\npython {sys.version}\n\n")
            traceback.print_exception(error, file=stream)
        return name
    except OSError as failure:
        return f"could not be written ({failure.strerror})"


def _red(head: str, rest: str = "") -> None:
    console = Console(stderr=True)
    show(console, head, "bold red")
    if rest:
        show(console, rest)


def _stop(number: int, frame: FrameType | None) -> None:
    raise Stopped


if __name__ == "__main__":
    main()
