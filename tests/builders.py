"""Finished studies for tests: a real run on very little ground (`tests.tiny_run`), on a made-up map and fields."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
from odc.geo.geobox import GeoBox
from shapely.geometry import box

from geo.errors import Problem
from geo.ground import pixel_coverage, site_shares
from pipelines.run.result import StudyResult
from pipelines.run.study_run import gather_result, rate_study
from tests.tiny_run import SITES, tiny_context, tiny_seasons

HOSTILE_NAMES = (
    "<script>window.hacked=1</script>",
    '" onmouseover="window.hacked=1',
    "'; window.hacked=1; '",
    "${window.hacked=1} `{{7*7}}` {% raw %}",
    "</script><img src=x onerror=window.hacked=1>",
    '=HYPERLINK("http://x")',
    "Grünes Feld \u202e東 \u2028 ÿ",
    "plain north eighty",
)


def tiny_result(
    columns: int = 60, rows: int = 40, names: tuple[str, ...] = HOSTILE_NAMES, units: str = "us"
) -> StudyResult:
    """A finished study on a 30 m grid with a 3 x 4 chequer of sites (one not rated) and one field a name.

    The second field is irrigated. Zones, tests and numbers are those of the run.
    """
    from affine import Affine

    context, (ground, seasons) = tiny_context(), tiny_seasons()
    grid = GeoBox((rows, columns), Affine(30, 0, -600000, 0, -30, 1900000), "EPSG:5070")
    raster = (np.arange(rows)[:, None] * 3 // rows) * 4 + np.arange(columns)[None, :] * 4 // columns
    raster = raster.astype(np.int32)
    raster[:, -2:] = -1
    width = (columns - 4) * 30 / len(names)
    shapes = [
        box(-600000 + i * width + 20, 1900000 - rows * 30 + 60, -600000 + (i + 1) * width - 20, 1900000 - 90)
        for i in range(len(names))
    ]
    fields = gpd.GeoDataFrame(
        {
            "field_id": [f"LK-{i + 1:04d}" for i in range(len(names))],
            "name": list(names),
            "irrigated": [i == 1 for i in range(len(names))],
            "previous_crop": "winter wheat",
            "next_crop": "grain sorghum",
        },
        geometry=shapes,
        crs="EPSG:5070",
    )
    fields["area_ha"] = fields.area / 1e4
    pixels = np.bincount(raster[raster >= 0], minlength=len(SITES))
    sites = ground.units.sites.assign(pixels=pixels, area_ha=pixels * 0.09)
    study = context.study
    context = replace(
        context,
        study=study.model_copy(update={"study": study.study.model_copy(update={"units": units})}),
    )
    ground = replace(
        ground,
        fields=fields,
        grid=grid,
        units=replace(ground.units, sites=sites, site_raster=raster),
        coverage=site_shares(pixel_coverage(fields, grid), raster, len(sites)),
        slope_percent=np.linspace(0.5, 8.0, len(fields)),
        problems=(Problem("fields", "LK-0009", "the ring crosses itself", "repaired", "check the boundary"),),
    )
    rating = rate_study(context, ground, seasons)
    result = gather_result(context, ground, seasons, rating, None, _provenance(len(sites), len(ground.units.units)))
    names_of_sites = {
        "symbol": [f"{1100 + k}" for k in range(len(sites))],
        "name": [f"Invented silt loam {k}, 0 to 3 percent slopes" for k in range(len(sites))],
    }
    return replace(result, sites=result.sites.assign(**names_of_sites))


def _provenance(n_sites: int, n_units: int) -> dict[str, object]:
    layers = {"soils": "soils", "climate": "climate/normals.nc", "fields": "fields.gpkg"}
    return {
        "program": "springfill 0.1.0",
        "started": "2026-01-01T00:00:00Z",
        "study_hash": "0" * 64,
        "seed": 20,
        "versions": {"numpy": np.__version__},
        "counts": {"sites": n_sites, "units": n_units, "seasons": 30},
        "inputs": [
            {"layer": layer, "path": path, "sha256": "0" * 64, "licence": "invented", "title": f"Invented {layer}",
             "date": "2026"}
            for layer, path in layers.items()
        ],
        "closure_mm": 1e-9,
    }  # fmt: skip
