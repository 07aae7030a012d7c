"""The field pages."""
