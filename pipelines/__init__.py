"""The edge: study file, readers, steps, command line, publishing."""
