"""The region file: which study, cut into which tiles, worked by whom. Validated like a study file."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from geo.errors import StudyError
from pipelines.study.faults import read_checked
from pipelines.study.file import Study, load_study
from pipelines.study.words import load_catalogue

_SCHEMES = ("tcp://", "tls://", "ws://", "wss://", "ucx://")


def _address(value: str) -> str:
    if value and not value.startswith(_SCHEMES):
        raise ValueError(load_catalogue().t("region.fault_address"))
    return value


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class RegionTable(_Table):
    """[region]: what it is called, the study that every tile runs, where the results go."""

    name: str = Field(min_length=1)
    study: str = "study.toml"
    out: str = "region"


class TilesTable(_Table):
    """[tiles]: polygons of a layer, one a tile, or squares."""

    path: str | None = None
    layer: str | None = None
    id: str = "id"
    name: str | None = None
    only: tuple[str, ...] = ()
    size_km: float | None = Field(default=None, ge=0.5, le=1000)

    @model_validator(mode="after")
    def _one_way(self) -> TilesTable:
        if (self.path is None) == (self.size_km is None):
            raise ValueError(load_catalogue().t("region.fault_one_way"))
        return self


class WorkersTable(_Table):
    """[workers]: how many tiles at a time; 0 leaves it to the machine."""

    count: int = Field(default=0, ge=0, le=1024)
    threads: int = Field(default=0, ge=0, le=256)
    memory_gb: float = Field(default=2.0, ge=0.25, le=1024)
    scheduler: Annotated[str, AfterValidator(_address)] = ""


class Region(_Table):
    """A whole region file. Paths are relative to the file."""

    region: RegionTable
    tiles: TilesTable
    workers: WorkersTable = WorkersTable()


def load_region(path: Path) -> tuple[Region, Study, Path, dict[str, str]]:
    """Read a region file and the study file that it names.

    Returns
    -------
    region : Region
    study : Study
    study_file : Path
    digests : dict
        SHA-256 of both texts: ``region``, ``study``.

    Raises
    ------
    StudyError
        With every fault of either file: line, key, what is allowed.
    """
    region, text = read_checked(path, Region, "region", "the one in docs/scale.md")
    study_file = path.parent / region.region.study
    if study_file.resolve() == path.resolve():
        raise StudyError(
            "The region file names itself as its study.", f"{path.name}: region.study", "Name the study."
        )
    study, study_digest = load_study(study_file)
    return region, study, study_file, {"region": hashlib.sha256(text.encode()).hexdigest(), "study": study_digest}
