"""Values out of a table of rules: every row has unit, source and range; a study may change a value inside it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from geo.errors import StudyError


def check_table(table: Mapping[str, Mapping[str, Any]], where: str) -> None:
    """Check that every row has a unit and a source, and a value inside its own range.

    Raises
    ------
    StudyError
        Naming the row.
    """
    for name, row in table.items():
        for key in ("value", "unit", "low", "high", "source"):
            if row.get(key) in (None, ""):
                raise StudyError(f"The row {name} has no {key}.", where, f"Add its {key}.")
        if not row["low"] <= row["value"] <= row["high"]:
            raise StudyError(
                f"{name} = {row['value']} lies outside its own range {row['low']} to {row['high']}.",
                where,
                "Correct the value, or widen the range and give its source.",
            )


def rule_values(
    table: Mapping[str, Mapping[str, Any]],
    names: Iterable[str],
    where: str,
    changes: Mapping[str, float] | None = None,
) -> dict[str, float]:
    """Return the value of every rule.

    Parameters
    ----------
    table : mapping
        Name to row, with ``value``, ``unit``, ``low``, ``high``, ``source``.
    names : iterable of str
        The rules that the model knows.
    where : str
        File of the table, for messages.
    changes : mapping, optional
        A study's own values.

    Raises
    ------
    StudyError
        For a row without unit or source, a value outside its range, names that do not match, or an unknown change.
    """
    known = list(names)
    check_table(table, where)
    if set(table) != set(known):
        raise StudyError(
            f"The table does not match the model: missing {sorted(set(known) - set(table))}, "
            f"unknown {sorted(set(table) - set(known))}.",
            where,
            f"Use the names {', '.join(known)}.",
        )
    for name, value in (changes or {}).items():
        if name not in table:
            raise StudyError(
                f"There is no rule called {name!r}.", f"rule {name}", "Allowed: " + ", ".join(known) + "."
            )
        row = table[name]
        if not row["low"] <= value <= row["high"]:
            raise StudyError(
                f"The rule {name} = {value:g} is outside its range.",
                f"rule {name}",
                f"Give a value from {row['low']:g} to {row['high']:g} ({row['unit']}).",
            )
    return {name: float(row["value"]) for name, row in table.items()} | dict(changes or {})
