"""What earlier photos of a batch foretell of its density, to hold a doubtful photo against."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

from densitycam.culture.growth import (
    MIN_POINTS,
    PHOTO_NOISE_SD,
    PROCESS_SD,
    RECENT_DAYS,
    TROUBLE_SIGNS,
    growth,
)
from densitycam.culture.series import DensityPoint, Split

__all__ = ["foretell"]

#: Signs of a photo that foretells nothing: its density is not the culture's own.
_DOUBTFUL = TROUBLE_SIGNS | {"settled"}


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
    known = sorted(
        (
            p
            for p in points
            if p.when < when
            and (begin is None or p.when > begin)
            and 0 < p.cells_per_ml < math.inf
            and math.isfinite(p.relative_sd)
            and not _DOUBTFUL & set(p.flags)
        ),
        key=lambda p: p.when,
    )
    if len(known) < MIN_POINTS:
        return None
    grown = growth(known, splits, known[-1].when)
    if not (math.isfinite(grown.rate_per_day) and math.isfinite(grown.low)):
        return None

    def days(since: datetime) -> float:
        return (when - since).total_seconds() / 86400.0

    recent = [p for p in known if days(p.when) - days(known[-1].when) <= RECENT_DAYS]
    recent = recent if len(recent) >= MIN_POINTS else known[-MIN_POINTS:]
    ceiling, best = grown.ceiling_cells_per_ml, grown.max_rate_per_day
    bent = 0 < ceiling < math.inf and best > 0
    carried = []
    for p in recent:
        if bent:
            rest = (ceiling / p.cells_per_ml - 1.0) * math.exp(-best * days(p.when))
            carried.append(math.log(ceiling / (1.0 + rest)))
        else:
            carried.append(math.log(p.cells_per_ml) + grown.rate_per_day * days(p.when))
    n = len(recent)
    noise = sum(min(p.relative_sd, PHOTO_NOISE_SD) ** 2 + PROCESS_SD**2 for p in recent) / n**2
    rate_sd = (grown.high - grown.low) / (2 * 1.96)
    lever = sum(days(p.when) for p in recent) / n
    sd = math.sqrt(noise + (rate_sd * lever) ** 2 + PROCESS_SD**2)
    return math.exp(sum(carried) / n), sd
