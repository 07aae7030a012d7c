"""Build the sample county: fictional Larkspur County, INVENTED from a seed. Nothing here describes a real place.

Run from the top of the project::

    python sample_layers/build_larkspur.py                      # rebuild the sample layers in place
    python sample_layers/build_larkspur.py --fields 5000 --out larkspur_big   # a bigger county elsewhere
"""

from __future__ import annotations

import argparse
import math
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

HERE = Path(__file__).resolve().parent
if str(HERE.parent) not in sys.path:
    sys.path.insert(0, str(HERE.parent))

from sample_layers import larkspur_climate as climate  # noqa: E402
from sample_layers.larkspur_daily import build_daily, write_daily  # noqa: E402
from sample_layers.larkspur_export import LEGEND_KEY, write_soils  # noqa: E402
from sample_layers.larkspur_fields import draw_fields, write_fields  # noqa: E402
from sample_layers.larkspur_frame import Frame  # noqa: E402
from sample_layers.larkspur_measurements import draw_measurements, write_measurements  # noqa: E402
from sample_layers.larkspur_polygons import draw_polygons, draw_units  # noqa: E402
from sample_layers.larkspur_soils import build_survey  # noqa: E402
from sample_layers.larkspur_terrain import draw_ground, write_elevation  # noqa: E402

SEED = 20_400
MILES = 28  # 28 x 28 survey miles, about 2,030 km2
FIELDS = 380
FIELDS_PER_SECTION = 1.9
DAILY_YEARS = range(2005, 2021)

# ---------------------------------------------------------------------------------------------------------------
# THE GRADIENT: every climate number of the county. All invented.
#
# u runs west (0) to east (1), v runs south (0) to north (1). "winter" numbers hold fully in January, "summer"
# numbers in July, with a cosine between. A corner acts fully at (u, v), by half at `radius` (share of the
# county's side) and hardly beyond; the higher `steepness`, the sharper its edge. Corners add up. Place and radius
# of the bench also shape its ground. After a change: run this file, then tests/test_sample_county.py.
# ---------------------------------------------------------------------------------------------------------------
GRADIENT: dict[str, Any] = {
    # mm a year on the west and the east edge; wet_day_factor scales the rain of a wet day
    "west": {"precip_mm": 330, "et_mm": 1450, "wet_day_factor": 0.85},
    "east": {"precip_mm": 790, "et_mm": 960, "wet_day_factor": 1.20},
    "precip_curve": 1.0,  # 1 = straight line from west to east; above 1 = the west stays dry for longer
    # degrees C from the south edge to the north edge
    "north": {"tmin_winter": -5.0, "tmin_summer": -2.5, "tmax_winter": -5.0, "tmax_summer": -2.0},
    "corners": {
        # high bench, cold-air basin: the season after harvest is too short
        "bench": {
            "u": 0.0, "v": 1.0, "radius": 0.34, "steepness": 8,
            "tmin_winter": -4.0, "tmin_summer": -7.5, "tmax_winter": -3.0, "tmax_summer": -8.5,
            "winter_sd_factor": 1.0, "precip_factor": 1.30, "et_factor": 0.72,
        },
        # sheltered corner: the winter often fails to kill
        "mild": {
            "u": 1.0, "v": 0.0, "radius": 0.34, "steepness": 8,
            "tmin_winter": 9.0, "tmin_summer": 1.0, "tmax_winter": 6.0, "tmax_summer": 0.5,
            "winter_sd_factor": 0.55, "precip_factor": 1.0, "et_factor": 1.0,
        },
    },
    # by month, January first, at the middle of the county
    "months": {
        # share of the year's precipitation on the west and the east edge (each sums to 1)
        "precip_west": [.014, .018, .040, .090, .180, .165, .180, .135, .080, .060, .024, .014],
        "precip_east": [.026, .032, .060, .110, .165, .145, .140, .115, .083, .068, .034, .022],
        # share of the year's reference evapotranspiration (sums to 1)
        "et_share": [.034, .039, .065, .082, .107, .132, .149, .132, .104, .075, .047, .034],
        # precipitation of a wet day, mm
        "wet_day_mm": [4.5, 4.5, 5.5, 6.5, 8.0, 8.2, 8.8, 8.2, 7.0, 6.8, 5.2, 4.6],
        "tmin": [-10.5, -8.8, -4.4, 0.6, 6.8, 12.2, 15.2, 14.2, 8.6, 1.2, -5.4, -10.2],  # degC
        "tmax": [4.8, 6.6, 12.4, 17.0, 22.4, 28.4, 31.8, 30.6, 26.0, 18.8, 11.2, 5.0],  # degC
        # standard deviation of daily values about the monthly mean, K
        "tmin_sd": [6.0, 6.0, 4.9, 4.4, 4.1, 3.3, 2.6, 2.9, 4.4, 4.5, 4.8, 5.8],
        "tmax_sd": [7.6, 8.2, 8.0, 7.4, 6.3, 5.3, 4.5, 4.5, 6.5, 7.3, 7.8, 7.8],
    },
}  # fmt: skip


