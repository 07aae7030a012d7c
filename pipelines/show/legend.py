"""The zone legend: code, words, colour and pattern of each zone. The one source for pages, layers and prints."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from geo.errors import StudyError
from geo.rating import ZONE_CODES
from pipelines.study.house import shared_dir, shared_toml
from pipelines.study.words import Catalogue, load_catalogue

Pattern = Literal["none", "lines", "dots", "grid", "diagonal"]


class ZoneStyle(BaseModel):
    """How one zone is named and drawn.

    Attributes
    ----------
    code : int
        Code in rasters and tables, 1-7, dry to wet.
    key : str
        Name in data, such as ``stubble_water``.
    label, plain : str
        Words for legends, and one sentence for a grower.
    colour : str
        Fill, ``#RRGGBB``.
    pattern : str
        Light pattern drawn over the fill.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    code: int = Field(ge=1, le=7)
    key: str
    label: str = Field(min_length=1)
    plain: str = Field(min_length=1)
    colour: str = Field(pattern=r"^#[0-9A-Fa-f]{6}$")
    pattern: Pattern

    @property
    def rgb(self) -> tuple[int, int, int]:
        """Fill as three bytes."""
        return int(self.colour[1:3], 16), int(self.colour[3:5], 16), int(self.colour[5:7], 16)


def zone_legend(catalogue: Catalogue | None = None, path: Path | None = None) -> list[ZoneStyle]:
    """Return the zones in order of their code.

    Parameters
    ----------
    catalogue : Catalogue, optional
        Other words than those of ``shared/text_en.toml``.
    path : Path, optional
        Another table than ``shared/zones.toml``.

    Raises
    ------
    StudyError
        When a zone is missing, unknown, doubled, or a value is not allowed; the zone and the value are named.
    """
    return list(_build(catalogue or load_catalogue(), path or shared_dir() / "zones.toml"))


def zone_styles(catalogue: Catalogue | None = None) -> dict[int, ZoneStyle]:
    """Return the zones by code."""
    return {z.code: z for z in zone_legend(catalogue)}


def _build(catalogue: Catalogue, path: Path) -> tuple[ZoneStyle, ...]:
    rows = shared_toml(path.name, path.parent)
    if set(rows) != set(ZONE_CODES):
        odd = ", ".join(sorted(set(rows) ^ set(ZONE_CODES)))
        raise StudyError(f"The zone table has missing or unknown zones: {odd}.", path.name, "One row a zone.")
    styles = []
    for key, row in rows.items():
        words = {part: catalogue.t(f"zones.{key}.{part}") for part in ("label", "plain")}
        try:
            style = ZoneStyle(code=ZONE_CODES[key], key=key, **(row | words))
        except ValidationError as error:
            first = error.errors()[0]
            where = f"{path.name} [{key}] {'.'.join(map(str, first['loc']))}"
            raise StudyError(f"A zone is not valid: {first['msg']}.", where, "Correct the row.") from None
        styles.append(style)
    return tuple(sorted(styles, key=lambda z: z.code))
