"""Progress: never backwards, ends at the end, and a time left that follows the pace."""

from __future__ import annotations

import io
from collections.abc import Mapping

import pytest
from rich.console import Console

from pipelines.run.progress import RUN_STEPS, RunProgress, WorkDone, region_plan, run_plan, shown_time
from tests.pipelines.conftest import TinyRun


class Clock:
    """Time that moves only when told."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0 s"), (59.4, "59 s"), (60, "1 min 00 s"), (125, "2 min 05 s"), (-3, "0 s")]
)
def test_shown_time(seconds: float, text: str) -> None:
    assert shown_time(seconds) == text


def lines_of(plan: Mapping[str, float], clock: Clock, reports: list[tuple[float, str, float, int]]) -> list[str]:
    """Return the lines that a run prints outside a terminal; a report is (seconds since the last, step, done, of)."""
    stream = io.StringIO()
    with RunProgress(plan, Console(file=stream, width=100), clock) as progress:
        for seconds, step, done, total in reports:
            clock.now += seconds
            progress.report(step, done, total)
    return stream.getvalue().splitlines()


def test_a_real_run_never_goes_backwards_and_ends_at_one(tiny_run: TinyRun) -> None:
    work, seen = WorkDone(run_plan(2)), []
    for step, done, total in tiny_run.reports:
        work.tell(step, done, total)
        seen.append(work.fraction)
    assert seen == sorted(seen)
    assert seen[-1] == pytest.approx(1.0)


def test_time_left_follows_the_pace() -> None:
    plan = {"outcomes": 1.0, "zones": 3.0}
    lines = lines_of(plan, Clock(), [(0, "outcomes", 0, 1), (10, "outcomes", 1, 1), (15, "zones", 1, 3)])
    assert lines == [
        "Summarising seasons (0 s)",
        "Summarising seasons (10 s, about 30 s left)",
        "Rating fields (25 s, about 25 s left)",
    ]


def test_compiling_sets_no_pace() -> None:
    plan = {"compile": 0.0, "balance": 4.0}
    before = [(2, "compile", 0, 1), (50, "compile", 1, 1)]
    lines = lines_of(plan, Clock(), [*before, (2, "balance", 1, 4), (2, "balance", 2, 4), (10, "zones", 1, 1)])
    assert all("left" not in line for line in lines[:2]), "nothing is known while compiling"
    assert lines[-1] == "Rating fields (1 min 06 s, about 4 s left)"


def test_steps_that_are_left_out_count_as_done() -> None:
    work = WorkDone(run_plan(0))
    work.tell("compare", 1, 1)
    after = RUN_STEPS["publish"][0] + RUN_STEPS["field pages"][0]
    assert work.fraction == pytest.approx(1 - after / sum(run_plan(0).values()))


def test_a_real_run_reports_every_step_that_has_words(tiny_run: TinyRun) -> None:
    assert {step for step, _, _ in tiny_run.reports} == set(RUN_STEPS) - {"compare"}, "it has no measurements"


def test_without_a_terminal_one_line_a_step_and_one_every_ten_seconds() -> None:
    clock, stream = Clock(), io.StringIO()
    with RunProgress({"balance": 1.0, "zones": 1.0}, Console(file=stream), clock) as progress:
        for k in range(1, 101):
            clock.now += 0.25
            progress.report("balance", k, 100)
        progress.report("zones", 1, 1)
    lines = stream.getvalue().splitlines()
    assert lines[0].startswith("Running the water balance (")
    assert sum("Running the water balance" in line for line in lines) == 3
    assert "left" in lines[1]
    assert lines[-1].startswith("Rating fields")
    assert "\x1b" not in stream.getvalue()


def test_in_a_terminal_a_bar_that_leaves_nothing_behind() -> None:
    stream = io.StringIO()
    console = Console(file=stream, force_terminal=True, width=100)
    with RunProgress({"balance": 1.0}, console) as progress:
        progress.report("balance", 1, 2)
        progress.report("balance", 2, 2)
    assert "Running the water balance" in stream.getvalue()
    assert stream.getvalue().endswith("\x1b[2K")


def test_a_plan_that_is_known_later_takes_over() -> None:
    clock, out = Clock(), io.StringIO()
    with RunProgress(region_plan(10, True), Console(file=out, width=100), clock) as progress:
        progress.report("inputs", 0, 1)
        progress.report("inputs", 1, 1)
        clock.now += 4
        progress.follow({"tiles": 4.0})
        progress.report("tiles", 0, 4)
        clock.now += 30
        progress.report("tiles", 2.5, 4)  # two tiles and a half
    assert "Running tiles 2 of 4 (34 s, about 18 s left)" in out.getvalue()
