"""What is said beneath a photo's answer: an unknown print, an old photo, a guessed time, a copy."""

from __future__ import annotations

from datetime import datetime, timedelta

from densitycam.journal.snapping import Snapped
from densitycam.report.text import NOT_REGISTERED, TIME_SOURCES

__all__ = ["snap_notes"]

#: A photo older than this is spoken of as one of its day, not of now.
_OLD = timedelta(days=2)


def snap_notes(snapped: Snapped, now: datetime, *, registered: bool) -> list[str]:
    """Return sentences that belong beside a density.

    Parameters
    ----------
    snapped : Snapped
        The photo and its answer.
    now : datetime
        Local, naive.
    registered : bool
        Whether the card's print was registered.
    """
    here = snapped.here
    notes = [] if registered else [f"Print {NOT_REGISTERED}"]
    if now - here.when > _OLD:
        notes.append(f"The photo is of {here.when:%Y-%m-%d}: the advice below is that of its day.")
    if here.photo.time_source in TIME_SOURCES:
        notes.append(
            f"The photo carries no capture time; {TIME_SOURCES[here.photo.time_source]} was taken."
        )
    if snapped.copy:
        notes.append(
            f"It is the same photo as {here.photo.file_name}, which is kept already: it counts "
            "once."
        )
    return [*notes, *snapped.odd]
