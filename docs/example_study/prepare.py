"""Lay the open samples out as the study file expects them.

    python prepare.py OPEN_DATA [TARGET]

The survey tables, the daily record and the county outline are real. The sample of the survey holds no map unit
polygons, so the map is made here: squares of a quarter mile, each given one of the 36 map units by a seeded draw.
The result shows real soils under real weather, and says nothing about any real field.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

QUARTER_MILE_M = 402.336
SQUARES = 48  # on a side: twelve miles
SEED = 31029
CRS = "EPSG:26914"  # UTM zone 14 north, where the daily record was measured
STATION = (-101.72, 40.40)


def prepare(open_data: Path, target: Path) -> None:
    """Fill `target` with ``soils``, ``champion_climate.txt`` and ``fields.gpkg``."""
    soils = target / "soils"
    shutil.copytree(open_data / "soil" / "az649_ssurgo" / "tabular", soils / "tabular", dirs_exist_ok=True)
    (soils / "spatial").mkdir(exist_ok=True)
    shutil.copy(open_data / "climate" / "champion_climate.txt", target / "champion_climate.txt")
    units = pd.read_csv(soils / "tabular" / "mapunit.txt", sep="|", header=None, dtype=str, quotechar='"')
    symbol, mukey = units[0], units[23]
    squares = map_squares()
    drawn = np.random.default_rng(SEED).integers(0, len(units), len(squares) // 9 + 1)
    of_square = drawn[
        (np.arange(len(squares)) // SQUARES // 3) * (SQUARES // 3) + np.arange(len(squares)) % SQUARES // 3
    ]
    shapes = gpd.GeoDataFrame(
        {
            "AREASYMBOL": "AZ649",
            "SPATIALVER": "1",
            "MUSYM": symbol[of_square].to_numpy(),
            "MUKEY": mukey[of_square].to_numpy(),
        },
        geometry=squares,
        crs=CRS,
    )
    shapes.dissolve(["MUKEY", "MUSYM", "AREASYMBOL", "SPATIALVER"]).reset_index().explode(ignore_index=True).to_crs(
        "EPSG:4326"
    ).to_file(soils / "spatial" / "soilmu_a_az649.shp")
    fields_of(squares).to_file(target / "fields.gpkg", layer="fields")


def map_squares() -> list[shapely.Polygon]:
    """Return the squares, row by row from the south-west, around the station."""
    middle = gpd.GeoSeries([shapely.Point(STATION)], crs="EPSG:4326").to_crs(CRS).iloc[0]
    left, bottom = (v - SQUARES / 2 * QUARTER_MILE_M for v in (middle.x, middle.y))
    return [
        shapely.box(
            left + c * QUARTER_MILE_M, bottom + r * QUARTER_MILE_M,
            left + (c + 1) * QUARTER_MILE_M, bottom + (r + 1) * QUARTER_MILE_M,
        )
        for r in range(SQUARES)
        for c in range(SQUARES)
    ]  # fmt: skip


def fields_of(squares: list[shapely.Polygon]) -> gpd.GeoDataFrame:
    """Return invented fields of half a mile (two by two squares), every third place, shifted against the soils."""
    rows = [
        (
            f"EX-{r:02d}-{c:02d}",
            shapely.union_all([squares[(r + i) * SQUARES + c + j] for i in (0, 1) for j in (0, 1)]),
        )
        for r in range(2, SQUARES - 2, 6)
        for c in range(2, SQUARES - 2, 6)
    ]
    frame = gpd.GeoDataFrame({"field_id": [r[0] for r in rows]}, geometry=[r[1] for r in rows], crs=CRS)
    frame["previous_crop"], frame["next_crop"] = "winter wheat", "corn"
    return frame


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    place = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(__file__).parent / "layers"
    prepare(Path(sys.argv[1]), place)
    sys.stdout.write(f"Wrote {place}\n")
