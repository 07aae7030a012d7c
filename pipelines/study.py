"""The study file: a small commented TOML, validated; every error names the file, the line and what is allowed."""

from __future__ import annotations

import hashlib
import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from geo.errors import StudyError
from geo.season import Calendar

_LIKE_DATE = re.compile(r"^(\d{2})-(\d{2})$")
_LAYER_DATE = re.compile(r"^\d{4}(-\d{2}(-\d{2})?)?$")
_DAYS_IN_MONTH = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def _month_day(value: object) -> tuple[int, int]:
    if isinstance(value, tuple):
        return value  # type: ignore[return-value]
    match = _LIKE_DATE.match(str(value))
    if not match:
        raise ValueError('give month and day as "MM-DD", such as "07-20"')
    month, day = int(match[1]), int(match[2])
    if not 1 <= month <= 12 or not 1 <= day <= _DAYS_IN_MONTH[month - 1]:
        raise ValueError(f"{value} is not a date; give month and day as MM-DD")
    return month, day


def _in_metres(value: str) -> str:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        crs = CRS.from_user_input(value)
    except CRSError:
        raise ValueError('is no CRS that is known; give a code such as "EPSG:5070"') from None
    if not crs.is_projected or any(axis.unit_name != "metre" for axis in crs.axis_info):
        raise ValueError('is not projected in metres; the grid needs one that is, such as "EPSG:5070"')
    return value


def _layer_date(value: object) -> object:
    """Return the date of a layer as text: a year, a month or a day, also when written as a TOML date."""
    text = value.isoformat() if type(value) is date else str(value) if type(value) is int else value
    if not isinstance(text, str) or not _LAYER_DATE.match(text):
        raise ValueError('give a year, a month or a day, such as "2024", "2024-10" or "2024-10-01"')
    try:
        date.fromisoformat(f"{text}-01-01"[:10])
    except ValueError:
        raise ValueError(f"{text} is not a date; give YYYY, YYYY-MM or YYYY-MM-DD") from None
    return text


MonthDay = Annotated[tuple[int, int], BeforeValidator(_month_day)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class StudyTable(_Table):
    """[study]: what it is called and how it is run."""

    name: str = Field(min_length=1)
    units: Literal["us", "metric"] = "us"
    seed: int = Field(default=1, ge=0)
    years: int = Field(default=31, ge=2, le=500)
    out: str = "out"
    owner: str = ""


class _LayerTable(_Table):
    """What every layer may say of itself: its terms of use, and the date that it stands for."""

    licence: str | None = Field(default=None, min_length=1, max_length=500)
    date: Annotated[str, BeforeValidator(_layer_date)] | None = None


class SoilsTable(_LayerTable):
    """[soils]: a survey export, a geodatabase, a raster of map units, or grids."""

    path: str
    kind: Literal[
        "auto",
        "survey_export",
        "geodatabase",
        "map_unit_raster",
        "water_capacity_grid",
        "field_capacity_grid",
        "texture_grid",
    ] = "auto"
    crs: str | None = None
    variables: dict[str, Any] = {}


class ClimateTable(_LayerTable):
    """[climate]: monthly normals or daily records."""

    path: str | list[str]
    kind: Literal["auto", "normals", "daily"] = "auto"
    variables: dict[str, Any] = {}
    options: dict[str, Any] = {}


class FieldsTable(_LayerTable):
    """[fields]: field boundaries."""

    path: str
    layer: str | None = None
    crs: str | None = None
    columns: dict[str, str] = {}


class ElevationTable(_LayerTable):
    """[elevation]: a height model, for slope."""

    path: str
    unit: str | None = None
    band: int = Field(default=1, ge=1)


class MeasurementsTable(_LayerTable):
    """[measurements]: own soil water by depth, from sensors or cores."""

    path: str
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
    bounds: tuple[float, float, float, float] | None = None


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

    @property
    def calendar(self) -> Calendar:
        """The dates as the library's calendar."""
        return Calendar(**self.season.model_dump())


def load_study(path: Path) -> tuple[Study, str]:
    """Read and check a study file.

    Returns
    -------
    study : Study
    digest : str
        SHA-256 of the file's text.

    Raises
    ------
    StudyError
        With every fault of the file: line, key, what is allowed.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise StudyError(
            "There is no study file here.", str(path), "Check the path, or start from `springfill new FOLDER`."
        ) from None
    except (UnicodeDecodeError, IsADirectoryError, PermissionError) as error:
        raise StudyError(
            f"The study file cannot be read as text ({error.__class__.__name__}).",
            str(path),
            "Save it as UTF-8 text.",
        ) from None
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise StudyError(f"The study file is not valid TOML: {error}.", str(path), "Correct that line.") from None
    try:
        study = Study.model_validate(raw)
    except ValidationError as error:
        faults = [_fault(path, text, e) for e in error.errors()]
        raise StudyError(
            "The study file has faults.", "\n         ".join(faults), "Correct the lines above."
        ) from None
    _ = study.calendar
    return study, hashlib.sha256(text.encode()).hexdigest()


def line_of(text: str, keys: tuple[str, ...]) -> int | None:
    """Return the 1-based line of a key in TOML text, or of its table; None when neither is there."""
    table: tuple[str, ...] = ()
    best = None
    for number, line in enumerate(text.splitlines(), start=1):
        head = re.match(r"^\s*\[+\s*([^\]]+?)\s*\]+", line)
        if head:
            table = tuple(part.strip().strip("\"'") for part in head[1].split("."))
            if keys[: len(table)] == table:
                best = number
            continue
        item = re.match(r"^\s*([\w.\"'-]+)\s*=", line)
        if item:
            full = (*table, *(part.strip("\"'") for part in item[1].split(".")))
            if keys[: len(full)] == full:
                return number
    return best


def _fault(path: Path, text: str, error: Any) -> str:
    keys = tuple(str(part) for part in error["loc"])
    shown = tuple(k for k in keys if not k.startswith(("function-", "tuple", "list[", "str", "literal")))
    number = line_of(text, shown)
    where = f"{path.name}, line {number}" if number else path.name
    name = ".".join(shown)
    if error["type"] == "extra_forbidden":
        allowed = _allowed_keys(shown[:-1])
        return f"{where}: {name}: there is no such key; allowed: {', '.join(allowed)}"
    if error["type"] == "missing":
        return f"{where}: {name} is missing"
    message = error["msg"].removeprefix("Value error, ")
    if error["type"] == "literal_error":
        message = f"must be {error['ctx']['expected']}"
    return f"{where}: {name} = {error['input']!r}: {message}"


def _allowed_keys(keys: tuple[str, ...]) -> list[str]:
    model: Any = Study
    for key in keys:
        if key in ("winter_killed", "overwinter"):
            model = MixTable
            continue
        field = model.model_fields.get(key)
        if field is None:
            return []
        kinds = [field.annotation, *getattr(field.annotation, "__args__", ())]
        model = next((k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)), None)
        if model is None:
            return []
    return sorted(model.model_fields)
