"""The tiles of a region: polygons of a layer or squares; each pixel and each field belongs to one of them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import ceil, floor
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from pyogrio.errors import DataLayerError, DataSourceError
from rasterio.features import rasterize

from geo.errors import StudyError
from pipelines.scale.region_file import TilesTable
from pipelines.study.file import Study
from pipelines.study.words import load_catalogue

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
MOST_TILES = 20_000


@dataclass(frozen=True)
class Tiles:
    """The tiles of a region, in their order, in the CRS of the study.

    Attributes
    ----------
    frame : GeoDataFrame
        `tile` (text, unique, fit for a folder's name), `name`, `geometry`. Where polygons overlap, the later one
        has the ground.
    """

    frame: gpd.GeoDataFrame

    def __len__(self) -> int:
        return len(self.frame)

    def id(self, index: int) -> str:
        """Return the id of a tile."""
        return str(self.frame["tile"].iloc[index])

    def name(self, index: int) -> str:
        """Return the name of a tile."""
        return str(self.frame["name"].iloc[index])

    def shape(self, index: int) -> shapely.Geometry:
        """Return the polygon of a tile."""
        return self.frame.geometry.iloc[index]

    def near(self, index: int) -> list[int]:
        """Return the tiles that meet the extent of one, itself among them, in their order."""
        return sorted(self.frame.sindex.query(shapely.box(*self.shape(index).bounds)).tolist())

    def own_pixels(self, index: int, grid: GeoBox) -> NDArray[np.bool_]:
        """Return which pixels of a grid belong to a tile: those whose centre it holds, the last tile in doubt."""
        near = sorted(self.frame.sindex.query(grid.extent.geom).tolist())
        shapes = [(self.shape(i), i + 1) for i in near]
        if not shapes:
            return np.zeros(grid.shape, bool)
        return rasterize(shapes, out_shape=grid.shape, transform=grid.affine, dtype="int32") == index + 1

    def owners(self, fields: gpd.GeoDataFrame) -> NDArray[np.int64]:
        """Return the tile of each field; -1 where it meets none.

        That is the tile that holds the field's representative point, the last one in doubt. A field on the edge of
        the region, whose point lies in no tile, goes to the first tile that it meets.
        """
        out = np.full(len(fields), -1, np.int64)
        shapes = fields.geometry.to_numpy()
        row, tile = self.frame.sindex.query(shapes, predicate="intersects")
        first = np.full(len(fields), len(self.frame), np.int64)
        np.minimum.at(first, row, tile)
        out[first < len(self.frame)] = first[first < len(self.frame)]
        held = np.full(len(fields), -1, np.int64)
        row, tile = self.frame.sindex.query(shapely.point_on_surface(shapes), predicate="intersects")
        np.maximum.at(held, row, tile)
        return np.where(held >= 0, held, out)


def plan_tiles(table: TilesTable, study: Study, folder: Path, study_folder: Path) -> Tiles:
    """Return the tiles that a region file asks for.

    Parameters
    ----------
    table : TilesTable
    study : Study
        Its CRS, resolution and bounds count.
    folder, study_folder : Path
        Folders of the region file and of the study file.

    Raises
    ------
    StudyError
        A layer that cannot be read, ids that are missing, doubled or no folder names, or no area to cut.
    """
    frame = _polygons(table, study, folder) if table.path is not None else _squares(table, study, study_folder)
    if table.only:
        unknown = sorted(set(table.only) - set(frame["tile"]))
        if unknown:
            raise StudyError(
                f"There is no tile {', '.join(unknown)}.",
                "[tiles] only",
                f"There are {_some(frame['tile'].tolist())}.",
            )
        frame = frame[frame["tile"].isin(table.only)]
    if frame.empty:
        raise StudyError("The region has no tiles.", "[tiles]", "Check the layer, and the bounds of the study.")
    if len(frame) > MOST_TILES:
        raise StudyError(
            f"The region has {len(frame):,} tiles.", "[tiles]", f"Use larger tiles: at most {MOST_TILES:,}."
        )
    return Tiles(frame.reset_index(drop=True))


def _polygons(table: TilesTable, study: Study, folder: Path) -> gpd.GeoDataFrame:
    place = folder / str(table.path)
    if not place.exists():
        raise StudyError("The layer of tiles does not exist.", str(place), "Check [tiles] path in the region file.")
    try:
        if place.suffix.lower() in (".parquet", ".geoparquet"):
            frame = gpd.read_parquet(place)
        else:
            frame = pyogrio.read_dataframe(place, layer=table.layer)
    except (DataSourceError, DataLayerError, OSError, ValueError) as error:
        raise StudyError(
            f"The layer of tiles cannot be read: {error}", str(place), "Give a polygon layer."
        ) from error
    if not isinstance(frame, gpd.GeoDataFrame) or frame.crs is None:
        raise StudyError(
            "The layer of tiles has no shapes, or does not say its CRS.",
            str(place),
            "Give a polygon layer with a CRS.",
        )
    for column in (table.id, table.name):
        if column is not None and column not in frame.columns:
            raise StudyError(
                f"The layer of tiles has no column {column!r}.",
                str(place),
                f"Columns: {', '.join(str(c) for c in frame.columns if c != frame.geometry.name)}.",
            )
    ids = [str(v).strip() for v in frame[table.id]]
    odd = [i for i in ids if not _ID.fullmatch(i)]
    if odd:
        raise StudyError(
            f"{odd[0]!r} cannot be the id of a tile: it names a folder.",
            f"{place}, column {table.id}",
            "Use letters, digits, dots, dashes and underscores, 64 at most, a letter or a digit first.",
        )
    doubled = sorted({i for i in ids if sum(j.lower() == i.lower() for j in ids) > 1}) if len(ids) < 5000 else []
    if doubled or len(set(ids)) < len(ids):
        raise StudyError(
            f"Two tiles have the id {doubled[0] if doubled else 'of another'!r}.",
            f"{place}, column {table.id}",
            "Give each tile its own id (capitals do not count), or join the parts of a county into one polygon.",
        )
    names = ids if table.name is None else [str(v).strip() or i for v, i in zip(frame[table.name], ids, strict=True)]
    shapes = shapely.make_valid(shapely.force_2d(frame.geometry.to_crs(study.map.crs).to_numpy()))
    flat = np.array([s is not None and shapely.get_dimensions(s) == 2 and not s.is_empty for s in shapes], bool)
    if not flat.all():
        raise StudyError(
            f"The tile {ids[int(np.flatnonzero(~flat)[0])]!r} is not an area.", str(place), "Give polygons."
        )
    return gpd.GeoDataFrame({"tile": ids, "name": names}, geometry=shapes, crs=study.map.crs)


def _squares(table: TilesTable, study: Study, study_folder: Path) -> gpd.GeoDataFrame:
    """Cut the study area into squares whose edges lie on the edges of pixels, so that no pixel is in two."""
    left, bottom, right, top = _area(study, study_folder)
    pixel = study.map.resolution_m
    side = max(1, round(float(table.size_km or 0) * 1000 / pixel)) * pixel
    left, bottom = floor(left / pixel) * pixel, floor(bottom / pixel) * pixel
    columns, rows = ceil((right - left) / side - 1e-9), ceil((top - bottom) / side - 1e-9)
    if columns * rows > MOST_TILES:
        raise StudyError(
            f"The region would have {columns * rows:,} squares.", "[tiles] size_km", f"At most {MOST_TILES:,}."
        )
    ids, names, shapes = [], [], []
    words = load_catalogue()
    for row in range(rows):
        for column in range(columns):
            x, y = left + column * side, bottom + (rows - 1 - row) * side
            ids.append(f"r{row + 1:03d}c{column + 1:03d}")
            names.append(words.t("region.square", row=row + 1, column=column + 1))
            shapes.append(shapely.box(x, y, x + side, y + side))
    return gpd.GeoDataFrame({"tile": ids, "name": names}, geometry=shapes, crs=study.map.crs)


def _area(study: Study, folder: Path) -> tuple[float, float, float, float]:
    if study.map.bounds is not None:
        return study.map.bounds
    if study.fields is not None:
        place = folder / study.fields.path
        try:
            info = pyogrio.read_info(place, layer=study.fields.layer, force_total_bounds=True)
        except (DataSourceError, DataLayerError):
            info = {}
        crs = study.fields.crs or info.get("crs")
        if crs and info.get("total_bounds") is not None:
            box = gpd.GeoSeries([shapely.box(*info["total_bounds"])], crs=crs).segmentize(
                0.01 if not gpd.GeoSeries(crs=crs).crs.is_projected else 1000
            )
            left, bottom, right, top = box.to_crs(study.map.crs).total_bounds
            return left, bottom, right, top
    raise StudyError(
        "There is no area to cut into squares.",
        "[tiles] size_km",
        "Give bounds = [left, bottom, right, top] under [map] in the study file (m, in its CRS).",
    )


def _some(ids: list[str]) -> str:
    return ", ".join(ids[:12]) + (f" and {len(ids) - 12} more" if len(ids) > 12 else "")
