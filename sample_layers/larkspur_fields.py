"""Field boundaries of invented Larkspur County: quarter sections, halves, pivots and odd corners."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes
from scipy import ndimage
from shapely.geometry import MultiPolygon, Point, Polygon, box, shape
from shapely.geometry.base import BaseGeometry

from sample_layers.larkspur_frame import MILE_M, Frame
from sample_layers.larkspur_terrain import CODE, LANDFORMS, Ground

HALF_MILE_M = MILE_M / 2
ROAD_HALF_M = 10.0  # a county road on every section line
LANE_HALF_M = 3.0  # a track between quarters
FIELDS_CRS = "EPSG:32613"
SMALLEST_HA = 2.0

# word for the name, and how likely the ground is farmed (relative)
LAND = {
    "tableland": ("table", 1.0),
    "slopes": ("draw", 0.3),
    "swale": ("swale", 1.0),
    "loam plain": ("plain", 1.0),
    "clay plain": ("gumbo", 0.8),
    "sand sheet": ("sand", 0.7),
    "sandhills": ("dune", 0.10),
    "playa": ("basin", 0.5),
    "bottom": ("bottom", 1.5),
    "terrace": ("terrace", 1.6),
    "breaks": ("breaks", 0.06),
    "bench": ("bench", 0.9),
    "pit": ("pit", 0.0),
    "town": ("town", 0.0),
    "water": ("river", 0.0),
}
NOT_PLOUGHED = ("breaks", "slopes", "pit", "town", "water")
PREVIOUS = {"winter wheat": 0.70, "triticale": 0.08, "barley": 0.08, "oat": 0.07, "rye": 0.04, "spring wheat": 0.03}
NEXT = {
    "grain sorghum": 0.32,
    "corn": 0.27,
    "proso millet": 0.16,
    "sunflower": 0.12,
    "field pea": 0.07,
    "spring wheat": 0.06,
}


@dataclass
class _Plan:
    """Fields drawn so far."""

    wanted: int
    geometry: list[BaseGeometry] = field(default_factory=list)
    irrigated: list[bool] = field(default_factory=list)
    kind: list[str] = field(default_factory=list)

    def add(self, geometry: BaseGeometry, kind: str, irrigated: bool = False) -> bool:
        if len(self.geometry) >= self.wanted or geometry.area < SMALLEST_HA * 1e4:
            return False
        self.geometry.append(geometry)
        self.kind.append(kind)
        self.irrigated.append(irrigated)
        return True


def _block(column: int, row: int, wide: int, high: int) -> Polygon:
    """Return `wide` x `high` quarters from the quarter (column, row) on, less the roads around them."""
    west, south = column * HALF_MILE_M, row * HALF_MILE_M
    east, north = west + wide * HALF_MILE_M, south + high * HALF_MILE_M

    def gap(index: int) -> float:
        return ROAD_HALF_M if index % 2 == 0 else LANE_HALF_M

    return box(west + gap(column), south + gap(row), east - gap(column + wide), north - gap(row + high))


def _waste(frame: Frame, ground: Ground) -> shapely.STRtree:
    """Return the ground that no plough crosses, as rounded polygons in an index."""
    mask = np.isin(ground.landform, [CODE[n] for n in NOT_PLOUGHED])
    mask = ndimage.binary_opening(mask, iterations=2) | (ground.landform == CODE["water"])
    found = shapes(mask.astype(np.uint8), mask=mask, connectivity=8, transform=frame.transform)
    rough = np.array([shape(s) for s, _ in found])
    return shapely.STRtree(shapely.simplify(shapely.buffer(shapely.simplify(rough, 70), 25, quad_segs=3), 12))


def _arable(block: BaseGeometry, waste: shapely.STRtree) -> BaseGeometry:
    near = waste.geometries[waste.query(block, predicate="intersects")]
    if not len(near):
        return block
    left = block.difference(shapely.union_all(near)).buffer(-12).buffer(12, join_style="mitre").intersection(block)
    parts = [p for p in getattr(left, "geoms", [left]) if isinstance(p, Polygon)]
    return shapely.simplify(max(parts, key=lambda p: p.area), 4) if parts else Polygon()


def _farmstead(rng: np.random.Generator, block: BaseGeometry) -> BaseGeometry:
    """Cut a yard out of the middle of a field."""
    west, south, east, north = block.bounds
    x, y = rng.uniform(west + 150, east - 300), rng.uniform(south + 150, north - 300)
    yard = box(x, y, x + rng.uniform(80, 150), y + rng.uniform(80, 150))
    return block.difference(yard) if block.buffer(-20).contains(yard) else block


def _pivot(rng: np.random.Generator, plan: _Plan, block: Polygon, waste: shapely.STRtree) -> None:
    west, south, east, north = block.bounds
    radius = min(east - west, north - south) / 2 - 1
    circle = Point((west + east) / 2, (south + north) / 2).buffer(radius, quad_segs=20)
    blocked = len(waste.query(circle, predicate="intersects")) > 0
    if blocked:  # the sprinkler turns back where it meets the draw
        circle = _arable(circle, waste)
    if not plan.add(circle, "pivot", True) or rng.random() > 0.7 or blocked:
        return
    corners = block.difference(circle.buffer(6))
    parts = [p for p in getattr(corners, "geoms", [corners]) if p.area > 3000]
    if rng.random() < 0.6:
        plan.add(MultiPolygon(parts), "corners")
    else:
        plan.add(parts[int(rng.integers(len(parts)))], "corner")


def _strips(plan: _Plan, block: Polygon, count: int) -> None:
    west, south, east, north = block.bounds
    edges = np.linspace(west, east, count + 1)
    for a, b in zip(edges, edges[1:], strict=False):
        plan.add(box(a + 1.5, south, b - 1.5, north), "strip")


def draw_fields(rng: np.random.Generator, frame: Frame, ground: Ground, wanted: int) -> gpd.GeoDataFrame:
    """Return exactly `wanted` fields that do not overlap, in `FIELDS_CRS`.

    Columns `field_id`, `name`, `irrigated`, `previous_crop`, `next_crop`, `geometry`.

    Raises
    ------
    ValueError
        When the county is too small for so many fields.
    """
    waste = _waste(frame, ground)
    plan = _Plan(wanted)
    quarters = 2 * frame.miles
    farmed = np.array([LAND[n][1] for n in LANDFORMS])[ground.landform]
    size = frame.pixels / quarters
    odds = np.zeros((quarters, quarters))
    for row in range(quarters):
        for column in range(quarters):
            r0, c0 = int((quarters - 1 - row) * size), int(column * size)
            odds[row, column] = farmed[r0 : r0 + int(size), c0 : c0 + int(size)].mean()
    # weighted order without replacement (exponential clocks)
    order = np.argsort(rng.exponential(size=odds.size) / np.maximum(odds.ravel() ** 1.5, 1e-6), kind="stable")
    free = np.ones((quarters, quarters), bool)
    for index in order:
        if len(plan.geometry) >= wanted:
            break
        row, column = divmod(int(index), quarters)
        if free[row, column] and odds[row, column] > 0.02:
            _draw_block(rng, plan, free, row, column, waste)
    if len(plan.geometry) < wanted:
        raise ValueError(f"only {len(plan.geometry)} fields fit into {frame.miles} x {frame.miles} miles")
    return _finish(rng, frame, ground, plan)


def _draw_block(
    rng: np.random.Generator, plan: _Plan, free: NDArray[np.bool_], row: int, column: int, waste: shapely.STRtree
) -> None:
    choice = rng.random()
    r0, c0 = row - row % 2, column - column % 2
    wide = high = 1
    if choice < 0.04 and free[r0 : r0 + 2, c0 : c0 + 2].all():
        row, column, wide, high = r0, c0, 2, 2
    elif choice < 0.14 and free[row, c0 : c0 + 2].all():
        column, wide = c0, 2
    elif choice < 0.22 and free[r0 : r0 + 2, column].all():
        row, high = r0, 2
    free[row : row + high, column : column + wide] = False
    block = _block(column, row, wide, high)
    whole = not len(waste.query(block, predicate="intersects"))
    if 0.22 <= choice < 0.38 or (wide == high == 2 and choice < 0.02):
        _pivot(rng, plan, block, waste)
    elif choice >= 0.90 and whole and wide == high == 1:
        _strips(plan, block, 2 if choice < 0.97 else 4)
    elif 0.38 <= choice < 0.44 and whole:
        plan.add(_farmstead(rng, block), "block")
    else:
        arable = _arable(block, waste)
        if arable.area > 0.12 * block.area:
            plan.add(arable, "block", bool(rng.random() < 0.02))


def _finish(rng: np.random.Generator, frame: Frame, ground: Ground, plan: _Plan) -> gpd.GeoDataFrame:
    centre = np.array([g.representative_point().coords[0] for g in plan.geometry])
    order = np.lexsort((centre[:, 0], -np.round(centre[:, 1] / HALF_MILE_M)))
    names: list[str] = []
    count: Counter[str] = Counter()
    for i in order:
        x, y = centre[i]
        pixel = ground.landform[int((frame.side_m - y) / frame.pixel_m), int(x / frame.pixel_m)]
        ns = "South" if y < frame.side_m / 3 else "North" if y > frame.side_m * 2 / 3 else ""
        ew = "west" if x < frame.side_m / 3 else "east" if x > frame.side_m * 2 / 3 else ""
        place = (ns + ew).capitalize() or "Middle"
        tail = "" if plan.kind[i] == "block" else f" {plan.kind[i]}"
        stem = f"{place} {LAND[LANDFORMS[pixel]][0]}{tail}"
        count[stem] += 1
        names.append(f"{stem} {count[stem]}")
    data: dict[str, Any] = {
        "field_id": [f"LK-{n:04d}" for n in range(1, len(order) + 1)],
        "name": names,
        "irrigated": [plan.irrigated[i] for i in order],
        "previous_crop": rng.choice(list(PREVIOUS), order.size, p=list(PREVIOUS.values())),
        "next_crop": rng.choice(list(NEXT), order.size, p=list(NEXT.values())),
    }
    geometry = frame.lonlat(np.array([plan.geometry[i] for i in order]))
    fields = gpd.GeoDataFrame(data, geometry=geometry, crs="EPSG:4326").to_crs(FIELDS_CRS)
    fields.geometry = shapely.set_precision(fields.geometry.to_numpy(), 0.01)
    return fields


def write_fields(fields: gpd.GeoDataFrame, path: Path, note: str) -> None:
    """Write the fields as a GeoPackage with a fixed date, so that the same seed gives the same bytes."""
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2000-01-01T00:00:00.000Z"})
    try:
        pyogrio.write_dataframe(
            fields, path, layer="fields", driver="GPKG", DESCRIPTION=note, layer_metadata={"comment": note}
        )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
