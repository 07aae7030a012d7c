"""From the columns that field files have to the columns that the study uses."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geo.errors import Problem, StudyError

LAYER = "fields"
ACRE_HA = 0.40468564224

# Names under which each column is met, best first; compared in lower case without punctuation, and cut to
# the ten characters that a Shapefile leaves. (common practice, no source)
CANDIDATES: dict[str, tuple[str, ...]] = {
    "field_id": ("field_id", "csbid", "field_no", "field_number", "uuid", "uid", "id"),
    "name": ("name", "field_name", "fieldname", "label", "field", "title"),
    "irrigated": ("irrigated", "irrigation", "is_irrigated", "irrig", "irr", "irr_type", "water_source"),
    "previous_crop": ("previous_crop", "prev_crop", "last_crop", "crop:name", "crop_name"),
    "next_crop": ("next_crop", "planned_crop", "crop_next"),
}
# Area columns whose unit is settled by their own specification (hectares per unit).
AREA_UNITS_HA = {"metrics:area": 1e-4, "csbacres": ACRE_HA, "calcacres": ACRE_HA}
YES = {"yes", "y", "true", "t", "1", "irrigated", "pivot", "center pivot", "centre pivot", "drip", "subsurface drip",
       "flood", "furrow", "sprinkler", "gravity", "linear", "lateral", "full", "limited"}  # fmt: skip
NO = {"no", "n", "false", "f", "0", "none", "dry", "dryland", "dry land", "rainfed", "rain fed", "rain-fed",
      "not irrigated", "non irrigated", "non-irrigated", "nonirrigated", "unirrigated"}  # fmt: skip
# Cropland Data Layer codes of the region's usual crops (USDA-NASS legend); others keep their number.
CDL_CROPS = {1: "corn", 4: "sorghum", 5: "soybean", 24: "winter wheat", 61: "fallow", 152: "shrubland", 176: "grass"}


@dataclass
class OpenedFields:
    """One source as read: the frame, constants of the whole file, and what was met on the way."""

    frame: gpd.GeoDataFrame
    constants: dict[str, Any] = field(default_factory=dict)
    area_units_ha: dict[str, float] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def to_contract(opened: OpenedFields, columns: dict[str, str], place: Path) -> gpd.GeoDataFrame:
    """Return the contract columns of a source, found by the names in `columns` or by the usual ones.

    Nothing else of the source is carried on. Doubtful values are added to `opened.problems`.
    """
    unknown = sorted(set(columns) - set(CANDIDATES))
    if unknown:
        raise StudyError(
            f"Fields have no column {', '.join(unknown)}.", f"{place}: columns", f"Possible: {', '.join(CANDIDATES)}."
        )
    frame = opened.frame
    out = gpd.GeoDataFrame(geometry=frame.geometry.to_numpy(), crs=frame.crs)
    attributes = pd.DataFrame(frame.drop(columns="geometry")).reset_index(drop=True)
    for name, value in opened.constants.items():
        if name not in attributes:
            attributes[name] = value
    for ours in CANDIDATES:
        theirs = _find_column(attributes, ours, columns.get(ours), place)
        if ours == "irrigated":
            out[ours] = _irrigated(attributes, theirs, out["field_id"], opened.problems, place)
        elif theirs is None and ours == "previous_crop":
            out[ours] = _latest_cdl_crop(attributes)
        else:
            out[ours] = "" if theirs is None else _as_text(attributes[theirs])
    for theirs, to_ha in (AREA_UNITS_HA | opened.area_units_ha).items():
        match = next((c for c in attributes if c.lower() == theirs), None)
        if match is not None:
            out["source_area_ha"] = pd.to_numeric(attributes[match], errors="coerce").astype(float) * to_ha
            break
    order = [*CANDIDATES, *(["source_area_ha"] if "source_area_ha" in out else []), "geometry"]
    return out[order]


def _find_column(attributes: pd.DataFrame, ours: str, asked: str | None, place: Path) -> str | None:
    plain = {_plain(c): c for c in reversed(list(attributes.columns))}
    if asked is not None:
        if asked in attributes:
            return asked
        found = plain.get(_plain(asked)) or next((c for c in attributes if asked[:10].lower() == c.lower()), None)
        if found is None:
            raise StudyError(
                f"There is no column {asked!r} for {ours}.",
                f"{place}: columns",
                f"Columns in this layer: {', '.join(attributes.columns)}.",
            )
        return found
    for candidate in CANDIDATES[ours]:
        for key in (_plain(candidate), _plain(candidate[:10])):
            column = plain.get(key)
            if column is not None and attributes[column].notna().any():
                return column
    return None


def _plain(name: str) -> str:
    return re.sub(r"[^0-9a-z]", "", name.lower())


def _as_text(values: pd.Series) -> pd.Series:
    """Return text; whole numbers lose the '.0' that a null among them causes."""
    if pd.api.types.is_float_dtype(values) and (values.dropna() % 1 == 0).all():
        values = values.astype("Int64")
    return values.astype("object").where(values.notna(), "").map(str).str.strip()


def _irrigated(
    attributes: pd.DataFrame, column: str | None, ids: pd.Series, problems: list[Problem], place: Path
) -> pd.Series:
    if column is None:
        fix = (
            "Add a column with yes or no, and name it with irrigated = under [fields.columns], if some are irrigated."
        )
        problems.append(
            Problem(
                LAYER, place.name, "no column says which fields are irrigated; all taken as dryland", "warning", fix
            )
        )
        return pd.Series(False, index=attributes.index)
    words = _as_text(attributes[column]).str.lower()
    known = words.isin(YES | NO | {""})
    for row in np.flatnonzero(~known):
        what = f"{column} = {words[row]!r} is neither yes nor no; taken as dryland"
        where = ids[row] or f"row {row + 1}"
        problems.append(Problem(LAYER, where, what, "warning", f"Write yes or no in column {column}."))
    return words.isin(YES)


def _latest_cdl_crop(attributes: pd.DataFrame) -> pd.Series | str:
    """Return the crop of the last year of a crop sequence layer (columns CDL2017 … CDL2024), else nothing."""
    years = sorted(c for c in attributes if re.fullmatch(r"CDL\d{4}", c))
    if not years:
        return ""
    codes = pd.to_numeric(attributes[years[-1]], errors="coerce").astype("Int64")
    return codes.map(lambda c: "" if pd.isna(c) else CDL_CROPS.get(int(c), f"CDL code {c}")).astype(object)
