"""What is logged of water is held against what the vessel can hold, before it is kept."""

from __future__ import annotations

from datetime import datetime, timedelta

from densitycam.errors import DensitycamError
from densitycam.journal.batches import waters
from densitycam.journal.logbook import LossRecord, TopUpRecord
from densitycam.journal.store import Journal

__all__ = ["loss_of", "top_up_of"]


def top_up_of(
    journal: Journal, vessel: str, at: datetime, *, added_ml: float, total_ml: float | None
) -> TopUpRecord:
    """Return a top-up that can be.

    Parameters
    ----------
    journal : Journal
        Knows the vessel.
    vessel : str
        Its name.
    at : datetime
        When, local, naive.
    added_ml : float
        Water added, > 0 [mL].
    total_ml : float or None
        Culture afterwards [mL]; None where it is to be reckoned.

    Returns
    -------
    TopUpRecord
        Not yet kept.

    Raises
    ------
    DensitycamError
        For more water than the whole.
    """
    full = journal.vessel(vessel).working_volume_ml if total_ml is None else total_ml
    if not added_ml < full:
        if total_ml is not None:
            raise DensitycamError(
                f"The {added_ml:g} mL added must be below the total of {total_ml:g} mL.",
                "A vessel filled with water alone holds no culture.",
            )
        raise DensitycamError(
            f"The {added_ml:g} mL added must be below the {full:g} mL of {vessel}.",
            "Or say the total, how much it holds afterwards.",
        )
    return TopUpRecord(vessel, at, added_ml, total_ml)


def loss_of(
    journal: Journal, vessel: str, at: datetime, *, lost_ml: float, evaporated: bool
) -> LossRecord:
    """Return a loss that can be.

    Parameters
    ----------
    journal : Journal
        Knows the vessel and what was logged of it.
    vessel : str
        Its name.
    at : datetime
        When, local, naive.
    lost_ml : float
        What is gone, > 0 [mL].
    evaporated : bool
        Whether only water went.

    Returns
    -------
    LossRecord
        Not yet kept.

    Raises
    ------
    DensitycamError
        For more than the vessel holds.
    """
    others = [
        r for r in journal.log(vessel=vessel) if not (isinstance(r, LossRecord) and r.done_at == at)
    ]
    holds = waters(
        journal.vessel(vessel),
        splits=journal.splits(vessel),
        log=others,
        until=at + timedelta(days=1),
    ).volume_ml
    if not lost_ml < holds:
        raise DensitycamError(
            f"The {lost_ml:g} mL must be below the {holds:g} mL that {vessel} holds.",
            "A culture lost altogether is an end: log that.",
        )
    return LossRecord(vessel, at, lost_ml, evaporated)
