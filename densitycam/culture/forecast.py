"""When a growing batch reaches a density: the day, the earliest and the latest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from densitycam.culture.foretell import foretold_path
from densitycam.culture.series import DensityPoint, Split

__all__ = ["ReadyForecast", "forecast_ready"]

#: How far ahead is looked [day]. Our own choice: beyond a month no batch goes on as it does.
LONGEST_DAYS = 30.0
#: How finely [day].
FINENESS_DAYS = 0.02


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
        Densities of one vessel, any order; those after `now` are left out.
    splits : sequence of Split
        Logged and inferred splits, any order; those after `now` are left out.
    now : datetime
        The moment asked about, local, naive. No answer lies before it.
    goal_cells_per_ml : float
        The density, such as the lower edge of the species' harvest band, > 0 [cells/mL].

    Returns
    -------
    ReadyForecast or None
        None where fewer than three photos of the batch tell its growth.

    Notes
    -----
    `foretold_path` gives density and error at any later moment; the goal is met where it crosses,
    the earliest and the latest where density 1.96 standard deviations up and down do. The
    calibration's own error is not in it: the goal is meant as the photos read it.
    """
    known = [p for p in points if p.when <= now]
    past = [s for s in splits if s.when <= now]
    path = foretold_path(known, past, now + timedelta(seconds=1))
    if path is None:
        return None
    goal = math.log(goal_cells_per_ml)

    def crossing(sigmas: float) -> datetime | None:
        """First moment at which the path so many standard deviations up reaches the goal."""

        def reached(days: float) -> bool:
            density, sd = path(now + timedelta(days=days))
            return math.log(density) + sigmas * sd >= goal

        if reached(0.0):
            return now
        # A lower bound rises and falls again as doubt outgrows growth: look day by day first.
        high = 1.0
        while not reached(high):
            high += 1.0
            if high > LONGEST_DAYS:
                return None
        low = high - 1.0
        while high - low > FINENESS_DAYS:
            middle = (low + high) / 2
            low, high = (low, middle) if reached(middle) else (middle, high)
        return now + timedelta(days=high)

    return ReadyForecast(day=crossing(0.0), earliest=crossing(1.96), latest=crossing(-1.96))
