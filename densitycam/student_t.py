"""Student's t, exact: importing scipy's takes longer than reading a photo."""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

#: Newton's steps end when the quantile moves by less than this share of it.
_SETTLED = 1e-13

#: Steps of Simpson's rule.
_STEPS = 2000

#: Degrees of freedom from which the series for large ones, cut after its first term, is exact to 10
#: digits: the next is 1 / (192 (degrees / 2)^3).
_LARGE = 1e3


def t_within(t: float, degrees: float) -> float:
    """Return how probable a value between -t and t is.

    Parameters
    ----------
    t : float
        >= 0.
    degrees : float
        Of freedom, >= 1, not necessarily whole.

    Returns
    -------
    float
        0 to 1; of the square of t, the F distribution with 1 and `degrees` degrees below it.

    Notes
    -----
    With t = sqrt(degrees) tan(a) the density becomes a power of the cosine (Abramowitz & Stegun,
    26.7.1, from memory), which Simpson's rule in 2000 steps integrates to 11 digits.
    """
    import numpy as np

    if math.isinf(degrees):
        return math.erf(t / math.sqrt(2))
    angle = math.atan(t / math.sqrt(degrees))
    heights = np.cos(np.linspace(0.0, angle, _STEPS + 1)) ** (degrees - 1.0)
    ends, odd, even = heights[0] + heights[-1], heights[1::2].sum(), heights[2:-1:2].sum()
    area = angle / _STEPS / 3.0 * float(ends + 4.0 * odd + 2.0 * even)
    return 2.0 * math.exp(_log_height(degrees)) * math.sqrt(degrees) * area


@lru_cache(maxsize=1024)
def t_quantile(share: float, degrees: float) -> float:
    """Return the value that Student's t stays below with a probability.

    Parameters
    ----------
    share : float
        That probability, 0.5 to below 1.
    degrees : float
        Of freedom, >= 1, not necessarily whole.

    Returns
    -------
    float
        The quantile, >= 0, to 10 digits.

    Raises
    ------
    ValueError
        For a share or degrees out of range.
    """
    if not 0.5 <= share < 1 or not degrees >= 1:
        raise ValueError(f"share {share}, degrees {degrees}")
    t = NormalDist().inv_cdf(share)
    if math.isinf(degrees):
        return t
    # Below the answer and on a concave curve Newton's steps never overshoot.
    for _ in range(200):
        missing = share - 0.5 * (1.0 + t_within(t, degrees))
        log_density = _log_height(degrees) - 0.5 * (degrees + 1) * math.log1p(t * t / degrees)
        step = missing / math.exp(log_density)
        t += step
        if abs(step) <= _SETTLED * max(t, 1.0):
            break
    return t


def _log_height(degrees: float) -> float:
    """Return ln of the density at 0."""
    half = 0.5 * degrees
    if degrees > _LARGE:  # where the two logarithms cancel but for their last digits
        ratio = 0.5 * math.log(half) - 1 / (8 * half)
    else:
        ratio = math.lgamma(half + 0.5) - math.lgamma(half)
    return ratio - 0.5 * math.log(degrees * math.pi)
