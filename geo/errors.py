"""What went wrong, where, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import pandas as pd

Action = Literal["left out", "repaired", "warning"]
WHOLE_STUDY = "whole study"
"""The place of a problem that concerns every result: it is shown wherever results are shown."""


class StudyError(Exception):
    """What is wrong with the data, and what to do about it; it stops the run.

    The library knows layers, rows and ids. Whoever reads the layers adds the file, and the key of the study file.

    Parameters
    ----------
    what : str
        What is wrong, in one sentence.
    where : str
        File, layer, row, column or field id.
    fix : str
        What the user can do.
    """

    def __init__(self, what: str, where: str = "", fix: str = "") -> None:
        self.what = what
        self.where = where
        self.fix = fix
        super().__init__(what)

    def __str__(self) -> str:
        lines = [self.what]
        if self.where:
            lines.append(f"  where: {self.where}")
        if self.fix:
            lines.append(f"  to do: {self.fix}")
        return "\n".join(lines)


class CrsError(StudyError):
    """A layer does not say its CRS, or its coordinates contradict the CRS that it says."""


class NothingHere(StudyError):
    """A layer has nothing in the study area: an error for a study, an empty tile for a region of many."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One row that was left out, repaired, or kept with a warning.

    Attributes
    ----------
    layer : str
        ``soils``, ``climate``, ``fields``, ``elevation``.
    where : str
        Row, map unit, cell or field id, or `WHOLE_STUDY`.
    what : str
        The defect.
    action : {"left out", "repaired", "warning"}
        What was done with the row.
    fix : str
        What the user can do.
    """

    layer: str
    where: str
    what: str
    action: Action = "warning"
    fix: str = ""


def problem_table(problems: Iterable[Problem]) -> pd.DataFrame:
    """Return problems as a table with one row each (columns as the attributes of `Problem`)."""
    import pandas as pd  # takes a second; errors alone, such as of the command line, do without

    return pd.DataFrame([asdict(p) for p in problems], columns=["layer", "where", "what", "action", "fix"])
