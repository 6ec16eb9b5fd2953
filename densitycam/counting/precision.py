"""How good a count is: half-width, do cells lie at random, do fillings agree, how many more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from densitycam.counting.slide import LOADING_SD, Z95, SlideCount, widened_limits

__all__ = [
    "Dispersion",
    "Replicates",
    "cells_needed",
    "compare_fillings",
    "dispersion_within",
    "live_share",
    "relative_half_width",
]


@dataclass(frozen=True)
class Dispersion:
    """Index-of-dispersion test of counts in single squares.

    Parameters
    ----------
    statistic : float
        D = sum((n - mean)^2) / mean = (k - 1) s^2 / mean, dimensionless; nan for too few.
    low, high : float
        Central 95 % of D for cells that lie at random (chi-square with k - 1 degrees); nan
        likewise.
    verdict : {"random", "clumped", "too regular", "too few"}
        "too few" where fewer than two squares or no cells were counted.
    meaning : str
        One sentence for the keeper.
    degrees : int
        Degrees of freedom, k - 1 of each filling, added up.
    """

    statistic: float
    low: float
    high: float
    verdict: str
    meaning: str
    degrees: int = 0

    @property
    def index(self) -> float:
        """Variance over mean, D / degrees; 1 for cells at random, nan for too few."""
        return self.statistic / self.degrees if self.degrees else math.nan


@dataclass(frozen=True)
class Replicates:
    """Whether several fillings, sides or replicates tell the same density.

    Parameters
    ----------
    statistic : float
        Sum of (seen - expected)^2 / (expected + (loading error)^2), dimensionless; nan for one
        filling.
    high : float
        95 % point of chi-square with one degree less than there are fillings; nan likewise.
    agree : bool
        Whether the statistic lies below it; True for one filling.
    meaning : str
        One sentence for the keeper.
    """

    statistic: float
    high: float
    agree: bool
    meaning: str


def relative_half_width(count: SlideCount) -> float:
    """Return half the 95 % interval over the density.

    Parameters
    ----------
    count : SlideCount
        One slide.

    Returns
    -------
    float
        Dimensionless, > 0; inf for a count of zero.
    """
    if count.cells == 0:
        return math.inf
    return (count.high - count.low) / 2.0 / count.cells_per_ml


def dispersion_within(fillings: Sequence[Sequence[int]]) -> Dispersion:
    """Test whether cells lie at random over the squares of each of several fillings.

    A filling that is denser than the next is no clumping, so each is held against its own mean
    and the statistics and degrees of freedom are added up.

    Parameters
    ----------
    fillings : sequence of sequence of int
        Cells in each square of each filling, >= 0.

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
    if any(n < 0 for counts in fillings for n in counts):
        raise ValueError(f"a count cannot be negative, got {[list(c) for c in fillings]}")
    told = [counts for counts in fillings if len(counts) > 1 and sum(counts) > 0]
    if not told:
        return Dispersion(
            math.nan,
            math.nan,
            math.nan,
            "too few",
            "Too few squares or cells to tell whether they lie at random.",
        )
    from scipy.special import gammainccinv, gammaincinv

    degrees = sum(len(counts) - 1 for counts in told)
    statistic = 0.0
    for counts in told:
        mean = sum(counts) / len(counts)
        statistic += sum((n - mean) ** 2 for n in counts) / mean
    low = 2.0 * float(gammaincinv(degrees / 2.0, 0.025))
    high = 2.0 * float(gammainccinv(degrees / 2.0, 0.025))
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
    return Dispersion(statistic, low, high, verdict, meaning, degrees)


def compare_fillings(
    cells: Sequence[int], squares: Sequence[float], *, loading_sd: float = LOADING_SD
) -> Replicates:
    """Test whether fillings of one sample agree, by chance and usual loading error.

    Parameters
    ----------
    cells : sequence of int, shape (k,)
        Cells counted in each filling, >= 0.
    squares : sequence of float, shape (k,)
        Squares counted in each, > 0.
    loading_sd : float
        Relative standard deviation of one filling, >= 0; with 0 it is the plain chi-square test,
        and two fillings of equal area agree where |n1 - n2| <= 1.96 sqrt(n1 + n2).

    Returns
    -------
    Replicates
        The test and its meaning.

    Raises
    ------
    ValueError
        For lists of unequal length, a negative count, or squares not above 0.
    """
    if len(cells) != len(squares):
        raise ValueError(f"{len(cells)} counts do not go with {len(squares)} numbers of squares")
    if any(n < 0 for n in cells) or any(not s > 0 for s in squares):
        raise ValueError("counts cannot be negative and squares must be above 0")
    if len(cells) < 2 or sum(cells) == 0:
        return Replicates(math.nan, math.nan, True, "")
    from scipy.special import gammainccinv

    statistic = 0.0
    for n, area in zip(cells, squares, strict=True):
        expected = sum(cells) * area / sum(squares)
        statistic += (n - expected) ** 2 / (expected + (loading_sd * expected) ** 2)
    high = 2.0 * float(gammainccinv((len(cells) - 1) / 2.0, 0.05))
    if statistic <= high:
        return Replicates(statistic, high, True, "The fillings agree.")
    return Replicates(
        statistic,
        high,
        False,
        "The fillings differ by more than chance and usual loading explain: the sample was not "
        "mixed or a chamber was over- or underfilled. Mix, load again and count once more.",
    )


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
        low, high = widened_limits(n, other_sd=other_sd)
        return (high - low) / (2.0 * n)

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


def live_share(*, live: int, dead: int) -> tuple[float, float, float]:
    """Share of live cells with its exact 95 % limits.

    Parameters
    ----------
    live, dead : int
        Cells counted as such, >= 0, not both 0.

    Returns
    -------
    share, low, high : float
        Between 0 and 1.

    Raises
    ------
    ValueError
        For a negative count, or none at all.

    Notes
    -----
    Clopper & Pearson 1934, Biometrika 26, 404-413, by the beta distribution.
    """
    if live < 0 or dead < 0 or live + dead == 0:
        raise ValueError(f"live and dead must be counts, some above 0, got {live} and {dead}")
    from scipy.special import betaincinv

    low = float(betaincinv(live, dead + 1, 0.025)) if live else 0.0
    high = float(betaincinv(live + 1, dead, 0.975)) if dead else 1.0
    return live / (live + dead), low, high
