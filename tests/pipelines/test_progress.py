"""Progress: never backwards, ends at the end, and a time left that follows the pace."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from pipelines.run.progress import RUN_STEPS, Estimate, RunProgress, region_plan, run_plan, shown_time
from pipelines.run.steps import STEPS
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


def test_a_real_run_never_goes_backwards_and_ends_at_one(tiny_run: TinyRun) -> None:
    estimate, seen = Estimate(run_plan(2)), []
    for step, done, total in tiny_run.reports:
        estimate.tell(step, done, total)
        seen.append(estimate.fraction)
    assert seen == sorted(seen)
    assert seen[-1] == pytest.approx(1.0)
    assert {step for step, _, _ in tiny_run.reports} <= set(RUN_STEPS)


def test_time_left_follows_the_pace() -> None:
    clock = Clock()
    estimate = Estimate({"a": 1.0, "b": 3.0}, clock)
    assert estimate.left is None
    clock.now += 10
    estimate.tell("a", 1, 1)
    assert estimate.left == pytest.approx(30.0)
    clock.now += 60
    estimate.tell("b", 2, 3)
    assert estimate.fraction == pytest.approx(0.75)
    assert estimate.left == pytest.approx(70 / 3)


def test_compiling_sets_no_pace() -> None:
    clock = Clock()
    estimate = Estimate({"compile": 1.0, "balance": 1.0}, clock)
    clock.now += 2
    estimate.tell("compile", 0, 1)
    assert estimate.left is None
    clock.now += 50
    estimate.tell("compile", 1, 1)
    assert estimate.left == pytest.approx(2.0)


def test_steps_that_are_left_out_count_as_done() -> None:
    estimate = Estimate(run_plan(0))
    estimate.tell("compare", 1, 1)
    assert estimate.fraction == pytest.approx(
        1 - (RUN_STEPS["publish"] + RUN_STEPS["field pages"]) / sum(run_plan(0).values())
    )


def test_every_step_of_the_run_has_words() -> None:
    assert {s.__name__ for s in STEPS} - {"parameter_sets"} <= set(RUN_STEPS)


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
    assert lines[-1].startswith("Drawing the zones")
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
    assert "Running tiles 2 of 4 (30 s, about 18 s left)" in out.getvalue()
