"""Readers of soils."""
