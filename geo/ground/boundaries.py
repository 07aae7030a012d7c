"""Field boundaries as they come in: what is repaired, what is left out, and why."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Geod

from geo.errors import Action, CrsError, Problem, StudyError
from geo.ground.polygons import joined, leaves, polygon_parts

LAYER = "fields"
COLUMNS = ["field_id", "name", "irrigated", "previous_crop", "next_crop", "area_ha", "geometry"]
# Outside these a polygon is a digitising slip or an outline, not a field (common practice, no source).
MIN_AREA_HA = 0.1
MIN_WIDTH_M = 3.0
LARGE_AREA_HA = 5000.0
MAX_AREA_CHANGE = 0.01
# A drawn path counts as a boundary when its ends are this close, as a share of its length.
MAX_GAP_SHARE = 0.05
SAME_PLACE_M = 0.1
_GEOD = Geod(ellps="WGS84")


class _Rows:
    """The rows still in, with every drop and repair written down."""

    def __init__(self, frame: gpd.GeoDataFrame) -> None:
        self.frame = frame
        self.problems: list[Problem] = []

    @property
    def geometry(self) -> NDArray[np.object_]:
        return np.asarray(self.frame.geometry.to_numpy(), dtype=object)

    def note(self, mask: NDArray[np.bool_], what: str | list[str], action: Action, fix: str) -> None:
        texts = [what] * int(mask.sum()) if isinstance(what, str) else what
        ids = self.frame["field_id"].to_numpy()[mask]
        self.problems += [Problem(LAYER, str(i), w, action, fix) for i, w in zip(ids, texts, strict=True)]

    def drop(self, mask: NDArray[np.bool_], what: str | list[str], fix: str) -> None:
        self.note(mask, what, "left out", fix)
        self.frame = self.frame.loc[~mask]

    def replace(self, mask: NDArray[np.bool_], new: NDArray[np.object_], crs: CRS) -> None:
        geometry = self.geometry.copy()
        geometry[mask] = new
        self.frame = self.frame.set_geometry(gpd.GeoSeries(geometry, index=self.frame.index, crs=crs))


def clean_fields(
    fields: gpd.GeoDataFrame,
    study_crs: str | CRS,
    *,
    study_area: Sequence[float] | None = None,
    min_area_ha: float = MIN_AREA_HA,
    min_width_m: float = MIN_WIDTH_M,
    max_area_change: float = MAX_AREA_CHANGE,
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Check field boundaries, repair what is safe, and list every change.

    Rows in = rows out + rows listed as ``left out``; a row is left out once, with one reason.

    Parameters
    ----------
    fields : GeoDataFrame
        `field_id`, `name`, `irrigated`, `previous_crop`, `next_crop` (absent ones are filled), any geometry;
        optional `source_area_ha`, the area that the file states.
    study_crs : str or pyproj.CRS
        Projected CRS in metres.
    study_area : sequence of 4 floats, optional
        West, south, east, north (degrees). Separates exchanged coordinates and a wrong CRS from a distant field.
    min_area_ha, min_width_m : float
        A polygon smaller (ha) or on average narrower (m) than this is a sliver.
    max_area_change : float
        A repair that changes the area by a larger share is not safe.

    Returns
    -------
    fields : GeoDataFrame
        Columns `field_id` (unique), `name`, `irrigated`, `previous_crop`, `next_crop`, `area_ha`
        (geodesic), `geometry` ((Multi)Polygon in `study_crs`), in the order read.
    problems : list of Problem

    Raises
    ------
    CrsError
        The layer has no CRS, or coordinates that contradict it.
    StudyError
        No field is within the study area.
    """
    target = CRS.from_user_input(study_crs)
    if fields.crs is None:
        raise _no_crs(fields)
    rows = _Rows(_fill_columns(fields))
    _unique_ids(rows)
    geometry = rows.geometry
    rows.drop(shapely.is_missing(geometry) | shapely.is_empty(geometry), "has no geometry", "Draw the field again.")
    points, owner = shapely.get_coordinates(rows.geometry, return_index=True)
    holed = np.isin(np.arange(len(rows.frame)), owner[~np.isfinite(points).all(axis=1)])
    rows.drop(holed, "has a corner without coordinates", "Draw the field again.")
    _flatten(rows)
    _make_polygons(rows)
    _place(rows, study_area)
    rows.frame = rows.frame.to_crs(target)
    _repair(rows, target, max_area_change)
    rows.frame["area_ha"] = geodesic_area_ha(rows.frame.geometry)
    _compare_areas(rows)
    _check_sizes(rows, min_area_ha, min_width_m)
    _drop_duplicates(rows)
    _list_overlaps(rows)
    return rows.frame[COLUMNS].reset_index(drop=True), rows.problems


