"""When a growing batch reaches a density: the day, the earliest and the latest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from densitycam.culture.logistic import days_between
from densitycam.culture.series import DensityPoint, Split
from densitycam.culture.usual import WANDER_SD, follow, photos_of, usual_growth

if TYPE_CHECKING:
    import numpy as np

__all__ = ["ReadyForecast", "forecast_ready"]

#: How far ahead is looked [day]. Our own choice: beyond a month no batch goes on as it does.
LONGEST_AHEAD_DAYS = 30.0
#: Fewest photos of the running batch, and fewest steps of all batches, that tell its growth. Our
#: own choice: the least that shows any.
MIN_PHOTOS, MIN_STEPS = 2, 2
#: Courses that growth may take, drawn to find the earliest and the latest day. Our own choice.
DRAWS = 400


@dataclass(frozen=True)
class ReadyForecast:
    """When a batch reaches a density as its photos would read it.

    Parameters
    ----------
    day : datetime or None
        Likeliest moment; None where it does not get there within a month.
    earliest, latest : datetime or None
        95 % interval; `latest` is None where it may never get there, `earliest` where that is
        sure.
    """

    day: datetime | None
    earliest: datetime | None
    latest: datetime | None


def forecast_ready(
    points: Sequence[DensityPoint],
    splits: Sequence[Split],
    now: datetime,
    *,
    goal_cells_per_ml: float,
) -> ReadyForecast | None:
    """Forecast the moment at which a batch reaches a density.

    Parameters
    ----------
    points : sequence of DensityPoint
        Densities of one vessel over all its batches, any order; those after `now` are left out.
    splits : sequence of Split
        Logged and inferred splits, any order; those after `now` are left out.
    now : datetime
        The moment asked about, local, naive. No answer lies before it.
    goal_cells_per_ml : float
        The density, such as the lower edge of the species' harvest band, > 0 [cells/mL].

    Returns
    -------
    ReadyForecast or None
        None where too few photos tell the growth.

    Notes
    -----
    Growth is the vessel's usual one, a straight line of rate against density (the logistic law),
    learned from its batches of five weeks, the running one included. Courses are drawn from its
    posterior, from the photos' noise and from the culture's wander; the day is that of the best
    one. The calibration's own error is not in it: the goal is meant as the photos read it.
    """
    import numpy as np

    past = [s for s in splits if s.when <= now]
    photos = photos_of([p for p in points if p.when <= now], past)
    begin = max((s.when for s in past), default=None)
    running = [p for p in photos if begin is None or p.when > begin]
    usual = usual_growth(photos, least_steps=MIN_STEPS)
    if len(running) < MIN_PHOTOS or usual is None:
        return None
    goal = math.log(goal_cells_per_ml)
    newest = follow(running, usual)[-1]
    level, level_sd = newest.level, math.sqrt(newest.variance)
    since = (now - running[-1].when).total_seconds() / 86400.0

    rng = np.random.default_rng(0)  # the same photos give the same answer
    unit = np.array([1.0, math.exp(level)])  # both numbers of about one size
    covariance = usual.covariance[:2, :2] * np.outer(unit, unit)
    line = rng.multivariate_normal(
        np.array([usual.rate, usual.slope]) * unit, covariance, DRAWS, method="eigh"
    )
    # No culture grows faster the denser it is: such draws lie on the border, at its own rate.
    tied = covariance[0, 1] / covariance[1, 1]
    free = line[:, 0] - tied * line[:, 1]  # the rate as it were without any slowing
    below = np.minimum(line[:, 1], 0.0)
    line -= np.outer(below, [tied, 1.0])
    starts = level + level_sd * rng.standard_normal(DRAWS)
    wander = rng.standard_normal(DRAWS) * WANDER_SD * usual.scale
    rate, slope = line[:, 0], line[:, 1] / math.exp(level)
    days = np.sort(_days(goal, starts, rate, slope, wander))
    # A batch that has not slowed yet may not slow at all: the earliest day is reckoned without.
    soonest = np.sort(_days(goal, starts, free, np.zeros(DRAWS), wander))
    (best,) = _days(goal, *np.array([[level], [usual.rate], [usual.slope], [0.0]]))

    def moment(days: float) -> datetime | None:
        ahead = max(days - since, 0.0)
        return now + timedelta(days=ahead) if ahead <= LONGEST_AHEAD_DAYS else None

    early = round(0.025 * DRAWS)
    return ReadyForecast(
        day=moment(best),
        earliest=moment(min(days[early], soonest[early], best)),
        latest=moment(max(days[-1 - early], best)),
    )


def _days(
    goal: float, start: np.ndarray, rate: np.ndarray, slope: np.ndarray, drift: np.ndarray
) -> np.ndarray:
    """Days from some ln densities to another along rate - slope x density; inf where never.

    The drift, a wander over about a day, shifts the start: over the few days of a forecast it
    grows with the root of time, which is taken at the days without it.
    """
    import numpy as np

    ceiling = np.full_like(rate, math.inf)
    np.divide(rate, slope, out=ceiling, where=(slope > 0) & (rate > 0))

    def between(level: np.ndarray) -> np.ndarray:
        return days_between(
            start=np.exp(level), goal=math.exp(goal), rate_per_day=rate, ceiling=ceiling
        )

    plain = between(start)
    near = (plain > 0) & (plain < LONGEST_AHEAD_DAYS)
    shift = drift * np.sqrt(plain, out=np.zeros_like(plain), where=near)
    return between(start + shift)
