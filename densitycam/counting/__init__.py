"""Haemocytometer work: chamber geometry, counts and their errors."""
