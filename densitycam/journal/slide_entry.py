"""A slide's count is kept, paired with the photo of the same culture and held against it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from densitycam.calibration.estimate import Estimate
from densitycam.counting.tally import Tally, TallyResult, judge_tally
from densitycam.errors import DensitycamError
from densitycam.journal.history import calibration_in_force, in_use
from densitycam.journal.store import Journal, PhotoRecord, SlideRecord
from densitycam.vessel.record import VesselRecord

__all__ = ["KeptCount", "check_pair", "keep_count", "latest_reading"]


@dataclass(frozen=True)
class KeptCount:
    """A count that was kept.

    Parameters
    ----------
    slide : SlideRecord
        As the journal keeps it.
    result : TallyResult
        What the tally says of itself.
    paired : PhotoRecord or None
        The photo of the same culture.
    predicted : Estimate or None
        What that photo said before the count was known.
    agrees : bool or None
        Whether the intervals of count and photo meet; None without a photo that says something.
    drift : str
        A sentence where the slides so far show that the calibration has drifted, else "".
    """

    slide: SlideRecord
    result: TallyResult
    paired: PhotoRecord | None
    predicted: Estimate | None
    agrees: bool | None
    drift: str


def latest_reading(journal: Journal, vessel: VesselRecord) -> PhotoRecord:
    """Return a vessel's newest photo that was measured.

    Parameters
    ----------
    journal : Journal
        Where the photos are.
    vessel : VesselRecord
        Whose.

    Raises
    ------
    DensitycamError
        Where there is none.
    """
    measured = [p for p in journal.photos(vessel.name) if p.status == "measured"]
    if not measured:
        raise DensitycamError(
            f"{vessel.name} has no reading yet.",
            "Snap it first, or name a photo's file with --reading.",
        )
    return measured[-1]


def check_pair(record: PhotoRecord, vessel: VesselRecord) -> PhotoRecord:
    """Return a photo that a count of a vessel can be paired with.

    Parameters
    ----------
    record : PhotoRecord
        The photo.
    vessel : VesselRecord
        The one of the count.

    Returns
    -------
    PhotoRecord
        The same.

    Raises
    ------
    DensitycamError
        Where it is of another vessel, or was not measured.
    """
    if record.vessel != vessel.name:
        raise DensitycamError(
            f"Reading {record.id} is of {record.vessel}, not of {vessel.name}.",
            "A count belongs to the culture that was photographed.",
        )
    if record.status == "refused":
        raise DensitycamError(
            f"{record.file_name} has no reading to pair with: {record.message}",
            "The count was not kept; log it with another photo, or without one.",
        )
    return record


def keep_count(
    journal: Journal,
    vessel: VesselRecord,
    tally: Tally,
    *,
    counted_at: datetime,
    paired: PhotoRecord | None,
) -> KeptCount:
    """Keep a count; paired with a photo it first tests the calibration.

    Parameters
    ----------
    journal : Journal
        Where to.
    vessel : VesselRecord
        Where the sample came from.
    tally : Tally
        What was counted how.
    counted_at : datetime
        When the sample was taken, local, naive.
    paired : PhotoRecord or None
        A photo of the same culture, as `check_pair` gives it.

    Returns
    -------
    KeptCount
        With what the calibration had foretold, where a photo is paired.

    Raises
    ------
    ValueError
        For a tally that cannot be: no squares, more dead cells than cells.
    """
    result = judge_tally(tally)
    predicted = agrees = None
    if paired is not None:
        from densitycam.calibration.model import estimate

        calibration, _ = calibration_in_force(journal, vessel)
        reading = in_use(paired, vessel, journal.blank(vessel.name)).reading
        if reading is not None:
            predicted = estimate(reading, calibration)
            agrees = predicted.low <= result.slide.high and result.slide.low <= predicted.high
    slide = journal.add_slide(
        vessel.name,
        result.slide,
        counted_at=counted_at,
        photo_sha256=None if paired is None else paired.sha256,
        tally=tally,
    )
    drift = ""
    if paired is not None and result.slide.cells:
        from densitycam.journal.recalibrate import slide_chart

        chart = slide_chart(journal, vessel)
        drift = chart.sentence if chart.state == "drifted" else ""
    return KeptCount(slide, result, paired, predicted, agrees, drift)
