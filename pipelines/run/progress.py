"""Show how far a run is and how long it still takes: a bar in a terminal, plain lines elsewhere."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import TYPE_CHECKING

from rich.console import Console

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

# Shares of the work of a county with nine parameter sets, in seconds on two cores. They only shape the time left,
# which follows the pace that is seen; a step that is missing here counts as one second.
RUN_STEPS: Mapping[str, float] = {
    "layers": 3.0,
    "measurements": 0.1,
    "grid": 0.5,
    "slope": 0.5,
    "units": 1.0,
    "weather": 1.0,
    "compile": 9.0,
    "balance": 4.0,
    "outcomes": 2.0,
    "zones": 1.0,
    "agreement": 37.0,
    "fields": 1.0,
    "compare": 0.1,
    "publish": 6.0,
    "field pages": 11.0,
}
EVALUATION_STEPS: Mapping[str, float] = {
    "figures: fallow": 3.0,
    "figures: covers before wheat": 0.5,
    "figures: straw": 0.5,
    "figures: covers after harvest": 0.5,
    "figures: recovery": 1.0,
    "figures: independent library": 20.0,
    "figures: curve numbers": 0.5,
    "figures: climate line": 6.0,
    "parameter sets": 8.0,
    "sensitivity": 12.0,
    "written": 0.1,
}
WORDS: Mapping[str, str] = {
    "layers": "Reading fields and soils",
    "measurements": "Reading own measurements",
    "grid": "Laying the grid, reading the climate",
    "slope": "Reading the lie of the land",
    "units": "Finding soils under each climate",
    "weather": "Making the weather ready",
    "compile": "Compiling the water balance (slow the first time only)",
    "balance": "Running the water balance",
    "outcomes": "Summing up the seasons",
    "zones": "Drawing the zones",
    "agreement": "Trying other parameter sets",
    "fields": "Weighing the fields",
    "compare": "Comparing with own measurements",
    "publish": "Writing maps and layers",
    "field pages": "Writing field pages",
    "map": "Drawing the overview",
    "inputs": "Looking over the layers and the tiles that are done",
    "workers": "Starting the workers",
    "lie": "Reading the lie of the land",
    "tiles": "Running tiles",
    "joining": "Joining the tiles",
}
_LINE_EVERY_S = 10.0
_FIRST_GUESS = 0.04


def run_plan(parameter_sets: int, field_pages: bool = True) -> dict[str, float]:
    """Return the steps of a run and their share of the work, for a study's number of parameter sets."""
    plan = dict(RUN_STEPS)
    plan["agreement"] *= parameter_sets / 9
    if not field_pages:
        plan["field pages"] = 0.0
    return plan


def shown_time(seconds: float) -> str:
    """Return seconds as ``45 s`` or ``2 min 05 s``."""
    whole = max(0, round(seconds))
    return f"{whole} s" if whole < 60 else f"{whole // 60} min {whole % 60:02d} s"


def region_plan(tiles: int, with_slopes: bool) -> dict[str, float]:
    """Return the steps of a region and their share of the work, for the tiles that are still to do."""
    return {
        "inputs": 1.0, "workers": 4.0 if tiles else 0.0, "lie": 4.0 * tiles * with_slopes, "tiles": 60.0 * tiles,
        "joining": 1.0 + 0.5 * tiles,
    }  # fmt: skip


class Estimate:
    """The part of a run that is done, and the time left at the pace seen so far.

    Parameters
    ----------
    plan : mapping of str to float
        Steps in their order and their share of the work. Without a plan there is no time left to tell.
    clock : callable
        Seconds, from any start.
    """

    def __init__(self, plan: Mapping[str, float], clock: Callable[[], float] = time.monotonic) -> None:
        self._plan = dict(plan)
        self._planned = bool(plan)
        self.clock = clock
        self._start = clock()
        self._done: dict[str, float] = {}
        self._compiling: float | None = None
        self._compiled = 0.0

    def tell(self, step: str, done: float, total: int) -> None:
        """Note a report; every earlier step of the plan counts as finished."""
        self._plan.setdefault(step, 1.0)
        for other in self._plan:
            if other == step:
                break
            if other != "publish":  # field pages are written in the middle of publishing
                self._done[other] = 1.0
        part = done / total if total else 1.0
        if step == "compile" and part < 1.0:
            self._compiling = self.elapsed
        elif self._compiling is not None:
            self._compiled, self._compiling = self.elapsed - self._compiling, None
        self._done[step] = max(self._done.get(step, 0.0), min(part, 1.0))

    @property
    def fraction(self) -> float:
        """Share of the work that is done, 0-1."""
        whole = sum(self._plan.values())
        return sum(self._plan[s] * part for s, part in self._done.items()) / whole if whole else 1.0

    @property
    def elapsed(self) -> float:
        """Seconds since the start."""
        return self.clock() - self._start

    @property
    def left(self) -> float | None:
        """Seconds left, None while too little is done to say. Compiling happens once, so it sets no pace."""
        fraction = self.fraction
        if fraction < _FIRST_GUESS or self._compiling is not None or not self._planned:
            return None
        return (self.elapsed - self._compiled) * (1 - fraction) / fraction


class RunProgress:
    """Progress of a run, as a context; `report` is the callable that the steps take.

    Parameters
    ----------
    plan : mapping of str to float
        See `run_plan`.
    console : Console
        A terminal gets a moving bar, everything else one line a step (and one every ten seconds within it).
    """

    def __init__(
        self, plan: Mapping[str, float], console: Console, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._estimate = Estimate(plan, clock)
        self._console = console
        self._step = ""
        self._last_line = -_LINE_EVERY_S
        self._bar: Progress | None = None
        self._task: TaskID | None = None

    def __enter__(self) -> RunProgress:
        if self._console.is_terminal:
            from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

            self._bar = Progress(
                TextColumn("{task.description}"),
                BarColumn(bar_width=24),
                TaskProgressColumn(),
                TimeElapsedColumn(),
                TextColumn("{task.fields[left]}"),
                console=self._console,
                transient=True,
            )
            self._bar.start()
            self._task = self._bar.add_task("Starting", total=1.0, left="")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def follow(self, plan: Mapping[str, float]) -> None:
        """Take a plan that is known only after the start; the pace is counted from here."""
        self._estimate = Estimate(plan, self._estimate.clock)

    def report(self, step: str, done: float, total: int) -> None:
        """Take one report of a step."""
        self._estimate.tell(step, done, total)
        words = WORDS.get(step, step)
        left = self._estimate.left
        if self._bar is not None and self._task is not None:
            told = f"about {shown_time(left)} left" if left is not None else ""
            self._bar.update(self._task, completed=self._estimate.fraction, description=words, left=told)
            return
        elapsed = self._estimate.elapsed
        if step == self._step and elapsed - self._last_line < _LINE_EVERY_S:
            return
        if step == "publish" and self._step == "field pages":
            return
        part = f" {int(done)} of {total}" if step == self._step and total > 1 else ""
        told = f", about {shown_time(left)} left" if left is not None else ""
        self._console.print(f"{words}{part} ({shown_time(elapsed)}{told})", highlight=False, soft_wrap=True)
        self._step, self._last_line = step, elapsed
