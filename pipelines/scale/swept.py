"""A region that was run: what joining, the page and the command line need to know of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from geo.rating import ZONE_CODES
from pipelines.scale.region_file import Region
from pipelines.scale.tiles import Tiles
from pipelines.study.file import Study


@dataclass(frozen=True)
class Swept:
    """A region that was run.

    Attributes
    ----------
    region, study : Region, Study
    folder : Path
    tiles : Tiles
    records : list of dict
        One a tile, in the order of the tiles: `status` is ``done``, ``empty`` (no soil there) or ``failed``.
    fresh : int
        Tiles that this run has done; the others were finished before.
    seconds : float
    about : dict
        What goes into ``run.json``.
    """

    region: Region
    study: Study
    folder: Path
    tiles: Tiles
    records: list[dict[str, Any]]
    fresh: int
    seconds: float
    about: dict[str, Any]

    def of(self, status: str) -> list[dict[str, Any]]:
        """Return the records with a status."""
        return [r for r in self.records if r["status"] == status]

    def areas_ha(self) -> pd.Series:
        """Return hectares by zone over all tiles, dry to wet."""
        done = pd.DataFrame([r["areas_ha"] for r in self.of("done")])
        return done.sum().reindex(list(ZONE_CODES)).fillna(0.0)
