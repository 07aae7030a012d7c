"""An invented county of any size whose sites are mixtures of soils that were really run."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from odc.geo.geobox import GeoBox
from scipy.spatial import cKDTree

from geo.ground import ResponseUnits, pixel_coverage, site_shares
from pipelines.run.result import StudyResult
from pipelines.run.study_run import gather_result, rate_study
from tests.builders import tiny_result
from tests.tiny_run import tiny_context, tiny_seasons

WEST, NORTH = -600_000.0, 1_900_000.0


def invented_county(fields: int = 5000, side: int = 1650, map_units: int = 60, cells: int = 40, seed: int = 3):
    """A finished study with `fields` fields on a square of `side` x `side` pixels of 30 m.

    Soils are smooth patches, cells are blocks, fields are quarter sections with ragged sides (one in ten a circle,
    irrigated). A site mixes two of the units of `tests.tiny_run`, in the west dry ones and in the east wet ones.
    """
    rng = np.random.default_rng(seed)
    base, (ground, seasons) = tiny_result(), tiny_seasons()
    grid = GeoBox((side, side), Affine(30, 0, WEST, 0, -30, NORTH), "EPSG:5070")
    # As many patches as a real soil survey of that size has polygons (18,600 on 1650 x 1650 pixels).
    seeds = rng.uniform(0, side, (max(8, int(side**2 * 18_600 / 1650**2)), 2))
    places = np.stack(np.indices((side, side)), axis=-1).reshape(-1, 2) + rng.normal(0, 0.8, (side**2, 2))
    soil = rng.integers(0, map_units, len(seeds))[cKDTree(seeds).query(places)[1]].reshape(side, side)
    per_side = int(np.ceil(np.sqrt(cells)))
    block = np.arange(side) * per_side // side
    cell = (block[:, None] * per_side + block[None, :]) % cells
    pair = soil * cells + cell
    kept, raster = np.unique(pair, return_inverse=True)
    raster = raster.reshape(side, side).astype(np.int32)
    raster[
        (np.arange(side)[:, None] - side / 2) ** 2 + (np.arange(side)[None, :] - side / 2) ** 2 > (0.71 * side) ** 2
    ] = -1
    n = len(kept)
    rated = kept // cells > 0
    sites = pd.DataFrame(
        {
            "map_unit_id": (900_000 + kept // cells).astype(str), "symbol": (1000 + kept // cells).astype(str),
            "name": [f"Invented loam {k // cells}, 0 to 3 percent slopes" for k in kept], "cell": kept % cells,
            "rated_share": np.where(rated, 0.95, 0.2), "reason": np.where(rated, "", "water"),
            "area_ha": np.bincount(raster[raster >= 0], minlength=n) * 0.09,
        },
        index=pd.RangeIndex(n, name="site"),
    )  # fmt: skip
    wetness = (kept % cells) % per_side / max(per_side - 1, 1)
    units = ResponseUnits(
        ground.units.units, sites.drop(columns=["symbol", "name"]), _mixtures(wetness, rated, rng), raster
    )
    frame = _fields(fields, side * 30.0, rng)
    coverage = site_shares(pixel_coverage(frame, grid), raster, n)
    slope = np.full(len(frame), 2.0)
    ground = replace(ground, fields=frame, grid=grid, units=units, coverage=coverage, slope_percent=slope)
    rating = rate_study(tiny_context(), ground, seasons)
    result = gather_result(tiny_context(), ground, seasons, rating, None, base.provenance)
    return replace(result, sites=sites)


def _mixtures(wetness: np.ndarray, rated: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """Return two units of each rated site with their weights: one as dry as the place, and any other one."""
    gap = tiny_seasons()[1].outcomes["planting_gap_mm"].sel(option="overwinter_late", stat="mean").values
    dry_to_wet = np.argsort(-gap)
    near = dry_to_wet[np.minimum(wetness * len(gap), len(gap) - 1).astype(int)]
    other = (near + rng.integers(1, len(gap), len(near))) % len(gap)
    share = rng.uniform(0.5, 1.0, len(near))
    both = [pd.DataFrame({"site": np.arange(len(near)), "unit": unit, "weight": weight})[rated]
            for unit, weight in ((near, share), (other, 1.0 - share))]  # fmt: skip
    return pd.concat(both).sort_values("site", kind="stable", ignore_index=True)


def _fields(count: int, width: float, rng: np.random.Generator) -> gpd.GeoDataFrame:
    per_row = int(np.ceil(np.sqrt(count)))
    pitch = width / per_row
    shapes = []
    for k in range(count):
        x, y = WEST + (k % per_row + 0.5) * pitch, NORTH - (k // per_row + 0.5) * pitch
        half = pitch * 0.47
        if k % 10 == 3:
            shapes.append(shapely.Point(x, y).buffer(half, quad_segs=5))
            continue
        # A quarter section seen from the tractor: three kinks a side.
        t = np.arange(16) / 4
        side, along = t.astype(int), (t % 1) * 2 - 1
        corner = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])[side]
        step = np.array([(1, 0), (0, 1), (-1, 0), (0, -1)])[side]
        ring = (corner + step * (along + 1)[:, None]) * half + rng.normal(0, 6, (16, 2)) + (x, y)
        shapes.append(shapely.make_valid(shapely.Polygon(ring)))
    frame = gpd.GeoDataFrame(geometry=shapes, crs="EPSG:5070")
    frame["field_id"] = [f"LK-{k + 1:04d}" for k in range(count)]
    frame["name"] = [
        f"{('North', 'South', 'East', 'West')[k % 4]} {40 + k % 160} of section {1 + k // 4}" for k in range(count)
    ]
    frame["irrigated"] = [k % 10 == 3 for k in range(count)]
    frame["previous_crop"] = np.where(np.arange(count) % 3, "winter wheat", "spring barley")
    frame["next_crop"] = np.where(np.arange(count) % 4, "grain sorghum", "corn")
    frame["area_ha"] = frame.area / 1e4
    return frame


def with_texts(result: StudyResult, text: str) -> StudyResult:
    """The same study with one text in every place that takes text from a user."""
    fields, sites, problems = result.fields.copy(), result.sites.copy(), result.problems.copy()
    n = len(fields)
    fields["field_id"] = [f"{text}{k}" for k in range(n)]
    for column in ("name", "previous_crop", "next_crop"):
        fields[column] = text
    for column in ("map_unit_id", "symbol", "name", "reason"):
        sites[column] = text
    for column in ("layer", "where", "what", "fix"):
        problems[column] = text
    inputs = [{key: text for key in ("layer", "path", "title", "date", "licence", "sha256")}]
    provenance = result.provenance | {
        "program": text,
        "started": text,
        "study_hash": text,
        "seed": text,
        "inputs": inputs,
    }
    return replace(
        result, fields=fields, sites=sites, problems=problems, provenance=provenance,
        settings=result.settings | {"name": text},
    )  # fmt: skip
