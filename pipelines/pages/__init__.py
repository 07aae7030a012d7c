"""The county map and the field pages."""
