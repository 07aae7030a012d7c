"""The ground of a study: its grid, fields, slopes, and the response units that soils and climate make on it."""

from __future__ import annotations

from geo.ground.boundaries import clean_fields
from geo.ground.coverage import pixel_coverage, site_shares
from geo.ground.grid import burn_map_units, cell_area_ha, nearest_cells, study_grid
from geo.ground.response_units import ResponseUnits, build_units
from geo.ground.row_blocks import count_codes, row_blocks
from geo.ground.terrain import site_means, slope_percent

__all__ = [
    "ResponseUnits",
    "build_units",
    "burn_map_units",
    "cell_area_ha",
    "clean_fields",
    "count_codes",
    "nearest_cells",
    "pixel_coverage",
    "row_blocks",
    "site_means",
    "site_shares",
    "slope_percent",
    "study_grid",
]
