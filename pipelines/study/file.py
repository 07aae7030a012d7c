"""The study file: a small commented TOML, validated; every error names the file, the line and what is allowed."""

from __future__ import annotations

import hashlib
import math
import re
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, PrivateAttr

from geo.errors import StudyError
from geo.season import Calendar
from pipelines.study.faults import placed, read_checked, words

SoilKind = Literal[
    "auto",
    "survey_export",
    "geodatabase",
    "map_unit_raster",
    "water_capacity_grid",
    "field_capacity_grid",
    "texture_grid",
]
_LIKE_DATE = re.compile(r"^\d{2}-\d{2}$")
_LAYER_DATE = re.compile(r"^\d{4}(-\d{2}(-\d{2})?)?$")


def _month_day(value: object) -> tuple[int, int]:
    if isinstance(value, tuple):
        return value  # type: ignore[return-value]
    if not _LIKE_DATE.match(str(value)):
        raise ValueError(words("month_day"))
    try:
        day = date.fromisoformat(f"2024-{value}")  # a leap year: 29 February is a date of the calendar
    except ValueError:
        raise ValueError(words("no_month_day", value=value)) from None
    return day.month, day.day


def _known_crs(value: str) -> str:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        CRS.from_user_input(value)
    except CRSError:
        raise ValueError(words("no_crs", example="EPSG:5070")) from None
    return value


def _in_metres(value: str) -> str:
    from pyproj import CRS

    crs = CRS.from_user_input(_known_crs(value))
    if not crs.is_projected or any(axis.unit_name != "metre" for axis in crs.axis_info):
        raise ValueError(words("not_metres"))
    return value


def _bounds(value: object) -> tuple[float, ...]:
    numbers = tuple(value) if isinstance(value, list | tuple) else ()
    if len(numbers) != 4 or not all(type(n) in (int, float) and math.isfinite(n) for n in numbers):
        raise ValueError(words("bounds"))
    left, bottom, right, top = numbers
    if not (left < right and bottom < top):
        raise ValueError(words("bounds"))
    return numbers


def _paths(value: object) -> object:
    names = value if isinstance(value, list) else [value]
    if not names or not all(isinstance(name, str) and name for name in names):
        raise ValueError(words("text_or_list"))
    return value


def _layer_date(value: object) -> object:
    """Return the date of a layer as text: a year, a month or a day, also when written as a TOML date."""
    text = value.isoformat() if type(value) is date else str(value) if type(value) is int else value
    if not isinstance(text, str) or not _LAYER_DATE.match(text):
        raise ValueError(words("layer_date"))
    try:
        date.fromisoformat(f"{text}-01-01"[:10])
    except ValueError:
        raise ValueError(words("no_layer_date", value=text)) from None
    return text


Text = Annotated[str, Field(min_length=1)]
LayerCrs = Annotated[str, AfterValidator(_known_crs)]
MonthDay = Annotated[tuple[int, int], BeforeValidator(_month_day)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class StudyTable(_Table):
    """[study]: its name and how it is run."""

    name: str = Field(min_length=1)
    units: Literal["us", "metric"] = "us"
    seed: int = Field(default=1, ge=0)
    years: int = Field(default=31, ge=2, le=500)
    out: str = "out"
    owner: str = ""


class _LayerTable(_Table):
    """What every layer may say of itself: its terms of use, and its date."""

    licence: str | None = Field(default=None, min_length=1, max_length=500)
    date: Annotated[str, BeforeValidator(_layer_date)] | None = None


class SoilsTable(_LayerTable):
    """[soils]: a survey export, a geodatabase, a raster of map units, or grids."""

    path: Text
    kind: SoilKind = "auto"
    crs: LayerCrs | None = None
    variables: dict[str, Any] = {}


class ClimateTable(_LayerTable):
    """[climate]: monthly normals or daily records."""

    path: Annotated[str | list[str], BeforeValidator(_paths)]
    kind: Literal["auto", "normals", "daily"] = "auto"
    variables: dict[str, Any] = {}
    options: dict[str, Any] = {}


class FieldsTable(_LayerTable):
    """[fields]: field boundaries."""

    path: Text
    layer: str | None = None
    crs: LayerCrs | None = None
    columns: dict[str, str] = {}


class ElevationTable(_LayerTable):
    """[elevation]: a height model, for slope."""

    path: Text
    unit: str | None = None
    band: int = Field(default=1, ge=1)


class MeasurementsTable(_LayerTable):
    """[measurements]: own soil water by depth, from sensors or cores."""

    path: Text
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    day_first: bool = False
    near_harvest_days: int = Field(default=21, ge=0, le=60)


class SeasonTable(_Table):
    """[season]: the dates, as "MM-DD"."""

    harvest: MonthDay = (7, 20)
    planting: MonthDay = (5, 15)
    seeding_winter_killed: MonthDay = (8, 1)
    seeding_overwinter: MonthDay = (9, 5)
    early_termination: MonthDay = (4, 1)
    mid_november: MonthDay = (11, 15)
    first_april: MonthDay = (4, 1)


class MapTable(_Table):
    """[map]: the study grid."""

    crs: Annotated[str, AfterValidator(_in_metres)] = "EPSG:5070"
    resolution_m: float = Field(default=30.0, ge=1, le=5000)
    bounds: Annotated[tuple[float, float, float, float] | None, BeforeValidator(_bounds)] = None


class MixTable(_Table):
    """[mixes.winter_killed], [mixes.overwinter] or [mixes.stubble_weeds]: changes to a mix."""

    groups: dict[str, float] | None = None
    density: float | None = Field(default=None, gt=0, le=1)
    mix_water_bonus: float | None = Field(default=None, ge=0, le=0.5)


class StubbleTable(_Table):
    """[stubble]: how the stubble that everything is compared with is kept."""

    weeds: Literal["sprayed", "unsprayed"] = "sprayed"


class RunTable(_Table):
    """[run]: how much is worked out."""

    parameter_sets: int = Field(default=8, ge=0, le=64)
    field_pages: bool = True


class Study(_Table):
    """A whole study file. Paths are relative to the file."""

    study: StudyTable
    soils: SoilsTable
    climate: ClimateTable
    fields: FieldsTable | None = None
    elevation: ElevationTable | None = None
    measurements: MeasurementsTable | None = None
    season: SeasonTable = SeasonTable()
    map: MapTable = MapTable()
    rules: dict[str, float] = {}
    irrigated_rules: dict[str, float] = {}
    parameters: dict[str, float] = {}
    mixes: dict[Literal["winter_killed", "overwinter", "stubble_weeds"], MixTable] = {}
    stubble: StubbleTable = StubbleTable()
    run: RunTable = RunTable()
    _source: tuple[str, str] = PrivateAttr(default=("study", ""))

    def place(self, *keys: str) -> str:
        """Return the file and the line of a key or a table."""
        return placed(*self._source, keys)

    @property
    def calendar(self) -> Calendar:
        """The dates as the library's calendar."""
        return Calendar(**self.season.model_dump())


def load_study(path: Path) -> tuple[Study, str]:
    """Read and check a study file; returns it with the SHA-256 of its text.

    Raises
    ------
    StudyError
        With every fault of the file: line, key, what is allowed.
    """
    study, text = read_checked(path, Study, "study", "`springfill new FOLDER`")
    study._source = (path.name, text)
    try:
        _ = study.calendar
    except StudyError as error:
        raise StudyError(error.what, f"{study.place('season')}: {error.where}", error.fix) from None
    return study, hashlib.sha256(text.encode()).hexdigest()
