"""One counted slide: cells in squares of a chamber become cells/mL with exact limits."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SlideCount:
    """A haemocytometer count and what it says of the undiluted culture.

    Parameters
    ----------
    chamber : str
        Id in the chamber table, such as "improved-neubauer".
    unit : str
        Which squares were counted, such as "large" (1 mm2).
    cells : int
        Cells counted in all squares together, >= 0.
    squares : float
        How many squares, > 0.
    dilution : float
        Final over drawn volume, >= 1.
    fixative_fraction : float
        Volume of fixative per volume of sample, >= 0 (0.02 = 2 mL per 100 mL).
    cells_per_ml, low, high : float
        Density of the culture and its 95 % limits [cells/mL]; cells_per_ml is 0 and low is 0
        for a count of zero, which reads "less than high".
    relative_sd : float
        Relative standard deviation with Poisson, loading and dilution errors together, of a
        count above zero; inf for zero.
    """

    chamber: str
    unit: str
    cells: int
    squares: float
    dilution: float
    fixative_fraction: float
    cells_per_ml: float
    low: float
    high: float
    relative_sd: float
