"""The morning: every vessel with what to do and which are split today, and the bottles to use."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from densitycam.calibration.species import load_species
from densitycam.culture.bottles import BottleState, bottle_states
from densitycam.culture.settings import Settings, thresholds_of
from densitycam.culture.stagger import Ripe, Turn, patience_days, stagger, urgency
from densitycam.journal.bottle_records import BottleRecord
from densitycam.journal.history import Today, advise_today, lately, vessel_history
from densitycam.journal.store import Journal, PhotoRecord

__all__ = ["VesselLine", "cold_bottles", "morning"]

#: A photo that was not measured is spoken of for so long: later another one is due anyway.
_RECENT = timedelta(days=2)


@dataclass(frozen=True)
class VesselLine:
    """One vessel this morning.

    Parameters
    ----------
    today : Today
        What is known and what to do.
    turn : Turn or None
        When it is split, where it is ripe.
    refused : PhotoRecord or None
        A photo newer than the reading that could not be measured.
    """

    today: Today
    turn: Turn | None = None
    refused: PhotoRecord | None = None


def morning(
    journal: Journal, settings: Settings, at: datetime, *, whole: bool = False
) -> list[VesselLine]:
    """Return every vessel with what to do, the most urgent first.

    Parameters
    ----------
    journal : Journal
        What is known.
    settings : Settings
        The keeper's thresholds.
    at : datetime
        The moment asked about.
    whole : bool
        Whether the histories reach back to the first photo, or only as far as matters today.

    Returns
    -------
    list of VesselLine
        Vessels whose culture was ended come last.
    """
    known = [
        advise_today(
            vessel_history(journal, v, settings, since=None if whole else lately(journal, v, at)),
            at,
        )
        for v in journal.vessels()
    ]
    running = [t for t in known if t.ended is None and t.reading is not None]
    ripe = [
        Ripe(
            t.history.vessel.name,
            patience_days(
                t.advice,
                estimate=t.estimate,
                growth=t.growth,
                facts=t.history.facts,
                age_days=t.age_days,
            ),
        )
        for t in running
        if t.advice.action in ("harvest", "overdue")
    ]
    done = sum(
        any(s.when.date() == at.date() and s.when <= t.now for s in t.history.logged_splits)
        for t in running
    )
    turns = {t.name: t for t in stagger(ripe, vessels=len(running), split_already=done)}
    lines = [
        VesselLine(t, turns.get(t.history.vessel.name), _refused_since(journal, t)) for t in known
    ]
    return sorted(lines, key=lambda x: (x.today.ended is not None, urgency(x.today.advice, x.turn)))


def _refused_since(journal: Journal, today: Today) -> PhotoRecord | None:
    """Return a photo of the last two days, newer than the reading, that was not measured."""
    strangers = {s.id: s for s in today.history.strangers}
    since = today.now - _RECENT if today.reading is None else today.reading.when
    found = [
        strangers.get(p.id, p)
        for p in journal.photos(today.history.vessel.name, since=today.now - _RECENT)
        if p.taken_at is not None and max(since, today.now - _RECENT) < p.taken_at <= today.now
    ]
    refused = [p for p in found if p.status == "refused"]
    return refused[-1] if refused else None


def cold_bottles(
    journal: Journal, settings: Settings, at: datetime
) -> list[tuple[BottleRecord, BottleState]]:
    """Return the bottles that hold something, in the order in which to use them.

    Parameters
    ----------
    journal : Journal
        Where the bottles are.
    settings : Settings
        The keeper's thresholds, how long a harvest keeps among them.
    at : datetime
        The moment, local, naive; bottles filled later are left out.

    Raises
    ------
    DensitycamError
        For a bottle of an unknown species.
    """
    bottles = [b for b in journal.bottles() if b.filled_at <= at]
    names = {b.species for b in bottles}
    facts = {name: thresholds_of(settings, load_species(name))[1] for name in names}
    by_label = {b.label: b for b in bottles}
    states = bottle_states([b.as_bottle() for b in bottles], facts, at)
    return [(by_label[s.bottle.label], s) for s in states]
