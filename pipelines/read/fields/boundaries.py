"""Open field boundaries in the files people have; only the columns the study needs are carried on.

Farm, tract and owner columns of the source stay unread: they can point to a person.
"""

from __future__ import annotations

import json
import re
import warnings
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.warp import transform_bounds

from geo.errors import Problem, StudyError
from pipelines.read.fields.columns import LAYER, OpenedFields, to_contract

VECTOR_SUFFIXES = (".gpkg", ".shp", ".geojson", ".json", ".kml", ".kmz", ".fgb", ".gdb")
MOST_CHECKED = 200_000  # features; a national layer is read through its index alone
PARQUET_SUFFIXES = (".parquet", ".geoparquet", ".pq")


def read_fields(
    path: str | Path,
    *,
    layer: str | None = None,
    columns: Mapping[str, str] | None = None,
    crs: str | None = None,
    area: Sequence[float] | None = None,
    part: bool = False,
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Read field boundaries as they are; `geo.ground.boundaries.clean_fields` repairs them.

    The fields have `field_id`, `name`, `irrigated`, `previous_crop`, `next_crop`, `source_area_ha` where the file
    states an area in a known unit, and `geometry` in the CRS of the file (None when not given).

    Parameters
    ----------
    path : path
        GeoPackage, Shapefile, GeoJSON, KML/KMZ, GeoParquet, FlatGeobuf, file geodatabase, or a zip or
        folder that holds one of them.
    layer : str, optional
        Default: the first one with polygons (KML: all folders).
    columns : mapping, optional
        Our column -> the file's column.
    crs : str, optional
        Overrules the file's own.
    area : sequence of 4 floats, optional
        West, south, east, north (degrees); fields that do not meet it are counted, not read.
    part : bool
        The area is one part of a region: it may hold no field, and fields of the other parts are not counted.

    Raises
    ------
    StudyError
        The file is missing, not readable, or lacks the layer or column asked for.
    """
    place = Path(path)
    if not place.exists():
        raise StudyError(
            "The field file does not exist.", str(place), "Check the path under [fields] in the study file."
        )
    override = _user_crs(crs, place)
    if place.suffix.lower() in PARQUET_SUFFIXES:
        opened = _read_parquet(place, override, area, part)
    else:
        opened = _read_vector(place, layer, override, area, part)
    return to_contract(opened, dict(columns or {}), place), opened.problems


def _user_crs(crs: str | None, place: Path) -> CRS | None:
    try:
        return None if crs is None else CRS.from_user_input(crs)
    except CRSError as error:
        raise StudyError(
            f"{crs!r} is not a coordinate reference system.", f"{place}: crs", 'Write it as "EPSG:4326" or as WKT.'
        ) from error


# ---------------------------------------------------------------- vector files read by GDAL


def _read_vector(
    place: Path, layer: str | None, crs: CRS | None, area: Sequence[float] | None, part: bool
) -> OpenedFields:
    source, others, layer_left = _find_source(place, layer)
    try:
        listed = pyogrio.list_layers(source)
    except DataSourceError as error:
        raise _unreadable(place, str(error)) from error
    is_kml = source.lower().endswith((".kml", ".kmz"))
    names = _choose_layers(listed, layer_left, is_kml, place)
    unread = [str(n) for n in listed[:, 0] if n not in names] + others
    problems = []
    if unread and layer is None:
        what = f"only {', '.join(names)} was read, not {', '.join(unread)}"
        problems.append(Problem(LAYER, place.name, what, "warning", "Name another one with layer = under [fields]."))
    pieces = [_read_layer(source, n, _box_in(area, crs or _layer_crs(source, n)), part) for n in names]
    if area is not None and not part and not any(len(p[0]) for p in pieces):
        # Nothing meets the area: coordinates may be exchanged or the CRS wrong. Let the checks say so.
        pieces = [_read_layer(source, n, None) for n in names]
    frames = [p[0] for p in pieces if len(p[0])] or [pieces[0][0]]
    frame = frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
    frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=frames[0].crs)
    opened = OpenedFields(_apply_crs(frame, crs, place, problems), problems=problems)
    closed = sum(p[1] for p in pieces)
    if closed:
        what = f"{closed} rings that did not end where they began were closed"
        problems.append(Problem(LAYER, place.name, what, "repaired", "Look at these fields on the map."))
    _count_skipped(opened, sum(p[2] for p in pieces), place)
    return opened


def _find_source(place: Path, layer: str | None) -> tuple[str, list[str], str | None]:
    """Return the GDAL path of the data set inside, the data sets passed over, and the layer still to find."""
    suffix = place.suffix.lower()
    if suffix == ".zip":
        inside, prefix = _zipped(place), f"/vsizip/{{{place.resolve()}}}/"
    elif place.is_dir() and suffix != ".gdb":
        inside = sorted(p.relative_to(place).as_posix() for p in place.rglob("*"))
        prefix = f"{place.resolve()}/"
    elif suffix == ".kmz":
        return _inside_kmz(place), [], layer
    elif suffix in VECTOR_SUFFIXES:
        return str(place), [], layer
    else:
        raise StudyError(
            f"Field files ending in {suffix or 'nothing'} are not known.",
            str(place),
            "Use GeoPackage, Shapefile (zip), GeoJSON, KML/KMZ, GeoParquet, FlatGeobuf or a file geodatabase.",
        )
    found: dict[str, None] = {}
    for name in inside:
        gdb = re.match(r"(.*?\.gdb)(/|$)", name, flags=re.IGNORECASE)
        if gdb:
            found[gdb[1]] = None
        elif Path(name).suffix.lower() in VECTOR_SUFFIXES and not Path(name).name.startswith("."):
            found[name] = None
    if not found:
        raise StudyError(
            "No field layer was found inside.", str(place), f"It should hold one of {', '.join(VECTOR_SUFFIXES)}."
        )
    sets = list(found)
    named = next((s for s in sets if layer is not None and Path(s).stem.lower() == layer.lower()), None)
    chosen = named or next((s for s in sets if _has_polygons(prefix + s)), sets[0])
    return prefix + chosen, [Path(s).stem for s in sets if s != chosen], None if named else layer


def _zipped(place: Path) -> list[str]:
    try:
        with zipfile.ZipFile(place) as archive:
            return [n for n in archive.namelist() if not n.startswith("__MACOSX/")]
    except zipfile.BadZipFile as error:
        raise _unreadable(place, "the zip is damaged or incomplete") from error


def _inside_kmz(place: Path) -> str:
    """Return the only KML in a KMZ: given the KMZ itself, GDAL misses a schema outside an inner document."""
    inside = [name for name in _zipped(place) if name.lower().endswith(".kml")]
    return f"/vsizip/{{{place.resolve()}}}/{inside[0]}" if len(inside) == 1 else str(place)


def _has_polygons(source: str) -> bool:
    try:
        return any(_is_areal(kind) for kind in pyogrio.list_layers(source)[:, 1])
    except DataSourceError:
        return False


def _is_areal(kind: str | None) -> bool:
    return kind is not None and any(word in kind for word in ("Polygon", "Surface", "Unknown", "Collection"))


def _choose_layers(listed: np.ndarray, layer: str | None, is_kml: bool, place: Path) -> list[str]:
    names = [str(n) for n in listed[:, 0]]
    if not names:
        raise StudyError(
            "The file holds no placemarks or features.",
            str(place),
            "A KML that only links to the web has no shapes: save the folder itself as KML.",
        )
    if layer is not None:
        same = [n for n in names if n.lower() == layer.lower()]
        if not same:
            raise StudyError(
                f"There is no layer {layer!r}.", f"{place}: layer", f"Layers in this file: {', '.join(names)}."
            )
        return same[:1]
    if is_kml:
        return names
    return [n for n, kind in zip(names, listed[:, 1], strict=True) if _is_areal(kind)][:1] or names[:1]


def _layer_crs(source: str, name: str) -> CRS | None:
    crs = pyogrio.read_info(source, layer=name)["crs"]
    return CRS.from_user_input(crs) if crs else None


def _read_layer(
    source: str, name: str, box: tuple[float, float, float, float] | None, part: bool = False
) -> tuple[gpd.GeoDataFrame, int, int]:
    """Return the layer, the number of rings that had to be closed, and of features outside `box`."""
    closed = 0
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # GDAL warns of unclosed rings; they are counted here
            shapeless = _without_shape(source, name) if box is not None and not part else None
            frame = pyogrio.read_dataframe(source, layer=name, bbox=box, on_invalid="ignore")
            if isinstance(frame, gpd.GeoDataFrame) and frame.geometry.isna().any():
                again = pyogrio.read_dataframe(source, layer=name, bbox=box, on_invalid="fix")
                closed = int((frame.geometry.isna() & again.geometry.notna()).sum())
                frame = again
            if shapeless is not None and isinstance(frame, gpd.GeoDataFrame) and len(frame):
                frame = gpd.GeoDataFrame(pd.concat([frame, shapeless], ignore_index=True), crs=frame.crs)
    except (DataSourceError, DataLayerError, shapely.errors.GEOSException, UnicodeDecodeError) as error:
        raise _unreadable(Path(source), str(error)) from error
    if not isinstance(frame, gpd.GeoDataFrame):
        raise StudyError(f"Layer {name!r} is a table without shapes.", source, "Choose a polygon layer with layer =.")
    skipped = 0 if box is None or part else _feature_count(source, name) - len(frame)
    return frame, closed, skipped


def _feature_count(source: str, name: str) -> int:
    return int(pyogrio.read_info(source, layer=name, force_feature_count=True)["features"])


def _without_shape(source: str, name: str) -> gpd.GeoDataFrame | None:
    """Return the features without geometry: a spatial filter drops them unseen.

    Going through all features also shows a file that was cut short, which looks whole through its spatial index.
    """
    if _feature_count(source, name) > MOST_CHECKED:
        return None
    ids, bounds = pyogrio.read_bounds(source, layer=name)
    lost = ids[~np.isfinite(bounds).all(axis=0) | (bounds == 0).all(axis=0)]  # an empty polygon gives zeros
    frame = pyogrio.read_dataframe(source, layer=name, fids=lost) if lost.size else None
    return frame if isinstance(frame, gpd.GeoDataFrame) else None


def _box_in(area: Sequence[float] | None, crs: CRS | None) -> tuple[float, float, float, float] | None:
    if area is None or crs is None:
        return None
    box = transform_bounds("EPSG:4326", crs.to_wkt(), *area, densify_pts=21)
    return box if np.isfinite(box).all() else None


def _unreadable(place: Path, why: str) -> StudyError:
    return StudyError(
        f"The field file cannot be read: {why}", str(place), "Open it in a GIS and save it as GeoPackage."
    )


# ---------------------------------------------------------------- GeoParquet


def _read_parquet(place: Path, crs: CRS | None, area: Sequence[float] | None, part: bool) -> OpenedFields:
    """Read GeoParquet, with the open field-boundary names: 0.2 states `area` in ha, 0.3 `metrics:area` in m2."""
    try:
        metadata = pq.read_schema(place).metadata or {}
        if b"geo" not in metadata:
            raise StudyError(
                "The Parquet file has no geometry metadata.",
                str(place),
                "Write it as GeoParquet (geopandas to_parquet).",
            )
        frame = gpd.read_parquet(place, bbox=_covered_box(metadata, crs, area) if part else None)
    except (OSError, ValueError) as error:
        raise _unreadable(place, str(error)) from error
    problems: list[Problem] = []
    frame = frame if frame.geometry.name == "geometry" else frame.rename_geometry("geometry")
    frame = _apply_crs(frame, crs, place, problems)
    skipped = 0
    box = _box_in(area, CRS.from_user_input(frame.crs) if frame.crs else None)
    if box is not None:
        keep = frame.geometry.intersects(shapely.box(*box))
        if not part:
            keep |= frame.geometry.isna() | frame.geometry.is_empty
        if part or keep.any():
            frame, skipped = frame.loc[keep].reset_index(drop=True), int((~keep).sum())
    constants = json.loads(metadata.get(b"collection", b"{}"))
    units = {"area": 1.0} if b"fiboa" in metadata else {}
    opened = OpenedFields(
        frame, {k: v for k, v in constants.items() if isinstance(v, str | int | float)}, units, problems
    )
    _count_skipped(opened, 0 if part else skipped, place)
    return opened


def _covered_box(
    metadata: dict[bytes, bytes], crs: CRS | None, area: Sequence[float] | None
) -> tuple[float, float, float, float] | None:
    """Return the box to read by, where the file says the extent of each row (GeoParquet 1.1, covering)."""
    geo = json.loads(metadata[b"geo"])
    main = geo["columns"][geo["primary_column"]]
    if "covering" not in main or (crs is None and main.get("crs", "") is None):
        return None
    return _box_in(area, crs or CRS.from_user_input(main.get("crs", "OGC:CRS84")))


def _apply_crs(frame: gpd.GeoDataFrame, crs: CRS | None, place: Path, problems: list[Problem]) -> gpd.GeoDataFrame:
    if crs is None:
        return frame
    if frame.crs is not None and not crs.equals(frame.crs, ignore_axis_order=True):
        what = f"the file says {frame.crs.name}, the study file {crs.name}; the study file counts"
        problems.append(
            Problem(LAYER, place.name, what, "warning", "Remove crs = under [fields] if the file is right.")
        )
    return frame.set_crs(crs, allow_override=True)


def _count_skipped(opened: OpenedFields, skipped: int, place: Path) -> None:
    if skipped:
        what = f"{skipped} fields do not meet the study area and were not read"
        opened.problems.append(Problem(LAYER, place.name, what, "warning", "Enlarge the study area to include them."))
