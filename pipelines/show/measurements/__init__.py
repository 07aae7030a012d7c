"""The page of own measurements."""
