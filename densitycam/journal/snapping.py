"""A photo that was just read is kept, and becomes what is known of its vessel on that day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from densitycam.culture.advice import Advice, Growth
from densitycam.culture.settings import Settings
from densitycam.journal.clocks import doubts
from densitycam.journal.history import DatedReading, VesselHistory, advise_at, vessel_history
from densitycam.journal.scoring import refusal_of
from densitycam.journal.sorting import contradiction
from densitycam.journal.store import Journal, PhotoRecord
from densitycam.vessel.record import VesselRecord

__all__ = ["Snapped", "keep_snap"]


@dataclass(frozen=True)
class Snapped:
    """One photo and what it says, as of the day it was taken.

    Parameters
    ----------
    history : VesselHistory
        Its vessel's, with the photo.
    here : DatedReading
        The photo.
    growth : Growth
        Of the batch running then.
    advice : Advice
        What to do on that day.
    copy : bool
        True where the journal kept the same photo already, under another name or as a copy.
    odd : tuple of str
        What does not fit: another vessel's tag in it, its time, the same photo for two vessels.
    """

    history: VesselHistory
    here: DatedReading
    growth: Growth
    advice: Advice
    copy: bool
    odd: tuple[str, ...]


def keep_snap(
    journal: Journal,
    record: PhotoRecord,
    vessel: VesselRecord,
    settings: Settings,
    now: datetime,
) -> Snapped:
    """Keep a photo that was read, and decide as of it.

    Parameters
    ----------
    journal : Journal
        Where to keep it; a refused photo is kept too, as such.
    record : PhotoRecord
        As `densitycam.journal.scoring.measure` or `read_job` gave it.
    vessel : VesselRecord
        Whose it is.
    settings : Settings
        The keeper's thresholds.
    now : datetime
        By this computer's clock, local, naive: a photo's own clock is held against it.

    Returns
    -------
    Snapped
        With the decision, and all that is odd about the photo.

    Raises
    ------
    PhotoRefusedError
        Where the photo was not measured, or shows another vessel: after it was kept.
    """
    new = journal.find_photo(record.sha256, vessel.name) is None
    # One change: the photo with its density, or neither.
    with journal.transaction():
        record, copy = journal.add_photo(record)
        refused = record.status == "refused"
        history = None if refused else vessel_history(journal, vessel, settings)
    if history is None:
        raise refusal_of(record)
    stranger = next((s for s in history.strangers if s.id == record.id), None)
    if stranger is not None:
        raise refusal_of(stranger)
    place = next(n for n, r in enumerate(history.readings) if r.photo.id == record.id)
    here = history.readings[place]
    growth, advice = advise_at(history, place)
    odd = [contradiction(journal, record.tags, vessel.name)]
    odd += doubts(history, here, now, new=new and not copy)
    odd += [
        f"The very same photo is kept for {other} too: one of the two vessels is wrong."
        for other in journal.others_with(record)
    ]
    return Snapped(history, here, growth, advice, copy, tuple(words for words in odd if words))
