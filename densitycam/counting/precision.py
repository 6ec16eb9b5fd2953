"""How good a count is: its half-width, whether cells lie at random, how many more to count."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from densitycam.counting.poisson import poisson_limits
from densitycam.counting.slide import Z95, SlideCount

__all__ = ["Dispersion", "cells_needed", "dispersion", "relative_half_width", "replicates_agree"]


@dataclass(frozen=True)
class Dispersion:
    """Index-of-dispersion test of counts in single squares.

    Parameters
    ----------
    statistic : float
        D = sum((n - mean)^2) / mean = (k - 1) s^2 / mean, dimensionless.
    low, high : float
        Central 95 % of D for cells that lie at random (chi-square with k - 1 degrees).
    verdict : {"random", "clumped", "too regular", "too few"}
        "too few" where fewer than two squares or no cells were counted.
    meaning : str
        One sentence for the keeper.
    """

    statistic: float
    low: float
    high: float
    verdict: str
    meaning: str


def relative_half_width(count: SlideCount) -> float:
    """Half the 95 % interval over the density, dimensionless; inf for a count of zero."""
    if count.cells == 0:
        return math.inf
    return (count.high - count.low) / 2.0 / count.cells_per_ml


def dispersion(counts: Sequence[int]) -> Dispersion:
    """Test whether cells lie at random over the squares.

    Parameters
    ----------
    counts : sequence of int, shape (k,)
        Cells in each square, >= 0.

    Returns
    -------
    Dispersion
        Statistic, its 95 % range, verdict.

    Raises
    ------
    ValueError
        For a negative count.

    Notes
    -----
    R. A. Fisher, Statistical Methods for Research Workers, 1925, ch. 3 (from memory). Clumping is
    common in algae and makes Poisson limits too narrow (Salonen, Salmi & Keskitalo 2021,
    J Plankton Res 43, 846).
    """
    if any(n < 0 for n in counts):
        raise ValueError(f"a count cannot be negative, got {list(counts)}")
    k, total = len(counts), sum(counts)
    if k < 2 or total == 0:
        return Dispersion(
            math.nan,
            math.nan,
            math.nan,
            "too few",
            "Too few squares or cells to tell whether they lie at random.",
        )
    from scipy.special import gammainccinv, gammaincinv

    mean = total / k
    statistic = sum((n - mean) ** 2 for n in counts) / mean
    low = 2.0 * float(gammaincinv((k - 1) / 2.0, 0.025))
    high = 2.0 * float(gammainccinv((k - 1) / 2.0, 0.025))
    if statistic > high:
        verdict = "clumped"
        meaning = (
            "Cells are clumped or unevenly spread: the interval is too narrow. "
            "Mix, load again and count a fresh chamber."
        )
    elif statistic < low:
        verdict = "too regular"
        meaning = "The squares agree better than chance allows: check how they were counted."
    else:
        verdict, meaning = "random", "The cells lie at random over the squares."
    return Dispersion(statistic, low, high, verdict, meaning)


def cells_needed(*, half_width: float = 0.10, other_sd: float = 0.0) -> int | None:
    """Fewest cells whose 95 % interval is no wider than +/- `half_width`.

    Parameters
    ----------
    half_width : float, default 0.10
        Wanted relative half-width, between 0 and 1.
    other_sd : float, default 0.0
        Relative standard deviation of loading and dilution together, >= 0.

    Returns
    -------
    int or None
        Cells to count in all; None where loading and dilution alone are wider, so that only
        more chamber fillings help.

    Raises
    ------
    ValueError
        For a half-width outside (0, 1).
    """
    if not 0 < half_width < 1:
        raise ValueError(f"half-width must lie between 0 and 1, got {half_width}")
    if half_width <= Z95 * other_sd:
        return None

    def width(n: int) -> float:
        low, high = poisson_limits(n)
        widen = Z95 * other_sd
        up = math.exp(math.hypot(math.log(high / n), widen))
        return (up - math.exp(-math.hypot(math.log(n / low), widen))) / 2.0

    top = 2
    while width(top) > half_width:
        if top > 10_000_000:  # so close to the floor set by loading that no count will do
            return None
        top *= 2
    bottom = top // 2
    while top - bottom > 1:
        middle = (top + bottom) // 2
        if width(middle) > half_width:
            bottom = middle
        else:
            top = middle
    return top


def replicates_agree(first: int, second: int) -> bool:
    """Whether two counts of equal volume agree: |n1 - n2| <= 1.96 sqrt(n1 + n2).

    Raises
    ------
    ValueError
        For a negative count.
    """
    if first < 0 or second < 0:
        raise ValueError(f"a count cannot be negative, got {first} and {second}")
    return abs(first - second) <= Z95 * math.sqrt(first + second)
