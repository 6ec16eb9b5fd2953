"""One counted slide: cells in squares of a chamber become cells/mL with exact limits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from densitycam.counting.chambers import chamber_by_name, unit_by_name
from densitycam.counting.poisson import poisson_limits

__all__ = ["DILUTION_SD", "LOADING_SD", "SlideCount", "count_slide", "widened_limits"]

#: Relative standard deviation of one chamber filling and of one pipetted dilution
#: (Berkson, Magath & Hurn 1940, Am J Physiol 128, 309-323; both from memory).
LOADING_SD = 0.046
DILUTION_SD = 0.047

#: Two-sided 95 % point of the normal distribution.
Z95 = 1.959963984540054

#: More cells than this are a slip of the hand, as is a smaller part of a square.
MOST_CELLS, _LEAST_SQUARES = 10**9, 1e-3


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


def count_slide(
    *,
    cells: int,
    squares: float,
    chamber: str = "improved-neubauer",
    unit: str = "large",
    dilution: float = 1.0,
    fixative_fraction: float = 0.0,
    loading_sd: float = LOADING_SD,
    dilution_sd: float = DILUTION_SD,
    over_dispersion: float = 1.0,
    fillings: int = 1,
) -> SlideCount:
    """Turn a count into cells/mL of the undiluted culture with a 95 % interval.

    Parameters
    ----------
    cells : int
        Cells counted in all squares together, >= 0.
    squares : float
        How many squares, > 0.
    chamber, unit : str
        Chamber and kind of square, see `densitycam.counting.chambers`.
    dilution : float, default 1.0
        Final over drawn volume, >= 1.
    fixative_fraction : float, default 0.0
        Volume of fixative per volume of sample, 0 <= fraction <= 1.
    loading_sd : float
        Relative standard deviation of one chamber filling, >= 0.
    dilution_sd : float
        Relative standard deviation of one dilution, >= 0; used only where dilution > 1.
    over_dispersion : float, default 1.0
        Variance of the squares over their mean where cells are clumped, >= 1.
    fillings : int, default 1
        Over how many chamber fillings the squares lie, >= 1; the loading error is divided by its
        root.

    Returns
    -------
    SlideCount
        Density, limits, relative standard deviation.

    Raises
    ------
    ValueError
        For a cell count that is not whole, negative or past `MOST_CELLS`, squares not above 0 or
        more than the chamber has, a dilution below 1, a fixative fraction outside 0 to 1, or no
        filling.
    DensitycamError
        For a chamber or square that does not exist.

    Notes
    -----
    cells/mL = N x dilution x (1 + fixative fraction) / (squares x volume).

    The limits are `widened_limits` of the count, with the loading and dilution errors added in
    quadrature. Clumped cells scatter more than Poisson: test with
    `densitycam.counting.precision.dispersion_within`. Several fillings, sides and dilution steps:
    `densitycam.counting.tally`.
    """
    if isinstance(cells, bool) or int(cells) != cells:
        raise ValueError(f"cells must be a whole number, not {cells!r}")
    cells = int(cells)
    if cells < 0:
        raise ValueError(f"cells cannot be negative: {cells}")
    if cells > MOST_CELLS:
        raise ValueError(f"nobody counts more than {MOST_CELLS:g} cells, given were {cells:g}")
    if not (squares > 0 and math.isfinite(squares)):
        raise ValueError(f"squares must be above 0, not {squares!r}")
    if squares < _LEAST_SQUARES:
        raise ValueError(f"squares must be at least {_LEAST_SQUARES:g}, not {squares:g}")
    if not (dilution >= 1 and math.isfinite(dilution)):
        raise ValueError(
            f"dilution is final over drawn volume and at least 1 (1 mL made up to 10 mL is 10), "
            f"not {dilution:g}"
        )
    if not 0 <= fixative_fraction <= 1:
        raise ValueError(
            f"fixative fraction must lie between 0 and 1 (2 mL per 100 mL is 0.02), "
            f"not {fixative_fraction:g}"
        )
    if not (loading_sd >= 0 and dilution_sd >= 0):
        raise ValueError("loading_sd and dilution_sd cannot be negative")
    if not (over_dispersion >= 1 and math.isfinite(over_dispersion)):
        raise ValueError(f"over_dispersion must be at least 1, not {over_dispersion!r}")
    if fillings < 1:
        raise ValueError(f"fillings must be at least 1, not {fillings}")
    geometry = chamber_by_name(chamber)
    field = unit_by_name(geometry, unit)
    sides = max(2, fillings)  # both sides of one slide
    if squares > sides * field.per_chamber:
        if sides == 2:
            raise ValueError(
                f"one {geometry.title} slide has {2 * field.per_chamber:g} {field.id} squares on "
                f"its two sides, not {squares:g}; log each slide by itself"
            )
        raise ValueError(
            f"{sides} fillings of the {geometry.title} chamber have {sides * field.per_chamber:g} "
            f"{field.id} squares, not {squares:g}"
        )

    other_sd = math.hypot(loading_sd / math.sqrt(fillings), dilution_sd if dilution > 1 else 0.0)
    per_cell = dilution * (1.0 + fixative_fraction) / (squares * geometry.volume_ml(field.id))
    low, high = widened_limits(cells, other_sd=other_sd, over_dispersion=over_dispersion)
    return SlideCount(
        chamber=geometry.id,
        unit=field.id,
        cells=cells,
        squares=float(squares),
        dilution=float(dilution),
        fixative_fraction=float(fixative_fraction),
        cells_per_ml=cells * per_cell,
        low=low * per_cell,
        high=high * per_cell,
        relative_sd=(
            math.hypot(math.sqrt(over_dispersion) / math.sqrt(cells), other_sd)
            if cells
            else math.inf
        ),
    )


def widened_limits(
    cells: int, *, other_sd: float, over_dispersion: float = 1.0
) -> tuple[float, float]:
    """Return the 95 % limits of a count with its errors other than chance, in cells.

    Parameters
    ----------
    cells : int
        Cells counted, >= 0.
    other_sd : float
        Relative standard deviation of loading and dilution together, >= 0.
    over_dispersion : float, default 1.0
        Variance of the squares over their mean where cells are clumped, >= 1.

    Returns
    -------
    low, high : float
        Cells; low is 0 for a count of zero.

    Raises
    ------
    ValueError
        For a negative count.

    Notes
    -----
    Each exact Poisson limit (Garwood 1936) is widened by s, the other errors, on the log scale:
    ln(N/low) and ln(high/N) each become sqrt(ln(..)**2 + (1.96 s)**2). A count of zero has no
    logarithm; its upper limit is multiplied by exp(1.96 s), which is on the wide side. The Poisson
    part of each log limit is multiplied by sqrt(over_dispersion) (quasi-likelihood: McCullagh &
    Nelder 1989, Generalized Linear Models, sec. 6.2.3, from memory).
    """
    low, high = poisson_limits(cells)
    widen = Z95 * other_sd
    if cells == 0:
        return 0.0, high * math.exp(widen)
    clumped = math.sqrt(over_dispersion)
    return (
        cells * math.exp(-math.hypot(clumped * math.log(cells / low), widen)),
        cells * math.exp(math.hypot(clumped * math.log(high / cells), widen)),
    )
