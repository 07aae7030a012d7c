"""The daily soil water balance."""
