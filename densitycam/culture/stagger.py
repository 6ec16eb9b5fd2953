"""Several vessels ripe at once: which are split today, and which can wait until tomorrow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from densitycam.calibration.estimate import Estimate
from densitycam.calibration.species import SpeciesFacts
from densitycam.culture.advice import Advice, Growth
from densitycam.wording import days_words

__all__ = ["Ripe", "Turn", "patience_days", "stagger", "urgency"]


@dataclass(frozen=True)
class Ripe:
    """A vessel that is told to be split.

    Parameters
    ----------
    name : str
        The vessel.
    patience_days : float
        How long it can wait before it is past its best, >= 0 [day].
    """

    name: str
    patience_days: float


@dataclass(frozen=True)
class Turn:
    """When one of several ripe vessels is split.

    Parameters
    ----------
    name : str
        The vessel.
    today : bool
        Today, or else tomorrow.
    why : str
        Plainly; "" where there was nothing to choose.
    """

    name: str
    today: bool
    why: str


def patience_days(
    advice: Advice,
    *,
    estimate: Estimate | None,
    growth: Growth,
    facts: SpeciesFacts,
    age_days: float = 0.0,
) -> float:
    """How long a vessel that is ready can wait before it is past its best [day].

    Parameters
    ----------
    advice : Advice
        Of the vessel.
    estimate : Estimate or None
        Its density.
    growth : Growth
        Of its batch.
    facts : SpeciesFacts
        Gives the top of its band and the longest batch.
    age_days : float, default 0.0
        Age of the photo [day].

    Returns
    -------
    float
        0 where it is overdue or its density has no upper limit. Else the shorter of the days until
        the upper limit of its density leaves the band, at the fastest growth that its photos
        allow, and the days that the batch may still last.
    """
    if advice.action != "harvest" or estimate is None or not math.isfinite(estimate.high):
        return 0.0
    rate = growth.high if growth.high > 0 else facts.rate_high_per_day  # False for nan
    room = math.log(facts.harvest_high / estimate.high) / rate - age_days
    left = facts.max_days_without_split - growth.days_since_split
    return max(0.0, min(room, left))


def stagger(ripe: Sequence[Ripe], *, vessels: int, split_already: int = 0) -> tuple[Turn, ...]:
    """Choose which of the ripe vessels are split today, so that not all are on one day.

    Parameters
    ----------
    ripe : sequence of Ripe
        Those that are to be split, any order.
    vessels : int
        Running vessels in all.
    split_already : int, default 0
        How many of them were split today.

    Returns
    -------
    tuple of Turn
        Those of today first, each group by patience.

    Notes
    -----
    At most half of all vessels on one day, and one at least: what goes wrong with one day's salt
    water, nutrient or tools then does not reach all, and harvests come fresh on more days. Our own
    choice. A vessel that cannot wait a day goes today whatever the others do.
    """
    places = max(1, math.ceil(vessels / 2)) - split_already
    order = sorted(ripe, key=lambda r: (r.patience_days, r.name))
    turns = []
    for r in order:
        stays = f"it stays within its band for {days_words(r.patience_days)} yet"
        if r.patience_days < 1.0:
            why = "" if len(order) == 1 else "By tomorrow it may be past its best."
            turns.append(Turn(r.name, True, why))
        elif len([t for t in turns if t.today]) < places:
            why = "" if len(order) == 1 else "Of those that could wait it is the furthest on."
            turns.append(Turn(r.name, True, why))
        else:
            turns.append(
                Turn(r.name, False, f"It can wait: {stays}, and so not all are split on one day.")
            )
    return tuple(turns)


#: What comes first in the morning: cultures in danger, late splits, splits, missing photos.
_FIRST = ("rescue", "hold", "overdue", "harvest", "cannot-tell")


def urgency(advice: Advice, turn: Turn | None = None) -> tuple[float, float]:
    """Return a key that puts vessels in the order in which they want to be seen to.

    Parameters
    ----------
    advice : Advice
        Of the vessel.
    turn : Turn or None
        Whether it is split today, where it is ripe.

    Returns
    -------
    tuple of float
        Smaller is more urgent. A split that can wait comes after all that is due today, a vessel
        that is to grow on by the days it still needs.
    """
    if turn is not None and not turn.today:
        return (len(_FIRST), 0.0)
    if advice.action in _FIRST:
        return (_FIRST.index(advice.action), 0.0)
    days = advice.wait_days
    return (len(_FIRST) + 1, days if math.isfinite(days) else math.inf)
