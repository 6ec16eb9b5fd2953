"""Recalibrating a vessel: before, after, and what changes in the journal's past estimates."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from densitycam.calibration.estimate import Estimate
from densitycam.journal.history import (
    calibration_in_force,
    fit_and_keep,
    paired_slides,
    since_drift,
    vessel_history,
)
from densitycam.journal.store import CalibrationRecord, Journal, PhotoRecord
from densitycam.vessel.record import VesselRecord

if TYPE_CHECKING:
    from densitycam.calibration.drift import ControlChart
    from densitycam.calibration.model import Calibration


@dataclass(frozen=True)
class Change:
    """What a recalibration makes of a past photo.

    Parameters
    ----------
    photo : PhotoRecord
        Which.
    before, after : Estimate
        Its answer by the calibration before, and by the one after.
    """

    photo: PhotoRecord
    before: Estimate
    after: Estimate


@dataclass(frozen=True)
class Recalibration:
    """What recalibrating did.

    Parameters
    ----------
    before, after : Calibration
        In force until now, and from now on.
    record : CalibrationRecord
        The new one as kept; those before it are kept too.
    changes : tuple of Change
        The vessel's past photos, in order of capture; scored from their readings, no photo is
        opened.
    """

    before: Calibration
    after: Calibration
    record: CalibrationRecord
    changes: tuple[Change, ...]


def recalibrate(
    journal: Journal, vessel: VesselRecord, *, since: datetime | None, made_at: datetime
) -> Recalibration:
    """Fit a vessel's slides anew, keep the result, and score its past photos by it.

    Parameters
    ----------
    journal : Journal
        Holds the slides and readings.
    vessel : VesselRecord
        Which vessel.
    since : datetime or None
        After a drift: use only slides counted from then on, and take over the shape of the
        calibration before; photos from before then keep to that one. None uses all slides.
    made_at : datetime
        Local, naive.

    Returns
    -------
    Recalibration
        Before, after, and every past estimate of the two.

    Raises
    ------
    DensitycamError
        When no paired slide is left to fit.
    """
    with journal.transaction():
        before, kept = calibration_in_force(journal, vessel)
        past = vessel_history(journal, vessel)
        shape_of = None
        if since is not None and kept is not None:
            # Drawing the line again elsewhere does not stack a shape on its own.
            shape_of = kept.id if kept.since is None else kept.shape_of
        after, record = fit_and_keep(
            journal,
            paired_slides(journal, vessel=vessel.name),
            species=vessel.species,
            vessel=vessel.name,
            made_by="calibrate",
            made_at=made_at,
            since=since,
            shape_of=shape_of,
        )
        now = vessel_history(journal, vessel)
    return Recalibration(
        before=before,
        after=after,
        record=record,
        changes=tuple(
            Change(was.photo, was.estimate, is_now.estimate)
            for was, is_now in zip(past.readings, now.readings, strict=True)
        ),
    )


def slide_chart(journal: Journal, vessel: VesselRecord) -> ControlChart:
    """Hold each slide of a vessel against what the slides before it foretold.

    Parameters
    ----------
    journal : Journal
        Holds the slides and readings.
    vessel : VesselRecord
        Which vessel.

    Returns
    -------
    ControlChart
        Of the slides since the vessel was last recalibrated after a drift.

    Raises
    ------
    DensitycamError
        For an unknown species.
    """
    from densitycam.calibration.drift import control_chart, foretold_in_turn
    from densitycam.calibration.model import start_calibration

    since, _ = since_drift(journal.latest_calibration(vessel))
    pairs = paired_slides(journal, vessel=vessel.name).since(since)
    return control_chart(foretold_in_turn(start_calibration(vessel.species), pairs.points()))
