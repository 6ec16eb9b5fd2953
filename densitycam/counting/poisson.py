"""Exact limits of a Poisson count."""

from __future__ import annotations

__all__ = ["poisson_limits"]


def poisson_limits(cells: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Exact central limits for the mean of a Poisson count.

    Parameters
    ----------
    cells : int
        Things counted, >= 0.
    confidence : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    low, high : float
        Limits for the mean [counts]; low is 0 for a count of 0.

    Raises
    ------
    ValueError
        For a negative count or a confidence outside (0, 1).

    Notes
    -----
    low = chi2(a/2; 2n)/2 and high = chi2(1 - a/2; 2n + 2)/2, a = 1 - confidence
    (F. Garwood, Biometrika 28, 1936, 437-442). A chi-square quantile with 2n degrees of freedom,
    halved, is the inverse of the incomplete gamma function, which is quick to import.
    """
    if cells < 0:
        raise ValueError(f"a count cannot be negative, got {cells}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence}")
    from scipy.special import gammainccinv, gammaincinv

    tail = (1.0 - confidence) / 2.0
    low = float(gammaincinv(cells, tail)) if cells > 0 else 0.0
    return low, float(gammainccinv(cells + 1, tail))
