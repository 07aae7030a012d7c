"""Show how far a run is and how long it still takes: a bar in a terminal, plain lines elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn, TimeRemainingColumn

# Each step: its seconds on two cores for a county with nine parameter sets, and what the terminal prints. The seconds
# only weigh the steps against each other; the time left follows the pace of the run. Compiling happens once and says
# nothing about the pace, so it has no weight.
RUN_STEPS: Mapping[str, tuple[float, str]] = {
    "layers": (3.0, "Reading fields and soils"),
    "measurements": (0.1, "Reading soil water measurements"),
    "grid": (0.5, "Reading climate"),
    "slope": (0.5, "Computing slope"),
    "units": (1.0, "Overlaying soils and climate"),
    "weather": (1.0, "Preparing weather"),
    "compile": (0.0, "Compiling the water balance (slow the first time only)"),
    "balance": (4.0, "Running the water balance"),
    "outcomes": (2.0, "Summarising seasons"),
    "agreement": (37.0, "Trying other parameter sets"),
    "zones": (2.0, "Rating fields"),
    "compare": (0.1, "Comparing with measurements"),
    "publish": (6.0, "Writing maps and layers"),
    "field pages": (11.0, "Writing field pages"),
}
_CHECK_STEPS = ("layers", "measurements", "grid", "slope", "units", "weather")
_OVERVIEW = {"map": (3.0, "Drawing the overview map")}
# Seconds of a region are those of one tile; `region_plan` multiplies them.
_REGION_STEPS: Mapping[str, tuple[float, str]] = {
    "inputs": (1.0, "Checking layers and finished tiles"),
    "workers": (4.0, "Starting workers"),
    "slope": (4.0, "Computing slope"),
    "tiles": (60.0, "Running tiles"),
    "joining": (0.5, "Joining tiles"),
}
_STEPS = {**RUN_STEPS, **_OVERVIEW, **_REGION_STEPS}
_LINE_EVERY_S = 10.0


def run_plan(parameter_sets: int, field_pages: bool = True) -> dict[str, float]:
    """Return the steps of a run and their weights, for a study's number of parameter sets."""
    factor = {"agreement": parameter_sets / 9, "field pages": float(field_pages)}
    return {step: seconds * factor.get(step, 1.0) for step, (seconds, _) in RUN_STEPS.items()}


def check_plan() -> dict[str, float]:
    """Return the steps of a check and their weights."""
    return {step: _STEPS[step][0] for step in (*_CHECK_STEPS, *_OVERVIEW)}


def region_plan(tiles: int, with_slopes: bool) -> dict[str, float]:
    """Return the steps of a region and their weights, for the tiles that are still to do."""
    times = {"workers": float(tiles > 0), "slope": float(tiles * with_slopes), "tiles": tiles, "joining": tiles + 2}
    return {step: seconds * times.get(step, 1.0) for step, (seconds, _) in _REGION_STEPS.items()}


def shown_time(seconds: float) -> str:
    """Return seconds as ``45 s`` or ``2 min 05 s``."""
    whole = max(0, round(seconds))
    return f"{whole} s" if whole < 60 else f"{whole // 60} min {whole % 60:02d} s"


class WorkDone:
    """The share of a plan that is done, from what its steps report.

    Parameters
    ----------
    plan : mapping of str to float
        Steps in their order, and their weights.
    """

    def __init__(self, plan: Mapping[str, float]) -> None:
        self._plan = dict(plan)
        self._parts = dict.fromkeys(plan, 0.0)
        self.whole = sum(plan.values())

    def tell(self, step: str, done: float, total: int) -> None:
        """Note a report: earlier steps of the plan count as finished, a step outside the plan counts for nothing."""
        if step not in self._plan:
            return
        for other in self._plan:
            if other == step:
                break
            if other != "publish":  # field pages are written in the middle of publishing
                self._parts[other] = 1.0
        self._parts[step] = max(self._parts[step], min(done / total, 1.0) if total else 1.0)

    @property
    def seconds(self) -> float:
        """Weight of what is done."""
        return sum(self._plan[step] * part for step, part in self._parts.items())

    @property
    def fraction(self) -> float:
        """Share of the work that is done, 0-1."""
        return self.seconds / self.whole if self.whole else 1.0


class RunProgress:
    """Progress of a run, as a context; `report` is the callable that the steps take.

    Parameters
    ----------
    plan : mapping of str to float
        See `run_plan`; without steps there is no time left to show.
    console : Console
        A terminal gets a moving bar, everything else one line a step (and one every ten seconds within it).
    """

    def __init__(self, plan: Mapping[str, float], console: Console, clock: Callable[[], float] | None = None) -> None:
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=24),
            TaskProgressColumn(),
            TimeElapsedColumn(),
            *([TextColumn("left"), TimeRemainingColumn()] if plan else []),
            console=console,
            transient=True,
            get_time=clock,
            disable=not console.is_terminal,
        )
        self._task = self._bar.add_task("Starting", total=None)
        self._step, self._last_line = "", 0.0
        self.follow(plan)

    def __enter__(self) -> RunProgress:
        self._bar.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._bar.stop()

    def follow(self, plan: Mapping[str, float]) -> None:
        """Take a plan that is known only after the start; the pace is counted from here."""
        self._work = WorkDone(plan)
        self._bar.update(self._task, total=self._work.whole or None, completed=0.0)
        self._bar.advance(self._task, 0.0)

    def report(self, step: str, done: float, total: int) -> None:
        """Take one report of a step."""
        self._work.tell(step, done, total)
        words = _STEPS[step][1] if step in _STEPS else step
        if total > 1 and step == self._step:
            words += f" {int(done)} of {total}"
        self._bar.update(self._task, completed=self._work.seconds, description=words)
        task = self._bar.tasks[0]
        elapsed = task.elapsed or 0.0
        if self._bar.disable and (step != self._step or elapsed - self._last_line >= _LINE_EVERY_S):
            left = f", about {shown_time(task.time_remaining)} left" if task.time_remaining else ""
            self._bar.print(f"{words} ({shown_time(elapsed)}{left})", highlight=False, soft_wrap=True, markup=False)
            self._last_line = elapsed
        self._step = step
