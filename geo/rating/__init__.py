"""Outcomes, tests and zones."""
