"""Small invented values for tests: a finished study that looks like a real one and takes no time."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy.sparse as sp
import xarray as xr
from odc.geo.geobox import GeoBox
from shapely.geometry import box

from geo.options import OPTIONS
from geo.rating.rule import TESTS, ZONE_NAMES
from geo.rating.spring_rule import LINES
from geo.season import CHECKS
from pipelines.run.result import StudyResult

QUANTILES = (0.10, 0.25, 0.50, 0.75, 0.90)
TARGETS = tuple(np.round(np.arange(0.10, 0.901, 0.05), 2))
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


def tiny_outcomes(n_sites: int, seed: int = 1, seasons: int = 30) -> xr.Dataset:
    """Outcomes with every variable of the contract; values are plausible and have no meaning."""
    rng = np.random.default_rng(seed)
    site, option, quantile = np.arange(n_sites), list(OPTIONS), list(QUANTILES)
    step = np.arange(0, 300, 7)
    spread = np.array([0.5, 0.75, 1.0, 1.2, 1.4])
    capacity = rng.uniform(80, 240, n_sites)
    stubble = capacity * rng.uniform(0.45, 0.8, n_sites)
    gap = np.stack([np.zeros(n_sites), *(rng.uniform(0, 1, n_sites) * k for k in (30, 45, 90))], axis=1)

    def soq(values: np.ndarray) -> tuple[tuple[str, ...], np.ndarray]:
        return ("site", "option", "quantile"), values[:, :, None] * spread

    shortfall = np.clip(gap / 120 + rng.uniform(0, 0.1, gap.shape), 0, 1)
    shortfall[:, 0] = 0
    by_target = np.clip(shortfall[:, :, None] * (0.4 + 1.2 * np.array(TARGETS)), 0, 1)
    track = stubble[:, None, None] * (0.3 + 0.7 * step / step.max()) - gap[:, :, None] * np.sin(np.pi * step / 400)
    ladder = np.array([79, 93, 107, 121, 135])
    data: dict[str, tuple[tuple[str, ...], np.ndarray]] = {
        "planting_water_mm": soq(np.maximum(stubble[:, None] - gap, 5)),
        "fall_gap_mm": soq(gap * 1.6),
        "planting_gap_mm": soq(gap),
        "recovery": (("site", "option"), np.where(gap > 5, 0.4, np.nan)),
        "shortfall_years": (("site", "option"), shortfall),
        "shortfall_by_target": (("site", "option", "target"), by_target),
        "biomass_kg_ha": soq(np.array([0, 2200, 900, 900]) * rng.uniform(0.5, 1.3, (n_sites, 1))),
        "ground_cover": (
            ("site", "option", "quantile"),
            np.clip(rng.uniform(0.2, 0.9, (n_sites, 4, 1)) * spread, 0, 1),
        ),
        "april_ground_cover": (
            ("site", "option", "quantile"),
            np.clip(rng.uniform(0, 0.9, (n_sites, 4, 1)) * spread, 0, 1),
        ),
        "cover_ok_years": (("site", "option"), rng.uniform(0.4, 1, (n_sites, 4))),
        "winterkill_years": (("site", "option"), rng.uniform(0.7, 1, (n_sites, 4))),
        "survival_years": (("site", "option"), rng.uniform(0.5, 1, (n_sites, 4))),
        "first_freeze_day": (
            ("site", "quantile"),
            280 + np.array([-14, -7, 0, 7, 14]) + rng.uniform(-3, 3, (n_sites, 1)),
        ),
        "heat_after_harvest_gdd": (("site",), rng.uniform(800, 1400, n_sites)),
        "latest_termination_day": (
            ("site",),
            np.where(rng.random(n_sites) < 0.3, np.nan, rng.uniform(79, 135, n_sites)),
        ),
        "termination_gap_mm": (("site", "ladder"), gap[:, 3:] * np.linspace(0.4, 1, 5)),
        "termination_shortfall": (("site", "ladder"), shortfall[:, 3:] * np.linspace(0.4, 1, 5)),
        **_spring(np.random.default_rng(seed + 1000), capacity, shortfall[:, 3], gap[:, 3]),
        "paw_layer_mm": (
            ("site", "option", "check", "layer"),
            np.maximum(
                (stubble[:, None] - gap)[:, :, None, None]
                * np.array([0.3, 0.28, 0.24, 0.18])
                * np.array([0.4, 0.6, 0.8, 1.0])[:, None],
                0,
            ),
        ),
        "stored_mm": (("site", "option", "quantile", "step"), np.maximum(track[:, :, None, :] * spread[:, None], 0)),
        "dry_spring_gap_mm": (("site", "option"), gap * 1.3),
        "wet_spring_gap_mm": (("site", "option"), gap * 0.6),
        "transpiration_mm": (("site", "option"), np.array([0.0, 90, 80, 120]) * np.ones((n_sites, 1))),
        "evaporation_mm": (("site", "option"), np.array([180.0, 150, 150, 140]) * np.ones((n_sites, 1))),
        "drainage_mm": (("site", "option"), np.full((n_sites, 4), 12.0)),
        "runoff_mm": (("site", "option"), np.full((n_sites, 4), 8.0)),
        "capacity_mm": (("site",), capacity),
        "precip_mm": (("site",), rng.uniform(340, 690, n_sites)),
        "et0_mm": (("site",), rng.uniform(1050, 1450, n_sites)),
        "agreement": (("site",), rng.uniform(0.5, 1, n_sites)),
    }
    units = {"_mm": "mm", "_kg_ha": "kg ha-1", "_years": "1", "_day": "day of year", "_gdd": "degC day"}
    out = xr.Dataset(
        {k: (d, v.astype(np.float32)) for k, (d, v) in data.items()},
        coords={
            "site": site, "option": option, "quantile": quantile, "check": list(CHECKS), "layer": [1, 2, 3, 4],
            "step": step, "target": list(TARGETS), "ladder": ladder, "line": list(LINES),
        },
    )  # fmt: skip
    for name in out.data_vars:
        out[name].attrs["units"] = next((u for k, u in units.items() if str(name).endswith(k)), "1")
    out.attrs["seasons"] = seasons
    return out


def _spring(
    rng: np.random.Generator, capacity: np.ndarray, late_shortfall: np.ndarray, late_gap: np.ndarray
) -> dict[str, tuple[tuple[str, ...], np.ndarray]]:
    """Springs: the higher the line, the less growth and the fewer shortfall years."""
    n, line = len(capacity), np.array(LINES)
    early = rng.uniform(500, 2000, n)
    late = early * rng.uniform(1.3, 2.5, n)
    growth = late[:, None] + (early - late)[:, None] * line
    short, gap = late_shortfall[:, None] * (1 - 0.9 * line), late_gap[:, None] * (1 - 0.9 * line)
    by_rule = {"early_years": np.tile(line, (n, 1)), "shortfall_years": short, "gap_mm": gap, "growth_kg_ha": growth}
    return {
        "early_growth_kg_ha": (("site",), early),
        "late_growth_kg_ha": (("site",), late),
        "spring_rule_water_mm": (("site",), 0.5 * capacity),
        "spring_line_share": (("site",), np.where(rng.random(n) < 0.5, np.nan, 0.6)),
        "spring_line_mm": (("site",), 0.6 * capacity),
        **{f"line_{name}": (("site", "line"), values) for name, values in by_rule.items()},
        **{f"spring_rule_{name}": (("site",), values[:, 4]) for name, values in by_rule.items()},
        **{f"spring_line_{name}": (("site",), values[:, 5]) for name, values in by_rule.items()},
    }


def tiny_result(
    columns: int = 60, rows: int = 40, names: tuple[str, ...] = HOSTILE_NAMES, seed: int = 1
) -> StudyResult:
    """A finished study on a 30 m grid with a 3 x 4 chequer of sites (one not rated) and one field a name."""
    from affine import Affine

    grid = GeoBox((rows, columns), Affine(30, 0, -600000, 0, -30, 1900000), "EPSG:5070")
    raster = (np.arange(rows)[:, None] * 3 // rows) * 4 + np.arange(columns)[None, :] * 4 // columns
    raster = raster.astype(np.int32)
    raster[:, -2:] = -1
    n = 12
    rng = np.random.default_rng(seed)
    codes = np.array([1, 2, 3, 4, 5, 6, 7, 1, 3, 4, 5, 6])
    outcomes = tiny_outcomes(n, seed)
    for name in outcomes.data_vars:
        outcomes[name].values[6] = np.nan
    sites = pd.DataFrame(
        {
            "map_unit_id": [str(900001 + i) for i in range(n)], "symbol": [f"{1100 + i}" for i in range(n)],
            "name": [f"Invented silt loam {i}, 0 to 3 percent slopes" for i in range(n)],
            "cell": np.arange(n) % 4, "rated_share": np.where(codes == 7, 0.0, 0.9),
            "reason": np.where(codes == 7, "water", ""),
            "area_ha": np.bincount(raster[raster >= 0], minlength=n) * 0.09,
        },
        index=pd.RangeIndex(n, name="site"),
    )  # fmt: skip
    zones = pd.DataFrame(
        {
            "zone_code": codes, "zone": [ZONE_NAMES[c] for c in codes],
            "limiting_factor": np.select([codes == 1, codes == 2, codes == 7], ["water", "season", ""], "winter"),
            "limiting_option": np.where(codes == 7, "", "winter_killed"), "margin": rng.uniform(0, 0.8, n),
        },
        index=pd.RangeIndex(n, name="site"),
    )  # fmt: skip
    shape = (n, len(OPTIONS), len(TESTS))
    value = rng.uniform(0, 1, shape)
    tests = xr.Dataset(
        {
            "value": (("site", "option", "test"), value),
            "threshold": (("site", "option", "test"), np.full(shape, 0.5)),
            "passed": (("site", "option", "test"), value < 0.5),
            "margin": (("site", "option", "test"), 1 - value / 0.5),
        },
        coords={"site": np.arange(n), "option": list(OPTIONS), "test": list(TESTS)},
    )  # fmt: skip
    width = (columns - 4) * 30 / len(names)
    shapes = [
        box(-600000 + i * width + 20, 1900000 - rows * 30 + 60, -600000 + (i + 1) * width - 20, 1900000 - 90)
        for i in range(len(names))
    ]
    fields = gpd.GeoDataFrame(
        {"field_id": [f"LK-{i + 1:04d}" for i in range(len(names))]}, geometry=shapes, crs="EPSG:5070"
    )
    fields["name"] = list(names)
    fields["irrigated"] = [i == 1 for i in range(len(names))]
    fields["previous_crop"], fields["next_crop"] = "winter wheat", "grain sorghum"
    fields["area_ha"] = fields.area / 1e4
    rowcol = []
    for geometry in shapes:
        x0, y0, x1, y1 = geometry.bounds
        part = raster[
            int((1900000 - y1) / 30) : int((1900000 - y0) / 30), int((x0 + 600000) / 30) : int((x1 + 600000) / 30)
        ]
        counts = np.bincount(part[part >= 0], minlength=n).astype(float)
        rowcol.append(counts / max(counts.sum(), 1))
    coverage = sp.csr_matrix(np.array(rowcol))
    dominant = coverage.toarray().argmax(axis=1)
    fields["zone_code"] = codes[dominant]
    fields["zone"] = [ZONE_NAMES[c] for c in fields["zone_code"]]
    fields["zone_share"] = 0.6
    for code, zone in ZONE_NAMES.items():
        fields[f"share_{zone}"] = coverage.toarray() @ (codes == code)
    fields["rated_share"] = 1 - fields["share_not_rated"]
    fields["limiting_factor"] = zones["limiting_factor"].to_numpy()[dominant]
    fields["margin"] = zones["margin"].to_numpy()[dominant]
    flat = outcomes.fillna(0)
    mean = coverage.toarray()
    for name in ("capacity_mm", "precip_mm", "latest_termination_day", "agreement"):
        fields[name] = mean @ flat[name].values
    fields["first_freeze_day"] = mean @ flat["first_freeze_day"].sel(quantile=0.5).values
    for o in OPTIONS:
        for name in ("planting_water_mm", "planting_gap_mm", "fall_gap_mm", "biomass_kg_ha", "ground_cover"):
            fields[f"{name}_{o}"] = mean @ flat[name].sel(option=o, quantile=0.5).values
        fields[f"shortfall_years_{o}"] = mean @ flat["shortfall_years"].sel(option=o).values
    fields["seeding_rate_factor"] = 0.8
    fields["slope_percent"] = 2.0
    from geo.rating.rule import RECOMMENDED_OPTION

    fields["recommended_option"] = [RECOMMENDED_OPTION[z] for z in fields["zone"]]
    units = pd.DataFrame(
        {
            "profile_id": [str(i) for i in range(n)], "cell": sites["cell"],
            "component": [f"Invented {i}" for i in range(n)],
            **{f"awc_{k}_mm": np.full(n, 45.0) for k in range(1, 5)}, "root_limit_mm": 1219.2,
            "surface_texture": "silt loam", "hydrologic_group": "B", "drainage_class": "Well drained",
        },
        index=pd.RangeIndex(n, name="unit"),
    )  # fmt: skip
    site_units = pd.DataFrame({"site": np.arange(n), "unit": np.arange(n), "weight": 1.0})
    site_units = site_units[codes[site_units["site"]] != 7].reset_index(drop=True)
    cells = pd.DataFrame(
        {
            "latitude": 40.0,
            "longitude": -103.0,
            "elevation_m": 1200.0,
            "name": "",
            "precip_mm": 450.0,
            "et0_mm": 1300.0,
        },
        index=pd.RangeIndex(4, name="cell"),
    )
    problems = pd.DataFrame(
        {
            "layer": ["fields"], "where": ["LK-0009"], "what": ["the ring crosses itself"], "action": ["repaired"],
            "fix": ["check the boundary"],
        }
    )  # fmt: skip
    settings = {
        "name": "Larkspur County (invented)", "units": "us", "seed": 20, "years": 31,
        "season": {"harvest": "07-20", "planting": "05-15", "seeding_winter_killed": "08-01",
                   "seeding_overwinter": "09-05", "early_termination": "04-01"},
        "rules": {"shortfall_max": 0.2, "planting_gap_max_mm": 38.1, "target_share": 0.5, "season_min": 0.7,
                  "winterkill_min": 0.9, "survival_min": 0.7, "ground_cover_min": 0.3},
    }  # fmt: skip
    provenance = {
        "program": "springfill 0.1.0", "started": "2026-01-01T00:00:00Z", "study_hash": "0" * 64, "seed": 20,
        "versions": {"numpy": np.__version__}, "counts": {"sites": n, "units": n, "seasons": 30},
        "inputs": [
            {"layer": "soils", "path": "soils", "sha256": "0" * 64, "licence": "invented", "title": "Invented soils",
             "date": "2026"},
            {"layer": "climate", "path": "climate/normals.nc", "sha256": "0" * 64, "licence": "invented",
             "title": "Invented normals", "date": "2026"},
            {"layer": "fields", "path": "fields.gpkg", "sha256": "0" * 64, "licence": "invented",
             "title": "Invented fields", "date": "2026"},
        ],
        "closure_mm": 1e-9,
    }  # fmt: skip
    return StudyResult(
        settings=settings, grid=grid, site_raster=raster, sites=sites, units=units, site_units=site_units,
        cells=cells,
        outcomes=outcomes, zones=zones, tests=tests, fields=fields, coverage=coverage, problems=problems,
        provenance=provenance,
    )  # fmt: skip
