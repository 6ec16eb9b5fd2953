"""Growth towards a ceiling: the logistic fit, and what it says of harvests."""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike

__all__ = ["LogisticFit", "days_between", "fit_logistic", "log_gain", "split_cycle"]


@dataclass(frozen=True)
class LogisticFit:
    """density(t) = ceiling / (1 + exp(offset - rate t)).

    Parameters
    ----------
    ceiling, ceiling_se : float
        Density it grows towards and its standard error, in the unit of the data [cells/mL].
    offset, offset_se : float
        Dimensionless.
    rate_per_day, rate_se : float
        Specific growth rate far below the ceiling [1/day].
    rss : float
        Sum of squared residuals, each divided by its relative weight.
    degrees : int
        Points less 3.
    """

    ceiling: float
    ceiling_se: float
    offset: float
    offset_se: float
    rate_per_day: float
    rate_se: float
    rss: float
    degrees: int

    def density(self, time_day: float) -> float:
        """Return the density on the curve at a time.

        Parameters
        ----------
        time_day : float
            On the clock of the data that were fitted [day].

        Returns
        -------
        float
            >= 0, in the unit of the data [cells/mL].
        """
        x = self.offset - self.rate_per_day * time_day
        return 0.0 if x > 700 else self.ceiling / (1.0 + math.exp(x))


def fit_logistic(
    times_day: Sequence[float],
    densities: Sequence[float],
    *,
    sd: Sequence[float] | None = None,
) -> LogisticFit | None:
    """Fit a logistic curve by weighted least squares.

    Parameters
    ----------
    times_day : sequence of float, shape (n,)
        Times [day].
    densities : sequence of float, shape (n,)
        Densities, > 0 [cells/mL].
    sd : sequence of float, shape (n,), optional
        Standard deviations up to a common factor, > 0, in the unit of `densities`; equal if None.

    Returns
    -------
    LogisticFit or None
        None for fewer than 4 points or where no curve can be found (the data do not bend).

    Notes
    -----
    Levenberg-Marquardt through `scipy.optimize.curve_fit`; standard errors from the scatter of
    the data, not from `sd`. Checked against the certified values of NIST StRD Rat42.
    """
    if len(times_day) < 4:
        return None
    import numpy as np
    from scipy.optimize import curve_fit
    from scipy.special import expit

    t = np.asarray(times_day, dtype=float)
    scale = float(np.max(densities))
    y = np.asarray(densities, dtype=float) / scale
    sigma = None if sd is None else np.asarray(sd, dtype=float) / scale

    def curve(t: np.ndarray, k: float, offset: float, rate: float) -> np.ndarray:
        return k * expit(rate * t - offset)

    def slopes(t: np.ndarray, k: float, offset: float, rate: float) -> np.ndarray:
        s = expit(rate * t - offset)
        bend = k * s * (1.0 - s)
        return np.column_stack((s, -bend, t * bend))

    # A straight line through the logits with the ceiling a little above the largest value.
    start_k = 1.1
    slope, intercept = np.polyfit(t, np.log(y / (start_k - y)), 1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of a covariance that cannot be told: looked at below
        try:
            best, cov = curve_fit(
                curve,
                t,
                y,
                p0=(start_k, -intercept, slope),
                sigma=sigma,
                jac=slopes,
                method="lm",
                xtol=1e-12,
                ftol=1e-12,
                maxfev=200,
            )
        except RuntimeError:
            return None
    if abs(best[2]) * float(np.ptp(t)) < 1e-6:  # a level line fits any ceiling
        return None
    if not (math.isfinite(np.sum(cov)) and best[0] > 0):  # other curves fit as well, or none
        return None
    weights = 1.0 if sigma is None else sigma
    residuals = (y - curve(t, *best)) / weights
    rss = float(np.sum(residuals**2)) * (scale**2 if sd is None else 1.0)
    k_se, offset_se, rate_se = np.sqrt(np.diag(cov))
    return LogisticFit(
        ceiling=float(best[0]) * scale,
        ceiling_se=float(k_se) * scale,
        offset=float(best[1]),
        offset_se=float(offset_se),
        rate_per_day=float(best[2]),
        rate_se=float(rate_se),
        rss=rss,
        degrees=len(t) - 3,
    )


def days_between(
    *, start: ArrayLike, goal: ArrayLike, rate_per_day: ArrayLike, ceiling: ArrayLike
) -> np.ndarray:
    """Days a culture needs to grow from one density to another.

    Parameters
    ----------
    start, goal : array_like of float, of shapes that go together
        Densities, > 0 [cells/mL].
    rate_per_day : array_like of float
        Specific growth rate far below the ceiling [1/day].
    ceiling : array_like of float
        Density it levels off at [cells/mL]; nan or inf for none.

    Returns
    -------
    ndarray of float64, of their common shape
        Days, 0 where start >= goal, inf where it never gets there, nan where the rate or a
        density is not known.

    Notes
    -----
    Exponential: ln(goal/start)/rate. Logistic: the difference of the logits over the rate.
    """
    import numpy as np

    start, goal, rate, top = (
        np.asarray(value, dtype=float) for value in (start, goal, rate_per_day, ceiling)
    )
    with np.errstate(all="ignore"):  # in what is not taken below
        gain = np.log(goal / start)
        # The logits' difference, 0 beside the gain where there is no ceiling.
        crowding = np.log((top - start) / (top - goal))
        gain += np.where(np.isfinite(top), crowding, 0.0)
        days = np.where((rate <= 0) | (goal >= top), math.inf, gain / rate)
        days = np.where(start >= goal, 0.0, days)
        return np.where((start > 0) & (goal > 0) & ~np.isnan(rate), days, math.nan)


def log_gain(*, log_density: float, days: float, rate_per_day: float, ceiling: float) -> float:
    """Gain in ln density over some days, the other way round than `days_between`.

    Parameters
    ----------
    log_density : float
        ln of the density it begins at [cells/mL]; above the ceiling it comes down to it.
    days : float
        >= 0 [day].
    rate_per_day : float
        Specific growth rate far below the ceiling, >= 0 with a ceiling [1/day].
    ceiling : float
        Density it levels off at, > 0 [cells/mL]; nan or inf for none.

    Returns
    -------
    float
        Dimensionless.
    """
    if not math.isfinite(ceiling):
        return rate_per_day * days
    rest = ceiling / math.exp(log_density) - 1.0
    return math.log(ceiling) - math.log1p(rest * math.exp(-rate_per_day * days)) - log_density


def split_cycle(*, kept_share: float, harvest_share: float) -> tuple[float, float]:
    """Length and yield of one round of harvest and top-up under a ceiling.

    Parameters
    ----------
    kept_share : float
        Share of the culture kept back, 0 < share < 1.
    harvest_share : float
        Density at harvest over the ceiling, 0 < share < 1.

    Returns
    -------
    rate_times_days : float
        Specific growth rate far below the ceiling times the days between harvests,
        ln[(h/(1-h)) (1-r h)/(r h)], dimensionless.
    yield_share : float
        Mean cells harvested per day over (ceiling x volume x rate), h (1-r)/(rate x days).

    Raises
    ------
    ValueError
        For a share outside (0, 1).
    """
    if not (0 < kept_share < 1 and 0 < harvest_share < 1):
        raise ValueError("kept_share and harvest_share must lie between 0 and 1")
    r, h = kept_share, harvest_share
    rounds = math.log(h / (1.0 - h) * (1.0 - r * h) / (r * h))
    return rounds, h * (1.0 - r) / rounds
