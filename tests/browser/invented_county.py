"""An invented county of any size whose zones and fields come from the real rule, for the tests of the county page."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr
from affine import Affine
from odc.geo.geobox import GeoBox
from scipy.spatial import cKDTree

from geo.rating.fields import field_coverage, summarise_fields
from geo.rating.rule import ZoneRules, classify
from pipelines.run.result import StudyResult
from tests.builders import tiny_outcomes, tiny_result

WEST, NORTH = -600_000.0, 1_900_000.0


def invented_county(fields: int = 5000, side: int = 1650, map_units: int = 60, cells: int = 40, seed: int = 3):
    """A finished study with `fields` fields on a square of `side` x `side` pixels of 30 m.

    Soils are smooth patches, cells are blocks, fields are quarter sections with ragged sides (one in ten a circle,
    irrigated); outcomes are random numbers without meaning.
    """
    rng = np.random.default_rng(seed)
    base = tiny_result()
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
    outcomes = _from_dry_to_wet(tiny_outcomes(n, seed), (kept % cells) % per_side / max(per_side - 1, 1))
    rated = np.where(kept // cells == 0, 0.2, 0.95)
    rules = ZoneRules(**base.settings["rules"])
    dry = classify(outcomes, rules, rated)
    wet = classify(outcomes, rules, rated, water_tests=False)
    sites = pd.DataFrame(
        {
            "map_unit_id": (900_000 + kept // cells).astype(str), "symbol": (1000 + kept // cells).astype(str),
            "name": [f"Invented loam {k // cells}, 0 to 3 percent slopes" for k in kept], "cell": kept % cells,
            "rated_share": rated, "reason": np.where(rated < 0.5, "water", ""),
            "area_ha": np.bincount(raster[raster >= 0], minlength=n) * 0.09,
        },
        index=pd.RangeIndex(n, name="site"),
    )  # fmt: skip
    frame = _fields(fields, side * 30.0, rng)
    coverage = field_coverage(frame, raster, grid, n)
    site_values = pd.DataFrame({"seeding_rate_factor": np.full(n, 0.8), "slope_percent": np.full(n, 2.0)})
    summary = summarise_fields(
        frame, coverage, outcomes, dry.table, sites, irrigated_zones=wet.table, site_values=site_values
    )
    return replace(
        base, grid=grid, site_raster=raster, sites=sites, outcomes=outcomes, zones=dry.table, tests=dry.tests,
        fields=summary, coverage=coverage,
        settings=base.settings | {"name": "Larkspur County (invented)"},
    )  # fmt: skip


def _from_dry_to_wet(outcomes: xr.Dataset, wetness: np.ndarray) -> xr.Dataset:
    """Let gaps and shortfall fall, and winters soften, from west (0) to east (1), so that every zone appears."""
    out = outcomes.copy(deep=True)
    w = wetness[:, None].astype(np.float32)
    for name in ("planting_gap_mm", "fall_gap_mm"):
        out[name].values[:] = out[name].values * (1.7 - 1.5 * w)[:, :, None]
    for name in ("shortfall_years", "shortfall_by_target"):
        extra = (1.4 - 1.3 * w) if name == "shortfall_years" else (1.4 - 1.3 * w)[:, :, None]
        out[name].values[:] = np.clip(out[name].values * extra, 0, 1)
    out["shortfall_years"].values[:] = out["shortfall_by_target"].sel(target=0.5).values
    out["cover_ok_years"].values[:] = np.clip(0.5 * out["cover_ok_years"].values + 0.42 + 0.1 * w, 0, 1)
    out["winterkill_years"].values[:] = np.clip(0.3 * out["winterkill_years"].values + 0.68 - 0.06 * w, 0, 1)
    out["survival_years"].values[:] = np.clip(0.4 * out["survival_years"].values + 0.52 + 0.06 * w, 0, 1)
    return out


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
