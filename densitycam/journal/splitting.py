"""A split is kept, and with it the bottle that was filled from its harvest."""

from __future__ import annotations

from datetime import datetime, timedelta

from densitycam.culture.settings import Settings
from densitycam.errors import DensitycamError
from densitycam.journal.batches import waters
from densitycam.journal.bottle_records import BottleRecord
from densitycam.journal.bottling import BottleFill, fill_from
from densitycam.journal.history import vessel_history
from densitycam.journal.store import Journal, SplitRecord
from densitycam.vessel.record import VesselRecord

__all__ = ["keep_split", "split_of"]


def split_of(
    vessel: VesselRecord, at: datetime, *, kept_ml: float, total_ml: float | None
) -> SplitRecord:
    """Return a split that can be.

    Parameters
    ----------
    vessel : VesselRecord
        Which vessel.
    at : datetime
        When, local, naive; midnight counts as after that day's last photo.
    kept_ml : float
        Culture kept back, > 0 [mL].
    total_ml : float or None
        Culture after topping up [mL]; None for the working volume.

    Returns
    -------
    SplitRecord
        Not yet kept.

    Raises
    ------
    DensitycamError
        Where more was kept than is there afterwards.
    """
    total = vessel.working_volume_ml if total_ml is None else total_ml
    if not kept_ml < total:
        raise DensitycamError(
            f"The {kept_ml:g} mL kept must be below the total of {total:g} mL after topping up.",
            "Correct one of them.",
        )
    return SplitRecord(vessel.name, at, kept_ml, total)


def _held_before(journal: Journal, vessel: VesselRecord, split: SplitRecord) -> float:
    """Return what a vessel held right before a split, what was logged as lost taken off [mL]."""
    until = split.done_at
    if not split.timed:  # it comes after all else of its day
        until += timedelta(days=1) - timedelta(seconds=1)
    return waters(
        vessel,
        splits=[s for s in journal.splits(vessel.name) if s.done_at < split.done_at],
        log=journal.log(vessel=vessel.name),
        until=until,
    ).volume_ml


def keep_split(
    journal: Journal,
    vessel: VesselRecord,
    split: SplitRecord,
    settings: Settings,
    *,
    bottle_ml: float | None = None,
) -> tuple[BottleFill, BottleRecord] | None:
    """Keep a split; where a bottle was filled from it, keep that too, or neither.

    Parameters
    ----------
    journal : Journal
        Where to.
    vessel : VesselRecord
        The split's.
    split : SplitRecord
        As `split_of` gives it.
    settings : Settings
        The keeper's thresholds: they decide whether the harvest is suspect.
    bottle_ml : float or None
        Culture that went into a bottle, > 0 [mL].

    Returns
    -------
    (BottleFill, BottleRecord) or None
        Where the bottle's density comes from, and the bottle as kept.

    Raises
    ------
    DensitycamError
        Where the bottle holds more than the harvest.
    """
    if bottle_ml is None:
        journal.add_split(split)
        return None
    held = _held_before(journal, vessel, split)
    if not bottle_ml <= held - split.kept_ml:
        raise DensitycamError(
            f"The bottle's {bottle_ml:g} mL are more than the harvest, {held:g} - "
            f"{split.kept_ml:g} mL.",
            "Correct one of them.",
        )
    # Before the split is kept: the bottle holds what was in the vessel before it.
    filling = fill_from(
        vessel_history(journal, vessel, settings), ml=bottle_ml, filled_at=split.done_at
    )
    with journal.transaction():
        journal.add_split(split)
        bottle = journal.add_bottle(filling.bottle)
    return filling, bottle
