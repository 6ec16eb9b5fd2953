"""The slides of a vessel, or of all vessels of a species, become the calibration in force."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from densitycam.calibration.estimate import Estimate
from densitycam.calibration.species import SpeciesFacts, load_species
from densitycam.journal.history import Pairs, fit_and_keep, paired_slides, prior_of, since_drift
from densitycam.journal.store import Journal
from densitycam.vessel.record import VesselRecord

if TYPE_CHECKING:
    from densitycam.calibration.model import Calibration

__all__ = ["Fitted", "errors_of", "fit_slides"]


@dataclass(frozen=True)
class Fitted:
    """A calibration just fitted.

    Parameters
    ----------
    facts : SpeciesFacts
        Of its species.
    vessel : VesselRecord or None
        Whose slides were used; None for those of all vessels of the species.
    pairs : Pairs
        The slides, those left out among them.
    left_out : sequence of Estimate
        What the others say of each used slide's photo, in their order.
    calibration : Calibration
        As kept; the starting calibration where no slide could be used.
    since : datetime or None
        Slides from before this stay out since a drift.
    """

    facts: SpeciesFacts
    vessel: VesselRecord | None
    pairs: Pairs
    left_out: Sequence[Estimate]
    calibration: Calibration
    since: datetime | None

    @property
    def title(self) -> str:
        """Species and vessel in words."""
        whose = "all vessels" if self.vessel is None else f"vessel {self.vessel.name}"
        return f"{self.facts.title}, {whose}"


def fit_slides(
    journal: Journal,
    *,
    made_at: datetime,
    vessel: str | None = None,
    species: str | None = None,
    keep: bool = True,
) -> Fitted:
    """Fit the counts that are paired with a photo, and keep the calibration.

    Parameters
    ----------
    journal : Journal
        Where the slides are; with none that can be used nothing is kept.
    made_at : datetime
        Local, naive.
    vessel, species : str or None
        One of them: a vessel's name, or a species' id.
    keep : bool
        False only looks: the calibration in force stays.

    Returns
    -------
    Fitted
        The calibration, and what each slide says of it.

    Raises
    ------
    DensitycamError
        For a vessel or species that is not known.
    """
    from densitycam.calibration.model import fit_calibration, leave_one_out

    known = None if vessel is None else journal.vessel(vessel)
    facts = load_species((species or "") if known is None else known.species)
    if known is None:
        pairs, kept = paired_slides(journal, species=facts.id), None
    else:
        pairs = paired_slides(journal, vessel=known.name)
        kept = journal.latest_calibration(known)
    since, shape_of = since_drift(kept)
    pairs = pairs.since(since)
    calibration = prior_of(journal, facts.id, shape_of)
    points = pairs.points()
    left_out = leave_one_out(calibration, points)
    if points and not keep:
        calibration = fit_calibration(calibration, points)
    elif points:
        calibration, _ = fit_and_keep(
            journal,
            pairs,
            species=facts.id,
            vessel=None if known is None else known.name,
            made_by="calibrate",
            made_at=made_at,
            since=since,
            shape_of=shape_of,
        )
    return Fitted(facts, known, pairs, left_out, calibration, since)


def errors_of(pairs: Pairs, left_out: Sequence[Estimate]) -> tuple[float, tuple[int, int] | None]:
    """Return the median relative error and how many counts lay inside, each left out in turn.

    A count's own error belongs to the difference, so a count is inside when its interval and
    the predicted one meet.

    Parameters
    ----------
    pairs : Pairs
        The slides.
    left_out : sequence of Estimate
        For each of `pairs.used`, what the others tell of it.

    Returns
    -------
    median : float
        Relative error, >= 0, dimensionless; nan for fewer than two slides, and where none was
        measured.
    inside : (int, int) or None
        How many counts lay inside, and of how many; None for fewer than two.
    """
    errors, inside = [], 0
    for (slide, _), told in zip(pairs.used, left_out, strict=True):
        inside += told.low <= slide.count.high and slide.count.low <= told.high
        if told.status == "measured":
            errors.append(abs(told.cells_per_ml / slide.count.cells_per_ml - 1))
    if len(left_out) < 2:  # one count alone is told by the starting calibration
        return math.nan, None
    return statistics.median(errors) if errors else math.nan, (inside, len(left_out))
