"""A bottle is filled from a vessel: what is in it is what the vessel's last photo showed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from densitycam.journal.batches import after_photos, batch_begin
from densitycam.journal.bottle_records import BottleRecord
from densitycam.journal.history import DatedReading, VesselHistory, advise_at

#: A photo older than this says too little of a harvest: a culture may double in a day. Our own
#: choice.
LONGEST = timedelta(days=1.5)


@dataclass(frozen=True)
class BottleFill:
    """A bottle about to be kept, and where its density comes from.

    Parameters
    ----------
    bottle : BottleRecord
        Not yet kept.
    reading : DatedReading or None
        The photo its density is of; None where none is near enough, or the density was given.
    trouble : str
        Why it is suspect by that photo, as the decision said; "" where it is not.
    """

    bottle: BottleRecord
    reading: DatedReading | None
    trouble: str = ""


def fill_from(
    history: VesselHistory,
    *,
    ml: float,
    filled_at: datetime,
    cells_per_ml: float | None = None,
    suspect: bool = False,
) -> BottleFill:
    """Return the bottle filled from a vessel at a moment.

    Parameters
    ----------
    history : VesselHistory
        The vessel's.
    ml : float
        What was filled in, > 0 [mL].
    filled_at : datetime
        Local, naive; midnight counts as after that day's last photo.
    cells_per_ml : float or None
        Density where it is known otherwise [cells/mL]; None takes that of the last photo of the
        same culture, not older than `LONGEST`.
    suspect : bool
        Whether it is known to be suspect; the decision of the photo's day may add to it.

    Returns
    -------
    BottleFill
        Without a density where no photo is near enough.
    """
    moment = after_photos(filled_at, [r.when for r in history.readings])
    begin = batch_begin(history.batches, moment)
    near = [
        place
        for place, r in enumerate(history.readings)
        if moment - LONGEST <= r.when <= moment and (begin is None or r.when >= begin)
    ]
    trouble = ""
    if near:
        advice = advise_at(history, near[-1])[1]
        trouble = advice.headline if advice.action in ("hold", "rescue") else ""
    reading = None
    low = high = None
    if cells_per_ml is None and near:
        last = history.readings[near[-1]]
        split_since = any(last.when < s.when < moment for s in history.logged_splits)
        if last.estimate.status == "measured" and not split_since:
            reading = last
            cells_per_ml = last.estimate.cells_per_ml
            low, high = last.estimate.low, last.estimate.high
    return BottleFill(
        BottleRecord(
            species=history.vessel.species,
            filled_at=filled_at,
            volume_ml=ml,
            cells_per_ml=cells_per_ml,
            low=low,
            high=high,
            vessel=history.vessel.name,
            suspect=suspect or bool(trouble),
        ),
        reading,
        trouble,
    )
