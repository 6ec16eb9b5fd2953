"""Compares results that hold nan, which no longer equal themselves in Python 3.13's dataclasses."""


def exactly(result: object) -> str:
    """Return every field to its last digit: nan reads as nan, and floats as their own shortest."""
    return repr(result)
