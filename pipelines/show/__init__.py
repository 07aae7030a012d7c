"""Everything that people look at or take away."""
