"""Fetch layers from public services."""
