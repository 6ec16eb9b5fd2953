"""Densities and days in plain words, two figures, with their unit."""

from __future__ import annotations

import math

__all__ = ["days_words", "density_words", "interval_words", "two_figures"]


def two_figures(value: float) -> str:
    """Round to two significant figures without an exponent: 23, 2.3, 0.23, 1 200."""
    if not math.isfinite(value):
        return "unknown"
    if value == 0:
        return "0"
    places = 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, places)
    places = max(0, 1 - math.floor(math.log10(abs(rounded))))
    return f"{rounded:,.{places}f}".replace(",", " ")


def density_words(cells_per_ml: float) -> str:
    """Return a density in words: "23 million cells/mL", "8 500 cells/mL"."""
    if math.isfinite(cells_per_ml) and abs(cells_per_ml) >= 1e5:
        return f"{two_figures(cells_per_ml / 1e6)} million cells/mL"
    return f"{two_figures(cells_per_ml)} cells/mL"


def interval_words(low: float, high: float, *, unit: bool = True) -> str:
    """Return an interval in words: "18 to 29 million cells/mL", or without its unit."""
    tail = " cells/mL" if unit else ""
    if not math.isfinite(high):
        return "more than " + density_words(low).removesuffix(" cells/mL") + tail
    if high >= 1e5:
        return f"{two_figures(low / 1e6)} to {two_figures(high / 1e6)} million{tail}"
    return f"{two_figures(low)} to {two_figures(high)}{tail}"


def days_words(days: float) -> str:
    """Whole days in words; "less than a day" below one."""
    if not math.isfinite(days):
        return "an unknown number of days"
    if days < 0.75:
        return "less than a day"
    whole = max(1, round(days))
    return "1 day" if whole == 1 else f"{whole} days"
