"""Ground of invented Larkspur County: river, drains, landforms and elevation, drawn from seeded noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.features import rasterize
from rasterio.transform import from_origin
from scipy import ndimage
from shapely.geometry import LineString, Point, Polygon, box

from sample_layers.larkspur_frame import (
    LAT_DEGREE_M,
    LON_DEGREE_M,
    MILE_M,
    Floats,
    Frame,
    as_share,
    noise,
    smoothstep,
)

LANDFORMS = (
    "tableland",
    "slopes",
    "swale",
    "loam plain",
    "clay plain",
    "sand sheet",
    "sandhills",
    "playa",
    "bottom",
    "terrace",
    "breaks",
    "bench",
    "pit",
    "town",
    "water",
)
CODE = {name: code for code, name in enumerate(LANDFORMS)}


@dataclass(frozen=True)
class Ground:
    """What the ground looks like.

    Attributes
    ----------
    landform : ndarray of uint8
        Index into `LANDFORMS` on the drawing grid.
    elevation_m : ndarray
        On the drawing grid.
    river : LineString
        Centre line, m.
    reservoirs : list of Polygon
        Standing water, m.
    """

    landform: NDArray[np.uint8]
    elevation_m: Floats
    river: LineString
    reservoirs: list[Polygon]


def draw_river(rng: np.random.Generator, frame: Frame) -> LineString:
    """Return a river that enters in the west and leaves in the east."""
    x = np.arange(-2000.0, frame.side_m + 2000.0, 150.0)
    swing = ndimage.gaussian_filter1d(rng.standard_normal(x.size), 25)
    meander = ndimage.gaussian_filter1d(rng.standard_normal(x.size), 4)
    y = frame.side_m * (0.36 + 0.16 * x / frame.side_m)
    return LineString(np.column_stack([x, y + 1300 * swing / swing.std() + 170 * meander / meander.std()]))


def _branch(rng: np.random.Generator, frame: Frame, start: Floats, heading: float, length_m: float) -> LineString:
    steps = max(4, int(length_m / 150))
    turn = ndimage.gaussian_filter1d(rng.standard_normal(steps), 4)
    angle = heading + np.cumsum(turn) * 0.12
    path = start + np.cumsum(np.column_stack([np.cos(angle), np.sin(angle)]) * 150, axis=0)
    return LineString(np.vstack([start, path]))


def draw_drains(
    rng: np.random.Generator, frame: Frame, river: LineString
) -> tuple[list[LineString], list[LineString]]:
    """Return the creeks that reach the river, and the small drains that reach the creeks."""
    creeks, drains = [], []
    count = round(frame.miles * 0.42)
    for i in range(count):
        at = (i + rng.uniform(0.2, 0.8)) / count
        start = np.array(river.interpolate(at, normalized=True).coords[0])
        side = 1 if i % 2 else -1
        room = frame.side_m - start[1] if side > 0 else start[1]
        heading = side * np.pi / 2 + rng.normal(0.25 * side, 0.3)
        creeks.append(_branch(rng, frame, start, heading, room * rng.uniform(0.45, 0.9)))
    for creek in creeks:
        for _ in range(int(creek.length / 2600)):
            at = rng.uniform(0.15, 0.97)
            a, b = (np.array(creek.interpolate(at + d, normalized=True).coords[0]) for d in (0.0, 0.02))
            along = np.arctan2(b[1] - a[1], b[0] - a[0])
            heading = along + rng.choice([-1.0, 1.0]) * rng.uniform(0.6, 1.3)
            drains.append(_branch(rng, frame, a, heading, rng.uniform(1200, 4200)))
    return creeks, drains


def _distance(frame: Frame, lines: list[LineString]) -> Floats:
    hit = rasterize(lines, (frame.pixels, frame.pixels), transform=frame.transform, all_touched=True, dtype="uint8")
    return ndimage.distance_transform_edt(hit == 0) * frame.pixel_m


def _burn(frame: Frame, landform: NDArray[np.uint8], shapes: list[Polygon], name: str) -> None:
    if shapes:
        hit = rasterize(shapes, landform.shape, transform=frame.transform, dtype="uint8")
        landform[hit == 1] = CODE[name]


def draw_ground(rng: np.random.Generator, frame: Frame, bench: Mapping[str, float]) -> Ground:
    """Return landforms and elevation.

    Parameters
    ----------
    rng : Generator
        Source of every random number.
    frame : Frame
        The county.
    bench : mapping
        Where the high bench lies: `u`, `v` (shares of the side) and `radius` (share of the side).
    """
    x, y = frame.grid_xy()
    u, v = x / frame.side_m, y / frame.side_m
    river = draw_river(rng, frame)
    creeks, drains = draw_drains(rng, frame, river)
    far, creek_far, drain_far = _distance(frame, [river]), _distance(frame, creeks), _distance(frame, drains)
    wide, mid, fine = noise(rng, frame, 9000), noise(rng, frame, 4000), noise(rng, frame, 1500)

    bottom_w = 650 + 180 * mid
    terrace_w = bottom_w + 1300 + 450 * wide
    break_w = terrace_w + 550 + 200 * fine
    reach = np.hypot(u - bench["u"], v - bench["v"]) / bench["radius"] + 0.10 * mid
    dune_belt = smoothstep(far, break_w, break_w + 500) * (1 - smoothstep(far, break_w + 1500, break_w + 4500))
    south = y < np.interp(x, *np.array(river.coords).T)
    sandy = 1.35 - np.hypot(u / 0.36, v / 0.30) + 0.22 * wide + 0.05 * fine

    landform = np.full(x.shape, CODE["tableland"], np.uint8)
    landform[as_share(noise(rng, frame, 9000)) > 0.74] = CODE["loam plain"]
    landform[as_share(noise(rng, frame, 8000)) > 0.90] = CODE["clay plain"]
    landform[as_share(noise(rng, frame, 6000)) > 0.93] = CODE["sand sheet"]
    landform[south & (dune_belt + 0.28 * mid > 0.80)] = CODE["sand sheet"]
    landform[sandy > 0.15] = CODE["sand sheet"]
    landform[sandy > 0.45] = CODE["sandhills"]
    upland = landform != CODE["sandhills"]
    landform[upland & (drain_far < 130)] = CODE["swale"]
    landform[upland & (creek_far < 420 + 90 * fine)] = CODE["slopes"]
    landform[upland & (creek_far < 120)] = CODE["bottom"]
    landform[reach < 1.12] = CODE["breaks"]
    landform[reach < 1.0] = CODE["bench"]
    landform[far < break_w] = np.where(fine[far < break_w] > -0.2, CODE["breaks"], CODE["slopes"])
    landform[far < terrace_w] = CODE["terrace"]
    landform[far < bottom_w] = CODE["bottom"]

    reservoirs = _features(rng, frame, landform, river, creeks)
    _burn(frame, landform, [river.buffer(85)], "water")
    widths = (bottom_w, terrace_w, break_w)
    elevation = _elevation(rng, frame, u, v, landform, reach, far, creek_far, widths)
    return Ground(landform, elevation, river, reservoirs)


def _features(
    rng: np.random.Generator, frame: Frame, landform: NDArray[np.uint8], river: LineString, creeks: list[LineString]
) -> list[Polygon]:
    """Burn playas, a town, gravel pits and reservoirs into the landforms; return the reservoirs."""
    flat = np.isin(landform, [CODE["tableland"], CODE["loam plain"]])
    rows, cols = np.nonzero(flat)
    playas = []
    for i in rng.choice(rows.size, round(0.06 * frame.miles**2), replace=False):
        spot = Point(frame.transform @ (int(cols[i]), int(rows[i])))
        playas.append(spot.buffer(rng.uniform(110, 320)))
    _burn(frame, landform, playas, "playa")
    near = river.interpolate(0.55, normalized=True)
    # the town keeps to section lines on the north terrace
    west = np.floor(near.x / MILE_M) * MILE_M
    south = np.ceil((near.y + 600) / (MILE_M / 2)) * MILE_M / 2
    town = box(west, south, west + MILE_M, south + 0.75 * MILE_M).union(
        box(west + MILE_M / 4, south + 0.75 * MILE_M, west + MILE_M, south + 1.15 * MILE_M)
    )
    _burn(frame, landform, [town], "town")
    pits = []
    for at in rng.uniform(0.08, 0.92, 7):
        spot = river.interpolate(at, normalized=True)
        pits.append(box(spot.x, spot.y + 500, spot.x + rng.uniform(260, 480), spot.y + 500 + rng.uniform(250, 420)))
    _burn(frame, landform, pits, "pit")
    reservoirs = []
    for creek in creeks[1::4]:
        piece = LineString([creek.interpolate(d, normalized=True) for d in np.linspace(0.30, 0.42, 8)])
        reservoirs.append(piece.buffer(rng.uniform(190, 330)))
    _burn(frame, landform, reservoirs, "water")
    return reservoirs


def _elevation(
    rng: np.random.Generator,
    frame: Frame,
    u: Floats,
    v: Floats,
    landform: NDArray[np.uint8],
    reach: Floats,
    far: Floats,
    creek_far: Floats,
    widths: tuple[Floats, Floats, Floats],
) -> Floats:
    bottom_w, terrace_w, break_w = widths
    table = 1390 - 230 * u + 15 * v + 11 * noise(rng, frame, 8000) + 2.5 * noise(rng, frame, 2000)
    table += 230 * (1 - smoothstep(reach, 0.85, 1.15))
    floor = 1325 - 225 * u
    cut = 1 - smoothstep(far, terrace_w - 100, break_w + 500)
    level = floor + 9 * smoothstep(far, bottom_w - 100, bottom_w + 150) + 0.004 * far
    ground = table * (1 - cut) + level * cut
    ground -= (1 - cut) * 16 * np.exp(-((creek_far / 450) ** 2))
    dunes = ndimage.gaussian_filter((landform == CODE["sandhills"]).astype(float), 4)
    ground += dunes * 7 * np.abs(noise(rng, frame, 700, 2))
    ground[landform == CODE["water"]] -= 1.5
    return ground


def write_elevation(ground: Ground, frame: Frame, path: Path, note: str) -> None:
    """Write the elevation (m) as a GeoTIFF of about 100 m in EPSG:4326."""
    size = round(frame.side_m / 100)
    at = (np.arange(size) + 0.5) * frame.pixels / size - 0.5
    values = ndimage.map_coordinates(ground.elevation_m, np.meshgrid(at, at, indexing="ij"), order=1, mode="nearest")
    step = frame.side_m / size
    profile = {
        "driver": "GTiff", "height": size, "width": size, "count": 1, "dtype": "int16", "nodata": -32768,
        "crs": "EPSG:4326", "compress": "deflate", "predictor": 2, "tiled": True,
        "transform": from_origin(
            frame.west, frame.south + frame.side_m / LAT_DEGREE_M, step / LON_DEGREE_M, step / LAT_DEGREE_M
        ),
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as tif:
        tif.write(np.round(values).astype("int16"), 1)
        tif.update_tags(comment=note)
        tif.set_band_description(1, "elevation")
        tif.set_band_unit(1, "m")
