"""Errors say what, where, and what to do."""

from __future__ import annotations

import pytest

from geo.errors import Problem, StudyError, problem_table


def test_an_error_reads_as_three_lines():
    error = StudyError(
        "The climate has no precipitation.", "climate/normals.nc", "Name the variable under [climate]."
    )
    assert str(error).splitlines() == [
        "The climate has no precipitation.",
        "  where: climate/normals.nc",
        "  to do: Name the variable under [climate].",
    ]
    assert (error.what, error.where, error.fix) == (
        *error.args,
        "climate/normals.nc",
        "Name the variable under [climate].",
    )


@pytest.mark.parametrize(("where", "fix", "lines"), [("", "", 1), ("here", "", 2), ("", "do that", 2)])
def test_empty_parts_are_left_out(where, fix, lines):
    assert len(str(StudyError("It broke.", where, fix)).splitlines()) == lines


def test_a_problem_table_has_one_row_each_and_always_its_columns():
    rows = [Problem("fields", "LK-0001", "empty", "left out", "Draw it."), Problem("soils", "1", "odd")]
    table = problem_table(rows)
    assert list(table.columns) == ["layer", "where", "what", "action", "fix"]
    assert list(table["action"]) == ["left out", "warning"]
    assert list(problem_table([]).columns) == list(table.columns)


def test_problems_cannot_be_changed_afterwards():
    with pytest.raises(AttributeError):
        Problem("fields", "1", "odd").action = "repaired"  # type: ignore[misc]