def geodesic_area_ha(geometry: gpd.GeoSeries) -> NDArray[np.float64]:
    """Return the area of each polygon on the WGS84 ellipsoid (ha), whatever its CRS.

    Source: Karney (2013), J. Geodesy 87:43-55, doi:10.1007/s00190-012-0578-z, as computed by PROJ.
    """
    shapes = shapely.orient_polygons(shapely.force_2d(np.asarray(geometry.to_crs("EPSG:4326").to_numpy())))
    return np.array([abs(_GEOD.geometry_area_perimeter(s)[0]) / 1e4 for s in shapes], dtype=float)


def _no_crs(fields: gpd.GeoDataFrame) -> CrsError:
    left, bottom, right, top = fields.total_bounds
    looks = "Ask the sender for it."
    if _within_degrees(np.array([[left, bottom, right, top]])).all():
        looks = "The coordinates look like degrees: EPSG:4326 is likely."
    elif np.isfinite(left):
        looks = "The coordinates look projected (metres or feet): the sender's .prj file or map says which."
    return CrsError("The field layer does not say its coordinate reference system.", "fields", looks)


def _fill_columns(fields: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return a copy with all contract columns, text without blanks around it."""
    frame = gpd.GeoDataFrame(geometry=fields.geometry.to_numpy(), crs=fields.crs)
    for column in ("field_id", "name", "previous_crop", "next_crop"):
        given = fields[column] if column in fields else pd.Series("", index=fields.index)
        frame[column] = given.fillna("").astype(str).str.strip().to_numpy(dtype=object)
    if "source_area_ha" in fields:
        frame["source_area_ha"] = pd.to_numeric(fields["source_area_ha"], errors="coerce").to_numpy(float)
    frame["irrigated"] = fields["irrigated"].fillna(False).astype(bool).to_numpy() if "irrigated" in fields else False
    return frame


def _unique_ids(rows: _Rows) -> None:
    """Give missing and repeated ids a new one; the first of a repeated id keeps it."""
    old = rows.frame["field_id"].tolist()
    taken = set(old) - {""}
    seen: set[str] = set()
    new, changed, what = [], np.zeros(len(old), dtype=bool), []
    for i, field_id in enumerate(old):
        fresh = field_id
        if not field_id or field_id in seen:
            stem, n = (field_id, 2) if field_id else ("field", i + 1)
            while (fresh := f"{stem}-{n}") in taken:
                n += 1
            changed[i] = True
            what.append(f"has the id {field_id!r} of another field" if field_id else f"row {i + 1} has no field id")
        taken.add(fresh)
        seen.add(fresh)
        new.append(fresh)
    rows.frame["field_id"] = pd.array(new, dtype=object)
    rows.note(changed, what, "repaired", "Give each field its own id, so that results can be joined back.")
    rows.frame["name"] = rows.frame["name"].where(rows.frame["name"] != "", rows.frame["field_id"])


def _flatten(rows: _Rows) -> None:
    geometry = rows.geometry
    tall = shapely.has_z(geometry) | shapely.has_m(geometry)
    if not tall.any():
        return
    what, fix = "height or measure values were dropped", "No action is needed: only the outline is used."
    if tall.all() and len(tall) > 1:
        rows.problems.append(Problem(LAYER, f"all {len(tall)} fields", what, "repaired", fix))
    else:
        rows.note(tall, what, "repaired", fix)
    rows.replace(tall, shapely.force_2d(geometry[tall]), rows.frame.crs)


def _make_polygons(rows: _Rows) -> None:
    """Turn closed paths and the polygons of collections into boundaries; drop points and open lines."""
    geometry = rows.geometry
    kind = shapely.get_type_id(geometry)
    other = ~np.isin(kind, (3, 6))
    if not other.any():
        return
    new = np.array([_as_polygon(g) for g in geometry[other]], dtype=object)
    done = np.array([g is not None for g in new], dtype=bool)
    fixed, lost = other.copy(), other.copy()
    fixed[other], lost[other] = done, ~done
    names = [g.geom_type for g in geometry[fixed]]
    rows.note(
        fixed,
        [f"is a {n}; its closed outline was taken as the boundary" for n in names],
        "repaired",
        "Look at the field on the map.",
    )
    rows.replace(fixed, new[done], rows.frame.crs)
    names = [g.geom_type for g in geometry[lost]]
    rows.drop(lost, [f"is a {n}, not an area" for n in names], "Draw the field as a closed polygon.")


def _as_polygon(shape: shapely.Geometry) -> shapely.Geometry | None:
    if parts := polygon_parts(shape):
        return joined(parts)
    lines = [p for p in leaves(shape) if p.geom_type in ("LineString", "LinearRing")]
    rings = []
    for line in lines:
        points = shapely.get_coordinates(line)
        gap = float(np.hypot(*(points[0] - points[-1])))
        if len(np.unique(points, axis=0)) < 3 or gap > MAX_GAP_SHARE * line.length:
            return None
        rings.append(shapely.Polygon(points))
    return joined(rings)


def _place(rows: _Rows, study_area: Sequence[float] | None) -> None:
    """Check that coordinates agree with the CRS and the study area; turn exchanged ones round."""
    crs = rows.frame.crs
    bounds = shapely.bounds(rows.geometry)
    in_degrees = _within_degrees(bounds)
    if not len(bounds):
        return
    if not crs.is_geographic:
        if in_degrees.all():
            raise CrsError(
                f"The field layer says {crs.name}, but its coordinates are degrees.",
                "fields",
                "Its CRS is likely EPSG:4326.",
            )
    else:
        turned = bounds[:, [1, 0, 3, 2]]
        swapped = ~in_degrees & _within_degrees(turned)
        if not (in_degrees | swapped).any():
            raise CrsError(
                f"The field layer says {crs.name}, but its coordinates are not degrees "
                f"(x from {bounds[:, 0].min():.0f} to {bounds[:, 2].max():.0f}).",
                "fields",
                "Use the projected CRS that it was drawn in.",
            )
        if study_area is not None:
            swapped |= in_degrees & ~_meets(bounds, study_area) & _meets(turned, study_area)
        rows.note(
            swapped,
            "latitude and longitude were exchanged; turned round",
            "repaired",
            "Look at the field on the map.",
        )
        geometry = rows.geometry
        rows.replace(swapped, shapely.transform(geometry[swapped], lambda xy: xy[:, ::-1]), crs)
        rows.drop(
            ~(in_degrees | swapped),
            "has coordinates that are not degrees",
            "Save the field again in the layer's CRS.",
        )
    outside = ~np.isfinite(rows.frame.geometry.to_crs("EPSG:4326").bounds.to_numpy(float)).all(axis=1)
    rows.drop(outside, f"has coordinates outside the area of {crs.name}", "Check the CRS of the field layer.")
    if study_area is None or rows.frame.empty:
        return
    far = ~_meets(rows.frame.geometry.to_crs("EPSG:4326").bounds.to_numpy(), study_area)
    if far.all():
        west, south, east, north = study_area
        raise StudyError(
            f"None of the {len(far)} fields lies in the study area "
            f"({west:.2f} to {east:.2f} east, {south:.2f} to {north:.2f} north).",
            "fields",
            "Check the CRS of the field layer and that it is of this county.",
        )
    rows.note(far, "lies outside the study area", "warning", "It gets no zone. Enlarge the study area or remove it.")


def _within_degrees(bounds: NDArray[np.float64]) -> NDArray[np.bool_]:
    limits = np.array([180.0, 90.0, 180.0, 90.0])
    return np.asarray((np.abs(bounds) <= limits).all(axis=1))


def _meets(bounds: NDArray[np.float64], area: Sequence[float]) -> NDArray[np.bool_]:
    west, south, east, north = area
    met = (bounds[:, 0] <= east) & (bounds[:, 2] >= west) & (bounds[:, 1] <= north) & (bounds[:, 3] >= south)
    return np.asarray(met)


def _repair(rows: _Rows, crs: CRS, max_area_change: float) -> None:
    geometry = rows.geometry
    bad = ~shapely.is_valid(geometry)
    if not bad.any():
        return
    why = [shapely.is_valid_reason(g).split("[")[0].strip().lower() for g in geometry[bad]]
    before = shapely.area(geometry[bad])
    fixed = shapely.make_valid(geometry[bad], method="structure", keep_collapsed=False)
    new = np.array([joined(polygon_parts(g)) for g in fixed], dtype=object)
    after = np.array([0.0 if g is None else g.area for g in new])
    with np.errstate(divide="ignore", invalid="ignore"):
        change = np.where(before > 0, np.abs(after - before) / before, np.inf)
    safe = (change <= max_area_change) & (after > 0)
    good, lost = bad.copy(), bad.copy()
    good[bad], lost[bad] = safe, ~safe
    rows.note(
        good,
        [f"{w}; made valid, area changed by {c:.2%}" for w, c, s in zip(why, change, safe, strict=True) if s],
        "repaired",
        "Look at the field on the map.",
    )
    rows.replace(good, new[safe], crs)
    what = [
        f"{w}; a repair would change the area from {b / 1e4:.2f} to {a / 1e4:.2f} ha"
        for w, b, a, s in zip(why, before, after, safe, strict=True)
        if not s
    ]
    rows.drop(lost, what, "Redraw the boundary so that it does not cross itself.")


def _compare_areas(rows: _Rows, tolerance: float = 0.05) -> None:
    """List fields whose recorded area is not that of their outline; the outline counts."""
    if "source_area_ha" not in rows.frame:
        return
    recorded = rows.frame["source_area_ha"].to_numpy(float)
    area = rows.frame["area_ha"].to_numpy(float)
    differ = np.isfinite(recorded) & (np.abs(recorded - area) > tolerance * np.maximum(area, 0.2))
    what = [
        f"is recorded as {r:.2f} ha, its outline covers {a:.2f} ha"
        for r, a in zip(recorded[differ], area[differ], strict=True)
    ]
    rows.note(differ, what, "warning", "The outline is used. Check the boundary or the record.")


def _check_sizes(rows: _Rows, min_area_ha: float, min_width_m: float) -> None:
    geometry = rows.geometry
    area = rows.frame["area_ha"].to_numpy(float)
    perimeter = shapely.length(geometry)
    width = np.divide(2 * area * 1e4, perimeter, out=np.zeros_like(area), where=perimeter > 0)
    rows.note(
        area > LARGE_AREA_HA,
        f"covers more than {LARGE_AREA_HA:,.0f} ha, as a county or a ranch does, not a field",
        "warning",
        "Remove it if it is an outline of something else.",
    )
    small = area < min_area_ha
    thin = ~small & (width < min_width_m)
    what = [
        f"covers {a:.3f} ha, less than {min_area_ha:g} ha" if s else f"is a sliver {w:.1f} m wide on average"
        for a, w, s, t in zip(area, width, small, thin, strict=True)
        if s or t
    ]
    rows.drop(small | thin, what, "Merge it with the field it belongs to, if it is one.")


def _drop_duplicates(rows: _Rows) -> None:
    """Keep the first of fields with the same outline to a tenth of a metre (several years of one layer)."""
    rounded = shapely.normalize(shapely.transform(rows.geometry, lambda xy: np.round(xy / SAME_PLACE_M)))
    first: dict[bytes, str] = {}
    again, what = np.zeros(len(rounded), dtype=bool), []
    for i, (field_id, key) in enumerate(zip(rows.frame["field_id"], shapely.to_wkb(rounded), strict=True)):
        if key in first:
            again[i] = True
            what.append(f"has the same boundary as field {first[key]}")
        else:
            first[key] = field_id
    rows.drop(again, what, "Keep one of them, for instance the newest year.")


def _list_overlaps(rows: _Rows, min_share: float = 0.01, min_ha: float = 0.05) -> None:
    """List pairs that share ground beyond what neighbours digitised apart do (common practice, no source)."""
    geometry = rows.geometry
    left, right = shapely.STRtree(geometry).query(geometry, predicate="intersects")
    pair = left < right
    left, right = left[pair], right[pair]
    shared = shapely.area(shapely.intersection(geometry[left], geometry[right])) / 1e4
    area = rows.frame["area_ha"].to_numpy(float)
    smaller = np.minimum(area[left], area[right])
    ids = rows.frame["field_id"].to_numpy()
    fix = "Both are kept; their acres count twice in the totals. Cut or remove one."
    for a, b, ha in sorted(
        (a, b, ha)
        for a, b, ha, least in zip(left, right, shared, smaller, strict=True)
        if ha > max(min_share * least, min_ha)
    ):
        rows.problems.append(Problem(LAYER, str(ids[b]), f"overlaps field {ids[a]} on {ha:.2f} ha", "warning", fix))
