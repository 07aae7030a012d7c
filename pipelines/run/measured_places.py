"""Where each reading was taken: the field or the point, the soils that may lie there, and their water."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from rasterio.transform import rowcol
from rasterio.warp import transform

from geo.errors import Problem
from geo.rating import NOT_RATED, Rating
from geo.soils import WILTING_COLUMNS, FootWater, foot_thickness_mm, foot_water, mean_water
from pipelines.read.measurements.soundings import left_out
from pipelines.run.ground import Ground
from pipelines.run.measured import SOUNDING
from pipelines.study.words import did_you_mean


@dataclass(frozen=True, slots=True)
class Place:
    """What lies under one place.

    Attributes
    ----------
    sites : DataFrame
        Columns ``site`` and ``share``, the rated ground only; the shares sum to 1.
    units : DataFrame
        Columns ``unit`` and ``share``, likewise.
    profiles : DataFrame
        Soil profiles of those sites, with ``share`` of the ground.
    """

    sites: pd.DataFrame
    units: pd.DataFrame
    profiles: pd.DataFrame


@dataclass(frozen=True)
class Places:
    """Where places are looked up: the ground of the run, and which of its sites are rated."""

    ground: Ground
    rating: Rating


@dataclass(frozen=True)
class Sounding:
    """One place, day and option: everything that was measured there from the surface down.

    Attributes
    ----------
    place, name : str
        Field id or point, and the name of the field.
    is_field : bool
    longitude, latitude : float
        Degrees; NaN where no point was given.
    date : Timestamp
    option : str
    ground : Place
        What lies there.
    measured_mm, share : ndarray, shape (4,)
        Plant-available water by foot, NaN where not known, and the share of each foot that was measured.
    assumed : bool
        The wilting point of the surface is used for a depth.
    used, lost : ndarray of int
        Lines of the file that it rests on, and those that it cannot use.
    """

    place: str
    name: str
    is_field: bool
    longitude: float
    latitude: float
    date: pd.Timestamp
    option: str
    ground: Place
    measured_mm: np.ndarray
    share: np.ndarray
    assumed: bool
    used: np.ndarray
    lost: np.ndarray

    @property
    def month_day(self) -> tuple[int, int]:
        """Month and day."""
        return int(self.date.month), int(self.date.day)

    @property
    def known(self) -> bool:
        """Whether any foot was measured."""
        return bool(np.isfinite(self.measured_mm).any())


def unknown_fields(readings: pd.DataFrame, known: pd.Series, file: str) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the readings whose field is known (or that have a point alone), and one problem an unknown field."""
    ids = known.astype(str)
    lost = (readings["field_id"] != "") & ~readings["field_id"].isin(ids)
    problems = []
    for name, part in readings[lost].groupby("field_id"):
        fix = did_you_mean(str(name), ids).strip() or "Use the field ids of the field layer."
        problems.append(left_out(file, part["row"], f"there is no field {str(name)[:80]}", fix))
    return readings[~lost].reset_index(drop=True), problems


def locate(places: Places, readings: pd.DataFrame, file: str) -> tuple[pd.DataFrame, dict[str, Place], list[Problem]]:
    """Name the place of each reading and find its ground.

    Returns
    -------
    readings : DataFrame
        Those on rated ground, with ``place`` (field id, else the point), ``name``, ``is_field`` and ``ground``.
    grounds : dict
        ``ground`` to what lies there: the point where one is given, else the whole field.
    problems : list of Problem
    """
    frame = readings.copy()
    fields = places.ground.fields.reset_index(drop=True)
    names = dict(zip(fields["field_id"].astype(str), fields["name"].astype(str), strict=True))
    point = frame["longitude"].notna()
    shown = [f"{lat:.5f}, {lon:.5f}" for lon, lat in zip(frame["longitude"], frame["latitude"], strict=True)]
    frame["field_id"] = frame["field_id"].where(frame["field_id"] != "", _field_around(frame, fields))
    frame["is_field"] = frame["field_id"] != ""
    frame["place"] = frame["field_id"].where(frame["is_field"], shown)
    frame["name"] = [names.get(place, "") for place in frame["place"]]
    frame["ground"] = np.where(point, shown, "field " + frame["field_id"])
    sites = _sites_at(places, frame)
    row_of = {field_id: k for k, field_id in enumerate(fields["field_id"].astype(str))}
    grounds: dict[str, Place] = {}
    bare: set[str] = set()
    for key, row in frame.drop_duplicates("ground").set_index("ground").iterrows():
        shares = (
            pd.DataFrame({"site": [sites[str(key)]], "share": [1.0]})
            if np.isfinite(row["longitude"])
            else _sites_of_field(places, row_of[str(row["field_id"])])
        )
        ground = _ground(places, shares)
        if ground is None:
            bare.add(str(key))
        else:
            grounds[str(key)] = ground
    lost = frame["ground"].isin(bare)
    problems = [
        left_out(file, part["row"], f"no rated soil at {place}") for place, part in frame[lost].groupby("place")
    ]
    return frame[~lost].reset_index(drop=True), grounds, problems


