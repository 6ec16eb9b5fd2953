"""Doubts about when a photo was taken: clocks that are ahead, behind, or jump."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from densitycam.journal.batches import batch_begin
from densitycam.journal.history import DatedReading, VesselHistory
from densitycam.journal.store import Journal
from densitycam.wording import days_words

#: Clocks of a phone and a computer that differ by less are taken for equal. Our own choice.
CLOCKS_AGREE = timedelta(minutes=10)
#: A photo that lies further from all others of its vessel is likely misdated. Our own choice.
ALONE = timedelta(days=60)
#: A photo so little before work that was logged may show the culture after it. Our own choice.
CLOSE = timedelta(hours=2)


def misdated(history: VesselHistory, now: datetime) -> tuple[tuple[DatedReading, str], ...]:
    """Find photos whose time cannot be, or hardly can.

    Parameters
    ----------
    history : VesselHistory
        A vessel's.
    now : datetime
        By this computer's clock, local, naive.

    Returns
    -------
    tuple of (DatedReading, str)
        Each with what is odd, as a sentence. They are reckoned with as they are dated.
    """
    found = []
    readings = history.readings
    for n, reading in enumerate(readings):
        if reading.when > now + CLOCKS_AGREE:
            ahead = _span(reading.when - now)
            found.append(
                (
                    reading,
                    f"Its time lies {ahead} ahead of this computer's clock: one of the two clocks "
                    "is wrong.",
                )
            )
            continue
        gaps = [abs(reading.when - readings[k].when) for k in (n - 1, n + 1) if _has(readings, k)]
        if gaps and min(gaps) > ALONE:
            found.append(
                (
                    reading,
                    f"It lies {_span(min(gaps))} from the vessel's nearest other photo: if that "
                    "cannot be, the camera's clock was wrong.",
                )
            )
    return tuple(found)


def clock_doubt(journal: Journal, now: datetime) -> str:
    """Say that the computer's clock lies behind what the journal holds.

    Parameters
    ----------
    journal : Journal
        Which.
    now : datetime
        By this computer's clock, local, naive.

    Returns
    -------
    str
        Two sentences; "" where the clock agrees, to `CLOCKS_AGREE`.
    """
    newest = journal.newest_at()
    if newest is None or newest <= now + CLOCKS_AGREE:
        return ""
    return (
        f"The journal's newest entry is of {newest:%Y-%m-%d %H:%M}, {_span(newest - now)} ahead of "
        f"this computer's clock, {now:%Y-%m-%d %H:%M}: either is wrong, and what lies ahead does "
        "not count yet. Set the clock, and take back what a wrong one dated: on the page, or with "
        "densitycam log undo."
    )


def doubts(
    history: VesselHistory, reading: DatedReading, now: datetime, *, new: bool
) -> tuple[str, ...]:
    """Return what is odd about the time of a photo that was just taken.

    Parameters
    ----------
    history : VesselHistory
        The vessel's, with the photo.
    reading : DatedReading
        The photo.
    now : datetime
        By this computer's clock, local, naive.
    new : bool
        Whether the journal did not know it before.

    Returns
    -------
    tuple of str
        Sentences; none where nothing is odd.
    """
    said = [why for photo, why in misdated(history, now) if photo is reading]
    begin = batch_begin(history.batches, now)
    if begin is not None and reading.when < begin:
        said.append(
            f"It was taken before the present culture began, {begin:%Y-%m-%d %H:%M}, and counts "
            "for the one before. If it shows the present one, correct the log, or the camera's "
            "clock."
        )
        return tuple(said)
    for split in history.logged_splits:
        if timedelta(0) < split.when - reading.when < CLOSE:
            minutes = round((split.when - reading.when).total_seconds() / 60)
            said.append(
                f"It was taken {minutes} minutes before the split of {split.when:%H:%M} and counts "
                "as before it. If it shows the culture after it, log the split's true time."
            )
    later = sum(1 for r in history.readings if r.when > reading.when)
    if new and later and not said:
        photos = "photo" if later == 1 else "photos"
        said.append(
            f"{later} {photos} of the vessel, kept before, {'is' if later == 1 else 'are'} of a "
            "later time. If you took this one just now, the camera's clock is behind."
        )
    return tuple(said)


def _has(readings: Sequence[DatedReading], place: int) -> bool:
    return 0 <= place < len(readings)


def _span(span: timedelta) -> str:
    """Return a span in words, in years where it is long: a wrong year is the usual fault."""
    days = span.total_seconds() / 86400.0
    if days >= 300:
        years = days / 365.25
        return "about a year" if years < 1.5 else f"about {years:.0f} years"
    if days >= 0.75:
        return days_words(days)
    minutes = span.total_seconds() / 60
    return f"{minutes / 60:.0f} hours" if minutes >= 90 else f"{minutes:.0f} minutes"
