"""Soils: survey tables, grids and texture become profiles of four one-foot layers; measured water by foot."""

from __future__ import annotations

from geo.profile import PROFILE_MM
from geo.soils.layers import (
    STEP_MM,
    Floats,
    GridSoils,
    foot_capacity,
    join_equal_cells,
    layer_weights,
    soils_from_texture,
    soils_from_water,
)
from geo.soils.measured_water import (
    WHOLE_SHARE,
    FootWater,
    foot_thickness_mm,
    foot_water,
    mean_water,
    misfit,
    volumetric,
)
from geo.soils.pedotransfer import DEFAULT_ORGANIC_MATTER_PERCENT, saxton_rawls
from geo.soils.survey_tables import SURVEY_COLUMNS, clean_key
from geo.soils.table import WILTING_COLUMNS, SoilTable, build_soil_table

__all__ = [
    "DEFAULT_ORGANIC_MATTER_PERCENT",
    "PROFILE_MM",
    "STEP_MM",
    "SURVEY_COLUMNS",
    "WHOLE_SHARE",
    "WILTING_COLUMNS",
    "Floats",
    "FootWater",
    "GridSoils",
    "SoilTable",
    "build_soil_table",
    "clean_key",
    "foot_capacity",
    "foot_thickness_mm",
    "foot_water",
    "join_equal_cells",
    "layer_weights",
    "mean_water",
    "misfit",
    "saxton_rawls",
    "soils_from_texture",
    "soils_from_water",
    "volumetric",
]
