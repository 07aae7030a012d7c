"""The study file, the shared tables, words, units and where files lie."""
