"""What was logged of a vessel becomes its batches, its volume over time and known dilutions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from densitycam.culture.dilution import Dilution
from densitycam.culture.series import Split
from densitycam.journal.logbook import (
    EndRecord,
    InoculationRecord,
    LogRecord,
    LossRecord,
    TopUpRecord,
    has_time,
)
from densitycam.journal.store import SplitRecord
from densitycam.vessel.record import VesselRecord

#: A top-up that leaves no more than this share of the density is a split in all but name: the
#: batch starts anew from it. The same share as for a split that nobody logged.
SPLIT_SHARE = 0.75

#: However much was logged as lost, so much of the working volume is left.
_LEAST_LEFT = 0.01


@dataclass(frozen=True)
class Batch:
    """One culture in a vessel, from inoculation to end.

    Parameters
    ----------
    vessel : str
        Name of the vessel.
    begins : datetime or None
        Its inoculation, or the end of the one before; None where nobody logged it.
    ends : datetime or None
        Its end, or the next inoculation; None while it runs.
    source : str
        Where the starter came from.
    cells_per_ml : float or None
        Density right after inoculation [cells/mL], where known.
    reason : str
        Why it ended.
    """

    vessel: str
    begins: datetime | None
    ends: datetime | None
    source: str = ""
    cells_per_ml: float | None = None
    reason: str = ""


def after_photos(when: datetime, photos: Iterable[datetime]) -> datetime:
    """Return a moment for work of which only the day is known: after that day's photos.

    It is noon, or just after the day's last photo where that was taken later: a split of a dated
    day must not come before the photo that led to it. A `when` with a time is returned as it is.

    Parameters
    ----------
    when : datetime
        Local, naive; midnight stands for a day without a time.
    photos : iterable of datetime
        When the vessel's photos were taken, local, naive.
    """
    if has_time(when):
        return when
    same_day = [p for p in photos if p.date() == when.date()]
    return max([when.replace(hour=12), *(p + timedelta(seconds=1) for p in same_day)])


def batches(log: Sequence[LogRecord], photos: Sequence[datetime] = ()) -> tuple[Batch, ...]:
    """Return a vessel's batches in order of time.

    Parameters
    ----------
    log : sequence of LogRecord
        Of one vessel, any order; only inoculations and ends count.
    photos : sequence of datetime
        Capture times: an end of which only the day is known comes after that day's photos,
        unless a new culture was started on that day.

    Returns
    -------
    tuple of Batch
        None where neither an inoculation nor an end was logged. What ran before the first of
        them is a batch without a begin.
    """
    starts = [r for r in log if isinstance(r, InoculationRecord)]
    fresh_days = {r.done_at.date() for r in starts}
    marks: list[tuple[datetime, bool, InoculationRecord | EndRecord]] = [
        (r.done_at, True, r) for r in starts
    ]
    for record in log:
        if isinstance(record, EndRecord):
            started = record.done_at.date() in fresh_days and not has_time(record.done_at)
            at = record.done_at if started else after_photos(record.done_at, photos)
            marks.append((at, False, record))
    found: list[Batch] = []
    for at, _, record in sorted(marks, key=lambda mark: mark[:2]):
        if isinstance(record, InoculationRecord):
            # Between the end of a culture and the next one the vessel was empty.
            if found and found[-1].ends is None:
                found[-1] = replace(found[-1], ends=at)
            found.append(Batch(record.vessel, at, None, record.source, record.cells_per_ml))
        elif found and found[-1].ends is None:
            found[-1] = replace(found[-1], ends=at, reason=record.reason)
        else:
            begins = found[-1].ends if found else None
            found.append(Batch(record.vessel, begins, at, reason=record.reason))
    return tuple(found)


def batch_begin(known: Sequence[Batch], now: datetime) -> datetime | None:
    """Return since when the culture of a moment has been running; None where nobody logged it.

    After an end without a new inoculation it is that end: what is photographed later is another
    culture.

    Parameters
    ----------
    known : sequence of Batch
        The vessel's.
    now : datetime
        The moment, local, naive.
    """
    marks = [b.begins for b in known if b.begins is not None]
    marks += [b.ends for b in known if b.ends is not None]
    return max((m for m in marks if m <= now), default=None)


@dataclass(frozen=True)
class Waters:
    """What changed a vessel's water.

    Parameters
    ----------
    splits : tuple of Split
        Logged splits, and top-ups so large that they are one, in order of time.
    dilutions : tuple of Dilution
        Smaller top-ups and evaporation, in order of time.
    volume_ml : float
        In the vessel after all of it [mL].
    """

    splits: tuple[Split, ...]
    dilutions: tuple[Dilution, ...]
    volume_ml: float


def waters(
    vessel: VesselRecord,
    *,
    splits: Sequence[SplitRecord],
    log: Sequence[LogRecord],
    photos: Sequence[datetime] = (),
    until: datetime | None = None,
) -> Waters:
    """Follow a vessel's volume through splits, top-ups and losses.

    Parameters
    ----------
    vessel : VesselRecord
        It is taken for full at first and after an inoculation.
    splits, log : sequence
        Of the vessel, any order.
    photos : sequence of datetime
        Capture times: work of which only the day is known comes after that day's photos.
    until : datetime or None
        Work after it is left out.

    Returns
    -------
    Waters
        Culture spilt or drawn changes the volume, not the density. A top-up of which the volume
        afterwards was not told fills up what was logged as lost, or, where nothing was, what
        must have been missing: a vessel is not topped up beyond its working volume.
    """
    work: list[tuple[datetime, SplitRecord | LogRecord]] = [
        (after_photos(r.done_at, photos), r) for r in splits
    ]
    for logged in log:
        if isinstance(logged, InoculationRecord):
            work.append((logged.done_at, logged))
        elif isinstance(logged, (TopUpRecord, LossRecord)):
            work.append((after_photos(logged.done_at, photos), logged))
    full = vessel.working_volume_ml
    least = _LEAST_LEFT * full
    volume = full
    found: list[Split] = []
    dilutions: list[Dilution] = []
    for at, record in sorted(work, key=lambda w: w[0]):
        if until is not None and at > until:
            break
        if isinstance(record, SplitRecord):
            found.append(Split(when=at, kept_share=record.kept_ml / record.total_ml))
            volume = record.total_ml
        elif isinstance(record, InoculationRecord):
            volume = full
        elif isinstance(record, LossRecord):
            left = max(volume - record.lost_ml, least)
            if record.evaporated:
                dilutions.append(Dilution(at, volume / left))
            volume = left
        elif isinstance(record, TopUpRecord):
            after = record.total_ml
            if after is None:
                # Equal where losses were logged; else what was missing was not.
                after = min(volume + record.added_ml, max(full, volume))
            before = max(after - record.added_ml, least)
            after = before + record.added_ml
            share = before / after
            if share <= SPLIT_SHARE:
                found.append(Split(when=at, kept_share=share))
            else:
                dilutions.append(Dilution(at, share))
            volume = after
    return Waters(tuple(found), tuple(dilutions), volume)
