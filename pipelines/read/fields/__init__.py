"""Readers of field boundaries."""
