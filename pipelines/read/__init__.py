"""Readers of every input layer."""
