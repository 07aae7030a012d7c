"""The kinds of soil layer, by the names that a study file gives them."""

from __future__ import annotations

from typing import Literal

SoilKind = Literal[
    "auto",
    "survey_export",
    "geodatabase",
    "map_unit_raster",
    "water_capacity_grid",
    "field_capacity_grid",
    "texture_grid",
]
