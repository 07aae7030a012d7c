"""The county page."""
