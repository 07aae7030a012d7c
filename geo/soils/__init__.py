"""Soil profiles from surveys, grids and texture."""
