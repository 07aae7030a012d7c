"""GIS layers, tables and catalogue: what is published for the analyst."""
