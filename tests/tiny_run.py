"""A real run on very little ground: eleven soils and climates of the invented county, one site each.

Every number of it is what the program works out; only the map on which the sites lie and the fields are made up by
the tests. The balance is run once a process.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
from odc.geo.geobox import GeoBox

from geo.balance import pack_soils
from geo.ground import ResponseUnits
from pipelines.run.context import Context
from pipelines.run.ground import Ground, prepare_weather
from pipelines.run.inputs import lay_grid, no_fields, read_climate_layer, read_soil_layer
from pipelines.run.seasons import Seasons, simulate
from pipelines.study.file import load_study
from pipelines.study.house import sample_dir
from pipelines.study.tables import load_tables

CELLS = (5, 17, 24, 36)
"""Climate cells of the sample county from wet to dry; the study reads only these."""

SITES = (
    # profile, cell (place in CELLS); in this order they show every zone
    ("9901031-2", 3),
    ("9901004-3", 1),
    ("9901001-1", 0),
    ("9901005-2", 0),
    ("9901002-1", 0),
    ("9901001-1", 1),
    ("", 2),  # not rated: water
    ("9901001-1", 2),
    ("9901009-1", 1),
    ("9901013-2", 1),
    ("9901003-2", 2),
    ("9901030-1", 3),
)
YEARS = 31


@lru_cache(maxsize=1)
def tiny_context() -> Context:
    """Return the context of the sample study, with fewer parameter sets."""
    file = sample_dir() / "study.toml"
    study, _ = load_study(file)
    run = study.run.model_copy(update={"parameter_sets": 4})
    settings = study.study.model_copy(update={"years": YEARS, "name": "Larkspur County (invented)"})
    study = study.model_copy(update={"run": run, "study": settings, "fields": None, "measurements": None})
    return Context(study, file.parent, load_tables(study), lambda *_: None, threads=1)


@lru_cache(maxsize=1)
def tiny_seasons() -> tuple[Ground, Seasons]:
    """Run the balance of the eleven units; the map of the ground is empty, for the caller to fill in."""
    from affine import Affine

    context = tiny_context()
    grid = GeoBox((1, 1), Affine(30, 0, -600000, 0, -30, 1900000), "EPSG:5070")
    fields = no_fields(context)
    soil, _ = read_soil_layer(context, fields)
    climate = read_climate_layer(context, lay_grid(context, soil, fields))
    assert climate.normals is not None
    climate = replace(
        climate,
        normals=climate.normals.isel(cell=list(CELLS)),
        cells=climate.cells.iloc[list(CELLS)].reset_index(drop=True).rename_axis("cell"),
    )
    weather, _, _ = prepare_weather(context, climate)
    rated = [k for k, (profile, _) in enumerate(SITES) if profile]
    units = pd.DataFrame(
        {"profile_id": [SITES[k][0] for k in rated], "cell": np.array([SITES[k][1] for k in rated], np.int32)},
        index=pd.RangeIndex(len(rated), name="unit"),
    )
    sites = pd.DataFrame(
        {
            "map_unit_id": [str(900001 + k) for k in range(len(SITES))],
            "cell": [cell for _, cell in SITES],
            "rated_share": [0.9 if profile else 0.0 for profile, _ in SITES],
            "reason": ["" if profile else "water" for profile, _ in SITES],
            "pixels": 1,
            "area_ha": 0.09,
        },
        index=pd.RangeIndex(len(SITES), name="site"),
    )
    site_units = pd.DataFrame({"site": rated, "unit": np.arange(len(rated)), "weight": 1.0})
    profiles = soil.profiles.loc[units["profile_id"]]
    ground = Ground(
        fields=fields,
        soil=soil,
        climate=climate,
        grid=grid,
        units=ResponseUnits(units, sites, site_units, np.full((1, 1), -1, np.int32)),
        soil_records=pack_soils(profiles, context.tables.rew_mm, context.tables.curve_numbers),
        weather=weather,
        coverage=np.zeros((0, len(SITES))),  # type: ignore[arg-type]
        slope_percent=np.zeros(0),
        elevation_range_m=None,
        measurements=None,
        problems=(),
    )
    return ground, simulate(context, ground)
