"""Grid, fields, terrain and response units."""
