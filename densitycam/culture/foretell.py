"""What earlier photos of a batch foretell of its density, to hold a doubtful photo against."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import datetime

from densitycam.culture.growth import (
    MIN_POINTS,
    RECENT_DAYS,
    TROUBLE_SIGNS,
    growth,
    photo_noise,
)
from densitycam.culture.series import DensityPoint, Split

__all__ = ["foretell", "foretold_path"]

#: How far a culture wanders off its curve, as SD of ln density. Our own choice.
WANDER_SD = 0.05
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
    path = foretold_path(points, splits, when)
    return None if path is None else path(when)


def foretold_path(
    points: Sequence[DensityPoint], splits: Sequence[Split], since: datetime
) -> Callable[[datetime], tuple[float, float]] | None:
    """Return what tells the density at any moment from `since` on, as `foretell` does for one.

    Parameters
    ----------
    points, splits
        As in `foretell`.
    since : datetime
        The moment whose running batch is meant; points at or after it are left out.

    Returns
    -------
    callable or None
        From a moment to density [cells/mL] and standard deviation [ln]; None with fewer than
        three points.
    """
    begin = max((s.when for s in splits if s.when <= since), default=None)
    known = sorted(
        (
            p
            for p in points
            if p.when < since
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

    def days(moment: datetime) -> float:
        return (moment - known[-1].when).total_seconds() / 86400.0

    recent = [p for p in known if days(p.when) >= -RECENT_DAYS]
    recent = recent if len(recent) >= MIN_POINTS else known[-MIN_POINTS:]
    ceiling, best = grown.ceiling_cells_per_ml, grown.max_rate_per_day
    bent = 0 < ceiling < math.inf and best > 0
    n = len(recent)
    noise = photo_noise(points, splits, known[-1].when) ** 2 / n
    rate_sd = (grown.high - grown.low) / (2 * 1.96)

    def at(when: datetime) -> tuple[float, float]:
        carried = []
        for p in recent:
            ahead = days(when) - days(p.when)
            if bent:
                rest = (ceiling / p.cells_per_ml - 1.0) * math.exp(-best * ahead)
                carried.append(math.log(ceiling / (1.0 + rest)))
            else:
                carried.append(math.log(p.cells_per_ml) + grown.rate_per_day * ahead)
        lever = sum(days(when) - days(p.when) for p in recent) / n
        sd = math.sqrt(noise + (rate_sd * lever) ** 2 + WANDER_SD**2)
        return math.exp(sum(carried) / n), sd

    return at
