"""Readers of measured soil water."""
