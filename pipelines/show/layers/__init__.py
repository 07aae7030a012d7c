"""GIS layers and tables."""
