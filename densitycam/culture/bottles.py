"""Harvest bottles in the cold: how long each keeps, and which to use first."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from densitycam.calibration.species import SpeciesFacts
from densitycam.errors import DensitycamError
from densitycam.wording import days_words, significant

__all__ = ["Bottle", "BottleState", "bottle_states", "keeping_words"]

#: Days between shakings. Common practice, no source.
SHAKE_DAYS = 2.0
#: Days before its last in which a bottle is said to end soon. Our own choice.
SOON_DAYS = 1.5

#: States, in the order in which bottles are used; a spoilt or frozen one is not used at all.
STATES = ("use today", "keeps", "past its time", "do not use")

#: What is published of keeping in the cold: of concentrates, which a home harvest is not.
_CONCENTRATES = {
    "nannochloropsis": "flocculated and kept at 0 to 5 C, over 97 % were alive after 16 weeks (Low "
    "& Toledo 2015, abstract)",
    "tetraselmis": "concentrates kept for over 8 weeks (Heasman et al. 2000, abstract)",
    "chaetoceros": "concentrates of C. calcitrans kept for over 8 weeks (Heasman et al. 2000, "
    "abstract)",
    "pavlova": "even concentrates lose quality fast (Heasman et al. 2000, abstract)",
    "isochrysis": "even concentrates lose quality fast (Heasman et al. 2000, abstract)",
}


@dataclass(frozen=True)
class Bottle:
    """One bottle of a harvest.

    Parameters
    ----------
    label : str
        What is written on it.
    species : str
        Id of a species folder.
    filled : datetime
        When it was harvested, local, naive.
    volume_ml : float
        Still in it, > 0 [mL].
    cells_per_ml : float
        When it was filled [cells/mL].
    suspect : bool
        True where its culture was milky, bleached or falling, or where it was frozen.
    """

    label: str
    species: str
    filled: datetime
    volume_ml: float
    cells_per_ml: float
    suspect: bool = False


@dataclass(frozen=True)
class BottleState:
    """A bottle on a day.

    Parameters
    ----------
    bottle : Bottle
        Which.
    state : {"use today", "keeps", "past its time", "do not use"}
        What to do with it.
    use_by : datetime
        Last day.
    days_left : float
        Until then, negative past it [day].
    sentence : str
        Plainly, with what to do.
    """

    bottle: Bottle
    state: str
    use_by: datetime
    days_left: float
    sentence: str


def keeping_words(facts: SpeciesFacts) -> str:
    """Return in a sentence how long a species' harvest keeps, and where that comes from.

    Parameters
    ----------
    facts : SpeciesFacts
        Its `keep_cold_days` and their source; without one it is said to be common practice.
    """
    source = facts.sources.get("keep_cold_days", "").strip() or "common practice, no source"
    published = _CONCENTRATES.get(facts.id)
    return (
        f"An unconcentrated harvest of {facts.title} keeps about "
        f"{days_words(facts.keep_cold_days)} at 2 to 6 C, dark, lid loose, shaken every "
        f"{days_words(SHAKE_DAYS)}, never frozen ({source})."
        + (f" Published: {published}." if published else "")
    )


def bottle_states(
    bottles: Sequence[Bottle], facts: Mapping[str, SpeciesFacts], now: datetime
) -> tuple[BottleState, ...]:
    """Put bottles in the order in which to use them.

    Parameters
    ----------
    bottles : sequence of Bottle
        All at hand, any order, of any species.
    facts : mapping of str to SpeciesFacts
        By species id; gives how long each keeps.
    now : datetime
        The moment asked about, local, naive.

    Returns
    -------
    tuple of BottleState
        First the one to use first: what ends soonest, the older of two that end together; after
        them those past their time, last those that must not be fed.

    Raises
    ------
    DensitycamError
        For a species without facts, a volume not above 0, or a bottle of the future.
    """
    states = []
    for bottle in bottles:
        if bottle.species not in facts:
            raise DensitycamError(
                f"Bottle {bottle.label!r} is of {bottle.species!r}, of which nothing is known.",
                "Correct its species.",
            )
        if not (bottle.volume_ml > 0 and math.isfinite(bottle.volume_ml)):
            raise DensitycamError(
                f"Bottle {bottle.label!r} cannot hold {bottle.volume_ml:g} mL.",
                "Give what is left in it, or strike it off.",
            )
        if bottle.filled > now:
            raise DensitycamError(
                f"Bottle {bottle.label!r} was filled after today.", "Correct its date."
            )
        use_by = bottle.filled + timedelta(days=facts[bottle.species].keep_cold_days)
        left = (use_by - now).total_seconds() / 86400.0
        states.append(_state(bottle, use_by, left))
    return tuple(sorted(states, key=lambda s: (STATES.index(s.state), s.use_by, s.bottle.filled)))


def _state(bottle: Bottle, use_by: datetime, left: float) -> BottleState:
    holds = f"{significant(bottle.volume_ml, 3)} mL"
    if bottle.suspect:
        state, said = "do not use", "Do not feed from it: pour it away as local rules say."
    elif left < 0:
        state, said = (
            "past its time",
            f"{days_words(-left).capitalize()} past its time: look, smell, and see under the "
            "microscope whether the cells are whole; in doubt pour it away as local rules say.",
        )
    elif left <= SOON_DAYS:
        state, said = "use today", f"Use its {holds} first, by {use_by:%Y-%m-%d}."
    else:
        state, said = "keeps", f"Its {holds} keep until {use_by:%Y-%m-%d}; shake it gently today."
    return BottleState(bottle, state, use_by, left, said)
