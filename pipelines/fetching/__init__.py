"""Soils, climate and outlines from public services, cached and polite."""
