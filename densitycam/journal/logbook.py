"""What a keeper logs of a vessel besides splits: inoculation, end, top-up, loss, dose, note."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any, Union


@dataclass(frozen=True)
class InoculationRecord:
    """The begin of a batch: whatever was in the vessel before has nothing to do with it.

    Parameters
    ----------
    vessel : str
        Name of the vessel.
    done_at : datetime
        Local, naive, to the second. Midnight stands for a day of which the time was not given:
        the day's photos then show the new culture.
    source : str
        Where the starter came from; "" where not told.
    cells_per_ml : float or None
        Density in the vessel right after it [cells/mL], where known.
    """

    vessel: str
    done_at: datetime
    source: str = ""
    cells_per_ml: float | None = None


@dataclass(frozen=True)
class EndRecord:
    """The end of a batch, and why.

    Parameters
    ----------
    vessel : str
        Name of the vessel.
    done_at : datetime
        Local, naive, to the second. Midnight stands for a day of which the time was not given:
        the day's photos then show the culture that was ended.
    reason : str
        Why; "" where not told.
    """

    vessel: str
    done_at: datetime
    reason: str = ""


@dataclass(frozen=True)
class TopUpRecord:
    """New salt water, or fresh water for what evaporated, without a harvest.

    Parameters
    ----------
    vessel : str
        Name of the vessel.
    done_at : datetime
        As for a split: midnight counts as after that day's last photo.
    added_ml : float
        Water added, > 0 [mL].
    total_ml : float or None
        Culture afterwards, > added_ml [mL]; None leaves it to be reckoned from what else is
        logged.
    """

    vessel: str
    done_at: datetime
    added_ml: float
    total_ml: float | None = None


@dataclass(frozen=True)
class LossRecord:
    """Culture spilt or drawn, which leaves the density alone, or water evaporated, which does not.

    Parameters
    ----------
    vessel : str
        Name of the vessel.
    done_at : datetime
        As for a split.
    lost_ml : float
        > 0 [mL].
    evaporated : bool
        True where only water went and the cells stayed.
    """

    vessel: str
    done_at: datetime
    lost_ml: float
    evaporated: bool = False


@dataclass(frozen=True)
class DoseRecord:
    """One dose of nutrient.

    Parameters
    ----------
    vessel : str
        Name of the vessel.
    done_at : datetime
        As for a split.
    part_a_ml, part_b_ml : float
        Of each part, >= 0, one of them > 0 [mL]; a nutrient of one part has part_b_ml 0.
    new_water_ml : float or None
        The new water it was reckoned for [mL], where told.
    """

    vessel: str
    done_at: datetime
    part_a_ml: float
    part_b_ml: float = 0.0
    new_water_ml: float | None = None


@dataclass(frozen=True)
class NoteRecord:
    """A few words about a vessel; a vessel may have several of one moment.

    Parameters
    ----------
    vessel : str
        Name of the vessel.
    done_at : datetime
        Local, naive, to the second.
    text : str
        The words.
    """

    vessel: str
    done_at: datetime
    text: str


LogRecord = Union[  # noqa: UP007  (an alias at run time, also in Python 3.10)
    InoculationRecord, EndRecord, TopUpRecord, LossRecord, DoseRecord, NoteRecord
]

#: Kinds as the journal's file names them.
KINDS: dict[str, type[Any]] = {
    "inoculation": InoculationRecord,
    "end": EndRecord,
    "top-up": TopUpRecord,
    "loss": LossRecord,
    "dose": DoseRecord,
    "note": NoteRecord,
}

#: For each kind the columns of the table `log` that hold its fields beside vessel and time.
_COLUMNS: dict[str, dict[str, str]] = {
    "inoculation": {"source": "text", "cells_per_ml": "cells_per_ml"},
    "end": {"reason": "text"},
    "top-up": {"added_ml": "ml", "total_ml": "total_ml"},
    "loss": {"lost_ml": "ml", "evaporated": "evaporated"},
    "dose": {"part_a_ml": "ml", "part_b_ml": "part_b_ml", "new_water_ml": "total_ml"},
    "note": {"text": "text"},
}

#: All columns of the table `log` that hold something of one kind or another.
LOG_COLUMNS = ("ml", "part_b_ml", "total_ml", "cells_per_ml", "evaporated", "text")


def kind_of(record: LogRecord) -> str:
    """Return the kind of a record, as the journal's file names it.

    Parameters
    ----------
    record : LogRecord
        Of any kind.
    """
    return next(kind for kind, cls in KINDS.items() if type(record) is cls)


def columns_of(record: LogRecord) -> dict[str, object]:
    """Return what the columns `LOG_COLUMNS` hold for a record; None where its kind has nothing.

    Parameters
    ----------
    record : LogRecord
        Of any kind.
    """
    values: dict[str, object] = dict.fromkeys(LOG_COLUMNS)
    for field, column in _COLUMNS[kind_of(record)].items():
        value = getattr(record, field)
        if isinstance(value, bool):
            value = int(value)
        elif isinstance(value, (int, float)):
            value = float(value)
        values[column] = value
    return values


def record_of(
    kind: str, vessel: str, done_at: datetime, columns: Mapping[str, object]
) -> LogRecord:
    """Return the record that a row of the table `log` holds.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    vessel : str
        Name of the vessel.
    done_at : datetime
        Local, naive.
    columns : mapping of str to object
        `LOG_COLUMNS`.
    """
    fields = {field: columns[column] for field, column in _COLUMNS[kind].items()}
    if "evaporated" in fields:
        fields["evaporated"] = bool(fields["evaporated"])
    record: LogRecord = KINDS[kind](vessel=vessel, done_at=done_at, **fields)
    return record


def has_time(when: datetime) -> bool:
    """Tell whether a time was given with the day.

    Parameters
    ----------
    when : datetime
        Midnight stands for none.
    """
    return when.time() != time.min
