"""The ground of a study: its grid, fields, slopes, and the response units that soils and climate make on it."""

from __future__ import annotations

from geo.ground.boundaries import clean_fields
from geo.ground.coverage import pixel_coverage, site_shares
from geo.ground.grid import burn_map_units, cell_area_ha, cells_under, nearest_cells, study_grid
from geo.ground.polygons import joined, polygon_parts
from geo.ground.response_units import ResponseUnits, build_units
from geo.ground.row_blocks import count_codes, row_blocks
from geo.ground.terrain import site_means, slope_percent

__all__ = [
    "ResponseUnits",
    "build_units",
    "burn_map_units",
    "cell_area_ha",
    "cells_under",
    "clean_fields",
    "count_codes",
    "joined",
    "nearest_cells",
    "pixel_coverage",
    "polygon_parts",
    "row_blocks",
    "site_means",
    "site_shares",
    "slope_percent",
    "study_grid",
]
