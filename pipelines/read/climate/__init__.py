"""Readers of climate."""