def _field_around(frame: pd.DataFrame, fields: gpd.GeoDataFrame) -> np.ndarray:
    """Return the field that holds each point, "" where there is none."""
    out = np.full(len(frame), "", dtype=object)
    at = np.flatnonzero(frame["longitude"].notna())
    if len(at) and len(fields):
        points = gpd.points_from_xy(frame["longitude"].iloc[at], frame["latitude"].iloc[at], crs="EPSG:4326")
        point, field = fields.sindex.query(gpd.GeoSeries(points).to_crs(fields.crs), predicate="within")
        out[at[point]] = fields["field_id"].astype(str).to_numpy()[field]
    return out


def _sites_at(places: Places, frame: pd.DataFrame) -> dict[str, int]:
    """Return the site of each point (-1 = none), by its ``ground``."""
    points = frame[frame["longitude"].notna()].drop_duplicates("ground")
    grid, raster = places.ground.grid, places.ground.units.site_raster
    if points.empty:
        return {}
    x, y = transform("EPSG:4326", str(grid.crs), list(points["longitude"]), list(points["latitude"]))
    x, y = (np.where(np.isfinite(v), v, 1e9) for v in (x, y))  # far away, where the projection has no place
    rows, columns = rowcol(grid.affine, x, y)
    out = {}
    for key, row, column in zip(points["ground"], rows, columns, strict=True):
        inside = 0 <= row < raster.shape[0] and 0 <= column < raster.shape[1]
        out[str(key)] = int(raster[row, column]) if inside else -1
    return out


def _sites_of_field(places: Places, row: int) -> pd.DataFrame:
    part = places.ground.coverage.getrow(row)
    return pd.DataFrame({"site": part.indices, "share": part.data})


def field_ground(places: Places, field_id: str) -> Place | None:
    """Return what lies in a field; None when nothing there is rated."""
    ids = places.ground.fields["field_id"].astype(str).tolist()
    return _ground(places, _sites_of_field(places, ids.index(field_id)))


def _ground(places: Places, shares: pd.DataFrame) -> Place | None:
    units = places.ground.units
    code = places.rating.sites.table["zone_code"].to_numpy()
    rated = shares[shares["site"].isin(units.site_units["site"]) & (shares["share"] > 0)]
    rated = rated[code[rated["site"]] != NOT_RATED]
    if rated.empty:
        return None
    rated = rated.assign(share=rated["share"] / rated["share"].sum()).reset_index(drop=True)
    pairs = units.site_units.merge(rated, on="site")
    by_unit = (pairs["weight"] * pairs["share"]).groupby(pairs["unit"]).sum()
    profiles = places.ground.soil.profiles
    profiles = profiles[profiles["rated"].astype(bool) & (profiles["share"] > 0)]
    on_unit = rated["share"].groupby(units.sites.loc[rated["site"], "map_unit_id"].to_numpy()).sum()
    here = profiles[profiles["map_unit_id"].isin(on_unit.index)]
    part = here["share"] / here["share"].groupby(here["map_unit_id"]).transform("sum")
    share = part * here["map_unit_id"].map(on_unit)
    return Place(rated, by_unit.rename("share").reset_index(), here.assign(share=share))


def sounding_water(sounding: pd.DataFrame, ground: Place) -> tuple[FootWater, bool]:
    """Return the measured water of one sounding by foot, over the soils of its ground, and whether any was assumed.

    Where the soil layer does not know the wilting point of a depth, that of the surface is taken.
    """
    profiles = ground.profiles
    known = profiles.reindex(columns=list(WILTING_COLUMNS)).to_numpy(float)
    needs_soil = bool(sounding["wilting"].isna().any())
    parts, assumed = [], False
    for row, wilting in zip(profiles.itertuples(), known, strict=True):
        limit = float(row.root_limit_mm)
        missing = np.isnan(wilting)
        assumed |= bool(missing.any()) and needs_soil
        filled = np.where(missing, float(row.wp_surface) * foot_thickness_mm(limit), wilting)
        parts.append(
            foot_water(
                sounding["top_mm"], sounding["bottom_mm"], sounding["content"], sounding["wilting"], filled, limit
            )
        )
    return mean_water(parts, profiles["share"]), assumed


def soundings(frame: pd.DataFrame, grounds: Mapping[str, Place]) -> list[Sounding]:
    """Return the soundings of located readings (`locate`), by place and date."""
    found = []
    ordered = frame.sort_values([*SOUNDING, "top_mm"], kind="stable")
    for _, part in ordered.groupby([*SOUNDING], sort=True, dropna=False):
        row, ground = part.iloc[0], grounds[str(part["ground"].iloc[0])]
        water, assumed = sounding_water(part, ground)
        lines = part["row"].to_numpy()
        found.append(
            Sounding(
                str(row["place"]), str(row["name"]), bool(row["is_field"]), float(row["longitude"]),
                float(row["latitude"]), row["date"], str(row["option"]), ground,
                np.where(np.isnan(water.measured_share), np.nan, water.available_mm), water.measured_share, assumed,
                lines[water.used], lines[~water.used],
            )
        )  # fmt: skip
    return found