def read_tables() -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the map unit table and the series table."""
    units, series = (
        tomllib.loads((HERE / f"larkspur_{name}.toml").read_text(encoding="utf-8")) for name in ("units", "series")
    )
    return units, series


def miles_for(fields: int) -> int:
    """Return the side of a county (survey miles) that holds so many fields."""
    return max(MILES, math.ceil(math.sqrt(fields / FIELDS_PER_SECTION)))


def build(out: Path, seed: int = SEED, fields: int = FIELDS, miles: int | None = None) -> None:
    """Write the whole county into a folder.

    Parameters
    ----------
    out : Path
        Made when missing; files of an earlier run are replaced.
    seed : int
        The same seed and sizes give the same layers.
    fields : int
        Number of field boundaries.
    miles : int, optional
        Side of the county; by default the usual one, or larger when the fields need more room.
    """
    units, series = read_tables()
    frame = Frame(miles or miles_for(fields))
    # one stream of random numbers a layer: tuning one never moves another
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(5)]
    ground = draw_ground(streams[0], frame, GRADIENT["corners"]["bench"])
    grid = draw_units(streams[1], frame, ground, units)
    polygons = draw_polygons(frame, grid, list(units))
    area = polygons.area.groupby(polygons["symbol"]).sum().reindex(list(units), fill_value=0.0)
    with np.errstate(invalid="ignore"):  # a small county lacks some units
        height = np.nan_to_num(ndimage.mean(ground.elevation_m, grid, np.arange(len(units))))
    survey = build_survey(streams[2], units, series, dict(area), dict(zip(units, height, strict=True)), LEGEND_KEY)
    write_soils(out / "soils", survey, polygons, frame)
    normals = climate.build_normals(GRADIENT, frame, ground.elevation_m, seed)
    climate.write_normals(normals, out / "climate" / "normals.nc")
    write_daily(build_daily(GRADIENT, frame, ground.elevation_m, DAILY_YEARS, seed), out / "climate" / "daily.nc")
    drawn = draw_fields(streams[3], frame, ground, fields)
    write_fields(drawn, out / "fields.gpkg", climate.INVENTED)
    cores = draw_measurements(streams[4], frame, polygons, survey, drawn)
    write_measurements(cores, out / "soil_water.csv", climate.INVENTED)
    write_elevation(ground, frame, out / "elevation.tif", climate.INVENTED)


def main(argv: list[str] | None = None) -> None:
    """Read the command line and build."""
    parser = argparse.ArgumentParser(description="Build invented Larkspur County.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write into (default: the sample layers)")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--fields", type=int, default=FIELDS, help="number of fields; many make the county bigger")
    args = parser.parse_args(argv)
    if args.fields != FIELDS and args.out == HERE:
        parser.error("another number of fields is not the sample county: give --out FOLDER")
    start = time.perf_counter()
    build(args.out, args.seed, args.fields)
    size = sum(p.stat().st_size for p in args.out.rglob("*") if p.is_file())
    print(f"Larkspur County (invented) is in {args.out}: {size / 1e6:.1f} MB, {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
