"""What the readers of plain tables share: which column is which, and dates with slashes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from geo.errors import StudyError
from pipelines.study.unit_registry import unit_of_header


def find_columns(
    header: Iterable[Any], mapping: Mapping[str, Any], usual: Mapping[str, Iterable[str]], where: str
) -> dict[str, Any]:
    """Return our name -> column, from the study file's mapping (names, or numbers from 1), else by the usual names.

    The usual names are compared in lower case, without the unit in brackets. A mapped column that is not there stops
    the run.
    """
    columns = list(header)
    found: dict[str, Any] = {}
    for key, wanted in mapping.items():
        column = dict(enumerate(columns, start=1)).get(wanted) if isinstance(wanted, int) else wanted
        if column not in columns:
            shown = ", ".join(map(str, columns[:20]))
            raise StudyError(f"There is no column {wanted!r} (for {key}).", where, f"The columns are: {shown}.")
        found[key] = column
    bare = {unit_of_header(str(c))[0].lower().replace(" ", "_"): c for c in columns}
    for key, names in usual.items():
        name = next((n for n in names if n in bare), None)
        if key not in found and name is not None:
            found[key] = bare[name]
    return found


def slashed_dates(text: pd.Series, day_first: bool, where: str) -> pd.Series:
    """Return dates such as 3/14/2021, month first unless `day_first`, without hours; NaT for any other text."""
    days = text.str.extract(r"^(\d{1,2}/\d{1,2}/\d{4})(?:$|[T ])")[0].astype("string")
    first = pd.to_numeric(days.str.split("/").str.get(0), errors="coerce")
    if not day_first and (first > 12).any():
        raise StudyError("Some dates have a month above 12.", where, "If the day comes first, set day_first = true.")
    return pd.to_datetime(days, format="%d/%m/%Y" if day_first else "%m/%d/%Y", errors="coerce")
