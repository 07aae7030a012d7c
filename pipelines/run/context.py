"""What every stage of a run is given: the study, its folder, the tables, and whom to report to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from geo.rating import Ruled
from pipelines.study.file import Study
from pipelines.study.tables import Tables, zone_rules

Report = Callable[[str, int, int], None]
"""Called as ``report(step, done, total)``."""


@dataclass(frozen=True)
class Context:
    """The settings of one run.

    Attributes
    ----------
    study : Study
    folder : Path
        Folder that the study's paths are relative to.
    tables : Tables
    report : callable
    threads : int, optional
        Share of the machine; all cores by default.
    hashes : mapping
        SHA-256 of layers by path, where they are known already.
    map_unit_slope : Series, optional
        Mean slope (%) of each map unit over a whole region, of which this run is a part.
    """

    study: Study
    folder: Path
    tables: Tables
    report: Report
    threads: int | None = None
    hashes: Mapping[str, str] = field(default_factory=dict)
    map_unit_slope: pd.Series | None = None

    def path(self, relative: str) -> Path:
        """Return a path of the study file, relative to the file's folder."""
        return (self.folder / relative).resolve()

    def resolved(self, table: dict[str, Any], key: str) -> dict[str, Any] | None:
        """Return a table of the study file with the path under `key` made absolute; None when it is empty."""
        return ({**table, key: str(self.path(table[key]))} if key in table else table) or None

    @cached_property
    def rules(self) -> Ruled:
        """The limits for dryland and for irrigated fields.

        Raises
        ------
        StudyError
            For an unknown rule or a value outside its range.
        """
        return Ruled(*zone_rules(self.tables, self.study), self.tables.model)
