"""What was logged, and the bottles in the cold, in words: for lists, answers and reports."""

from __future__ import annotations

from datetime import datetime

from densitycam.calibration.species import load_species
from densitycam.culture.bottles import BottleState
from densitycam.journal.bottle_records import BottleRecord, BottleUse
from densitycam.journal.logbook import (
    DoseRecord,
    EndRecord,
    InoculationRecord,
    LogRecord,
    LossRecord,
    TopUpRecord,
    has_time,
)
from densitycam.journal.store import SplitRecord
from densitycam.report.numbers import (
    format_cells,
    format_cells_interval,
    format_ml,
    format_percent,
)

__all__ = [
    "bottle_holds",
    "bottle_line",
    "day_words",
    "log_line",
    "log_words",
    "undone_words",
    "use_words",
]


def day_words(when: datetime) -> str:
    """Return a day, with the time where one was given: "2026-05-09 07:41".

    Parameters
    ----------
    when : datetime
        Local, naive; midnight stands for a day without a time.
    """
    return f"{when:%Y-%m-%d %H:%M}" if has_time(when) else f"{when:%Y-%m-%d}"


def log_words(record: LogRecord | SplitRecord) -> str:
    """Return what was done, such as "topped up with 50 mL".

    Parameters
    ----------
    record : LogRecord or SplitRecord
        Of any kind.
    """
    if isinstance(record, SplitRecord):
        share = format_percent(record.kept_ml / record.total_ml)
        return f"split: kept {format_ml(record.kept_ml)} of {format_ml(record.total_ml)} ({share})"
    if isinstance(record, InoculationRecord):
        source = f" from {record.source}" if record.source else ""
        density = "" if record.cells_per_ml is None else f", {format_cells(record.cells_per_ml)}"
        return f"inoculated{source}{density}"
    if isinstance(record, EndRecord):
        return f"culture ended{': ' + record.reason if record.reason else ''}"
    if isinstance(record, TopUpRecord):
        total = "" if record.total_ml is None else f" to {format_ml(record.total_ml)}"
        return f"topped up with {format_ml(record.added_ml)}{total}"
    if isinstance(record, LossRecord):
        gone = "evaporated" if record.evaporated else "of culture lost"
        return f"{format_ml(record.lost_ml)} {gone}"
    if isinstance(record, DoseRecord):
        if record.part_b_ml == record.part_a_ml:
            dose = f"{format_ml(record.part_a_ml)} of each part"
        elif record.part_b_ml:
            dose = f"{format_ml(record.part_a_ml)} of A, {format_ml(record.part_b_ml)} of B"
        else:
            dose = format_ml(record.part_a_ml)
        water = record.new_water_ml
        return f"nutrient: {dose}" + ("" if water is None else f" for {format_ml(water)} new water")
    return f"note: {record.text}"


def log_line(record: LogRecord | SplitRecord) -> str:
    """Return one line: vessel, day, what was done.

    Parameters
    ----------
    record : LogRecord or SplitRecord
        Of any kind.
    """
    return f"{record.vessel}, {day_words(record.done_at)}: {log_words(record)}."


def bottle_holds(bottle: BottleRecord) -> str:
    """Return what is in a bottle: "500 mL at 4.1 million cells/mL (95 %: 3.6 to 4.7)".

    Parameters
    ----------
    bottle : BottleRecord
        With what was used of it.
    """
    joint = "," if bottle.cells_per_ml is None else " at"
    return f"{format_ml(bottle.left_ml)}{joint} {bottle_density(bottle)}"


def bottle_density(bottle: BottleRecord) -> str:
    """Return a bottle's density when it was filled, with its interval where it has one.

    Parameters
    ----------
    bottle : BottleRecord
        Its density need not be known.
    """
    if bottle.cells_per_ml is None:
        return "density not measured"
    if bottle.low is None or bottle.high is None:
        return format_cells(bottle.cells_per_ml)
    return format_cells_interval(bottle.cells_per_ml, bottle.low, bottle.high)


def bottle_line(bottle: BottleRecord, state: BottleState) -> str:
    """Return one line of the list of bottles: what it is and what to do with it.

    Parameters
    ----------
    bottle : BottleRecord
        With its number.
    state : BottleState
        Of the same bottle, from `bottle_states`.

    Raises
    ------
    DensitycamError
        For a species that is not known.
    """
    species = load_species(bottle.species).title
    origin = f"{species} from {bottle.vessel}" if bottle.vessel else species
    return (
        f"Bottle {bottle.number}: {origin}, {day_words(bottle.filled_at)}, "
        f"{bottle_holds(bottle)}. {state.sentence}"
    )


def use_words(bottle: BottleRecord, use: BottleUse) -> str:
    """Return what left a bottle and what stays in it.

    Parameters
    ----------
    bottle : BottleRecord
        After the use.
    use : BottleUse
        What was taken.
    """
    left = f"{format_ml(bottle.left_ml)} left" if bottle.left_ml else "it is empty now"
    return (
        f"Bottle {bottle.number}, {day_words(use.done_at)}: {format_ml(use.ml)} {use.kind}; {left}."
    )


def undone_words(
    undone: LogRecord | SplitRecord | BottleRecord | tuple[BottleRecord, BottleUse],
) -> str:
    """Return what `Journal.undo` took back, a sentence.

    Parameters
    ----------
    undone : LogRecord, SplitRecord, BottleRecord or tuple
        What `Journal.undo` returned; a tuple is a bottle and a use of it.
    """
    if isinstance(undone, tuple):
        return f"{use_words(*undone).partition(';')[0]}, and is in it again."
    if isinstance(undone, BottleRecord):
        return f"Bottle {undone.number}, {bottle_holds(undone)}."
    return log_line(undone)
