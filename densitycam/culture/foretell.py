"""What earlier photos of a batch foretell of its density, to hold a doubtful photo against."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta

from densitycam.culture.growth import (
    MIN_POINTS,
    RECENT_DAYS,
    TROUBLE_SIGNS,
    growth,
    photo_noise,
    usable_points,
)
from densitycam.culture.logistic import log_gain
from densitycam.culture.series import DensityPoint, Split

__all__ = ["foretell"]

#: How far a culture wanders off its curve, as SD of ln density. Our own choice.
CURVE_SD = 0.05
#: Signs of a photo that foretells nothing: its density is not the culture's own.
_DOUBTFUL = TROUBLE_SIGNS | {"settled", "film"}


def foretell(
    points: Sequence[DensityPoint], splits: Sequence[Split], when: datetime
) -> tuple[float, float] | None:
    """Foretell a density from the photos of the running batch before it.

    Parameters
    ----------
    points : sequence of DensityPoint
        Densities of one vessel, any order; those at or after `when`, before the last split, or
        with a sign that makes them doubtful are left out.
    splits : sequence of Split
        Logged and inferred splits, any order.
    when : datetime
        The moment asked about, local, naive.

    Returns
    -------
    tuple of float or None
        Density [cells/mL] and its standard deviation [ln]; None with fewer than three points.

    Notes
    -----
    Each recent point is carried on to `when` at the batch's present rate, or along the logistic
    curve where a ceiling is shown, and their mean in ln taken. With a common rate that is the
    regression line's prediction, and so is its error: the photos' noise over their number, the
    rate's error times the days from their middle, and the culture's own wander.
    """
    begin = max((s.when for s in splits if s.when <= when), default=None)
    known = [
        p
        for p in usable_points(points)
        if p.when < when
        and (begin is None or p.when > begin)
        and math.isfinite(p.relative_sd)
        and not _DOUBTFUL & set(p.flags)
    ]
    if len(known) < MIN_POINTS:
        return None
    grown = growth(known, splits, known[-1].when)
    if math.isnan(grown.rate_per_day):
        return None

    recent = [p for p in known if known[-1].when - p.when <= timedelta(days=RECENT_DAYS)]
    recent = recent if len(recent) >= MIN_POINTS else known[-MIN_POINTS:]
    ceiling = grown.ceiling_cells_per_ml  # nan where the batch does not bend
    rate = grown.rate_per_day if math.isnan(ceiling) else grown.max_rate_per_day
    logs = [math.log(p.cells_per_ml) for p in recent]
    ahead = [(when - p.when).total_seconds() / 86400.0 for p in recent]
    carried = [
        log + log_gain(log_density=log, days=days, rate_per_day=rate, ceiling=ceiling)
        for log, days in zip(logs, ahead, strict=True)
    ]
    n = len(recent)
    noise = photo_noise(points, splits, known[-1].when) ** 2 / n
    rate_sd = (grown.high - grown.low) / (2 * 1.96)
    lever = sum(ahead) / n
    return math.exp(sum(carried) / n), math.sqrt(noise + (rate_sd * lever) ** 2 + CURVE_SD**2)
