"""A vessel's blank: measured from photos, kept, and taken off every reading of the vessel."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from densitycam.errors import DensitycamError
from densitycam.journal.history import calibration_in_force, fit_and_keep, paired_slides
from densitycam.journal.scoring import ReadingJob, content_hash, optics_for, read_job, refusal_of
from densitycam.journal.store import BlankRecord, Journal, PhotoRecord
from densitycam.vessel.blank import blank_of, detectable_attenuation
from densitycam.vessel.reading import Reading
from densitycam.vessel.record import VesselRecord

#: A culture that takes so much less than a blank shows that the blank was none [-ln contrast].
CLEARER = 0.08


def measure_blank(
    journal: Journal,
    vessel: VesselRecord,
    photos: Sequence[Path],
    *,
    made_at: datetime,
    read: Callable[[ReadingJob], PhotoRecord | str] = read_job,
) -> tuple[BlankRecord, tuple[Reading, ...]]:
    """Read photos of a clean vessel with clean salt water and keep their mean as its blank.

    Parameters
    ----------
    journal : Journal
        Where it is kept; a calibration made from the vessel's slides is fitted anew, so that
        slides and later readings are used less the same blank.
    vessel : VesselRecord
        Which vessel.
    photos : sequence of Path
        One or more; the same picture twice counts once.
    made_at : datetime
        Local, naive.
    read : callable
        Reads one photo: in another process, say.

    Returns
    -------
    record : BlankRecord
        As kept.
    readings : tuple of Reading
        One a photo.

    Raises
    ------
    DensitycamError
        When a photo cannot be measured or is no blank, the file named, or a culture's photo is
        clearer; nothing is then kept.
    """
    prints = journal.prints_in_use()
    readings = []
    for sha256, path in {content_hash(p): p for p in reversed(photos)}.items():
        photo = read(ReadingJob(path, vessel, optics_for(vessel), sha256, tuple(prints)))
        if isinstance(photo, str):
            raise DensitycamError(f"{path.name}: {photo}")
        if photo.reading is None:
            raise refusal_of(photo)
        try:
            blank_of([photo.reading])
        except DensitycamError as error:
            raise DensitycamError(f"{path.name}: {error.problem}", error.advice) from error
        readings.append(photo.reading)
    record = BlankRecord(vessel.name, blank_of(readings), made_at)
    _check_clearest(journal, vessel, record)
    with journal.transaction():
        journal.add_blank(record)
        try:
            _calibrate_anew(journal, vessel, made_at)
        except DensitycamError as error:
            raise DensitycamError(
                f"Less this blank, {vessel.name} cannot be calibrated: {error.problem}",
                "Nothing was kept. Snap the clean vessel with clean salt water again.",
            ) from error
    return record, tuple(readings)


def _check_clearest(journal: Journal, vessel: VesselRecord, record: BlankRecord) -> None:
    """Refuse a blank through which a photo of a culture shows the bars better than it itself."""
    for photo in journal.photos(vessel.name):
        reading = photo.reading
        if reading is None or photo.own_optics or min(reading.contrast_t[:2]) <= 0:
            continue
        clearer = [record.blank.attenuation[c] + math.log(reading.contrast_t[c]) for c in range(2)]
        unsure = [
            math.hypot(record.blank.se, se / t)
            for se, t in zip(reading.contrast_t_se[:2], reading.contrast_t[:2], strict=True)
        ]
        if all(d > max(CLEARER, 3 * u) for d, u in zip(clearer, unsure, strict=True)):
            raise DensitycamError(
                f"This is no blank of {vessel.name}: more of the bars was seen through it in "
                f"{photo.file_name}.",
                "Snap the clean vessel with clean salt water, or see whether that photo is of "
                "another vessel.",
            )


def _calibrate_anew(journal: Journal, vessel: VesselRecord, made_at: datetime) -> None:
    """Fit the calibration in force again, its slides' readings less the new blank."""
    kept = journal.latest_calibration(vessel)
    if kept is None:
        return
    pairs = paired_slides(
        journal,
        vessel=kept.vessel,
        species=vessel.species if kept.vessel is None else None,
    ).since(kept.since)
    if not pairs.used or pairs.fingerprint() == kept.points:
        return
    others = [v for v in journal.vessels() if v.name != vessel.name]
    before = [journal.latest_calibration(v) for v in others]
    fit_and_keep(
        journal,
        pairs,
        species=vessel.species,
        vessel=kept.vessel,
        made_by=kept.made_by,
        made_at=made_at,
        since=kept.since,
        shape_of=kept.shape_of,
    )
    if kept.vessel is None:  # another vessel's own, newer calibration stays the one it uses
        for record in before:
            if record is not None and record.vessel is not None and record.id > kept.id:
                journal.add_calibration(replace(record, id=0))


def detection_limit_of(
    journal: Journal, vessel: VesselRecord, record: BlankRecord, readings: Sequence[Reading]
) -> tuple[float, int]:
    """Return the least density that is surely told from clean water in this vessel.

    Parameters
    ----------
    journal : Journal
        Gives the calibration in force.
    vessel : VesselRecord
        The vessel.
    record : BlankRecord
        Its blank.
    readings : sequence of Reading
        Of the blank's photos: they know the light path.

    Returns
    -------
    limit : float
        Minimum detectable value after ISO 11843-2, by the best curve [cells/mL].
    slides : int
        Counts behind the calibration.

    Raises
    ------
    DensitycamError
        When the calibration cannot be read.
    """
    from densitycam.calibration.model import detection_limit

    calibration, _ = calibration_in_force(journal, vessel)
    limit = detection_limit(
        calibration,
        attenuation=detectable_attenuation(record.blank)[1],
        path_mm=math.fsum(r.path_mm for r in readings) / len(readings),
    )
    return limit, calibration.n_slides
