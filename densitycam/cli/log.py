"""`densitycam log`: what was done to a culture besides splits, and taking back what was wrong."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar

import click

from densitycam.cli.options import (
    ABOVE_ZERO,
    check_not_ahead,
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
    say_clock,
    when_option,
)

if TYPE_CHECKING:
    from densitycam.journal.logbook import LogRecord
    from densitycam.journal.store import Journal

F = TypeVar("F", bound=Callable[..., Any])

_vessel_option = click.option(
    "--vessel", "name", metavar="NAME", required=True, help="Which vessel."
)
_ml_option = click.option(
    "--ml", type=ABOVE_ZERO, metavar="ML", required=True, help="How much [mL]."
)

#: A --when without a time, for work of which the day's photos show the culture before it.
_AFTER = "A date without a time counts as after that day's last photo."


def _when(text: str) -> Callable[[F], F]:
    return when_option(f'When, such as "2026-05-09 07:41"; now when not given. {text}')


@click.group("log", short_help="Log inoculation, top-up, loss, dose, note, end; take back.")
def command() -> None:
    """Log what is done to a culture besides photos, counts and splits.

    Growth then knows new water from dying cells, and one culture from the next. The same vessel,
    kind and time again corrects an entry; undo takes back what was logged last.

    \b
    densitycam log inoculation --vessel "left jar" --source "friend's bag"
    densitycam log top-up --vessel "left jar" --ml 60
    densitycam log dose --vessel "left jar" --ml-each 0.35 --new-water-ml 675
    densitycam log note "lamp moved nearer" --vessel "left jar"
    densitycam log undo
    """  # noqa: D301


@command.command("inoculation", short_help="A new culture begins in a vessel.")
@_vessel_option
@click.option("--source", metavar="TEXT", default="", help="Where the starter came from.")
@click.option(
    "--cells-per-ml",
    type=ABOVE_ZERO,
    metavar="N",
    help="Density in the vessel right after it [cells/mL], if known.",
)
@_when("A date without a time counts as before that day's photos.")
@journal_option
@json_option
@click.pass_context
def inoculation(
    ctx: click.Context,
    name: str,
    source: str,
    cells_per_ml: float | None,
    when: datetime | None,
    as_json: bool,
) -> None:
    """Log that a new culture begins: nothing from before it counts for its growth.

    \b
    densitycam log inoculation --vessel "left jar" --source "slant 3"
    densitycam log inoculation --vessel "left jar" --cells-per-ml 4e5
    """  # noqa: D301
    from densitycam.journal.logbook import InoculationRecord

    _keep(
        ctx,
        lambda vessel, at: InoculationRecord(vessel, at, source.strip(), cells_per_ml),
        name,
        when,
        as_json,
    )


@command.command("end", short_help="A culture ends: crashed, contaminated, given up.")
@_vessel_option
@click.option("--reason", metavar="TEXT", default="", help="Why it ended.")
@_when(_AFTER)
@journal_option
@json_option
@click.pass_context
def end(ctx: click.Context, name: str, reason: str, when: datetime | None, as_json: bool) -> None:
    """Log that a culture ended. Photos after it are of another one.

    \b
    densitycam log end --vessel "left jar" --reason "turned milky"
    """  # noqa: D301
    from densitycam.journal.logbook import EndRecord

    _keep(ctx, lambda vessel, at: EndRecord(vessel, at, reason.strip()), name, when, as_json)


@command.command("top-up", short_help="Water added without a harvest.")
@_vessel_option
@_ml_option
@click.option(
    "--total-ml",
    type=ABOVE_ZERO,
    metavar="ML",
    help="Culture afterwards [mL]; reckoned from the working volume and what was logged as lost "
    "when not given.",
)
@_when(_AFTER)
@journal_option
@json_option
@click.pass_context
def top_up(
    ctx: click.Context,
    name: str,
    ml: float,
    total_ml: float | None,
    when: datetime | None,
    as_json: bool,
) -> None:
    """Log water added without a harvest: it thins the culture, and growth takes that into account.

    A harvest with top-up is a split: densitycam split.

    \b
    densitycam log top-up --vessel "left jar" --ml 60
    """  # noqa: D301
    from densitycam.journal.log_entry import top_up_of

    journal = open_journal(ctx)
    _keep(
        ctx,
        lambda vessel, at: top_up_of(journal, vessel, at, added_ml=ml, total_ml=total_ml),
        name,
        when,
        as_json,
        journal=journal,
    )


@command.command("loss", short_help="Culture spilt or drawn, or water evaporated.")
@_vessel_option
@_ml_option
@click.option(
    "--evaporated", is_flag=True, help="Only water went: the cells stayed, and stand denser."
)
@_when(_AFTER)
@journal_option
@json_option
@click.pass_context
def loss(
    ctx: click.Context,
    name: str,
    ml: float,
    evaporated: bool,
    when: datetime | None,
    as_json: bool,
) -> None:
    """Log culture that was spilt or drawn, or water that evaporated.

    \b
    densitycam log loss --vessel "left jar" --ml 30
    densitycam log loss --vessel "left jar" --ml 45 --evaporated
    """  # noqa: D301
    from densitycam.journal.log_entry import loss_of

    journal = open_journal(ctx)
    _keep(
        ctx,
        lambda vessel, at: loss_of(journal, vessel, at, lost_ml=ml, evaporated=evaporated),
        name,
        when,
        as_json,
        journal=journal,
    )


@command.command("dose", short_help="Nutrient given.")
@_vessel_option
@click.option(
    "--ml-each", type=ABOVE_ZERO, metavar="ML", help="Of each part of a two-part nutrient [mL]."
)
@click.option("--ml", type=ABOVE_ZERO, metavar="ML", help="Of a nutrient of one part [mL].")
@click.option(
    "--new-water-ml",
    type=ABOVE_ZERO,
    metavar="ML",
    help="The new water it was reckoned for [mL], if any.",
)
@_when(_AFTER)
@journal_option
@json_option
@click.pass_context
def dose(
    ctx: click.Context,
    name: str,
    ml_each: float | None,
    ml: float | None,
    new_water_ml: float | None,
    when: datetime | None,
    as_json: bool,
) -> None:
    """Log a dose of nutrient.

    \b
    densitycam log dose --vessel "left jar" --ml-each 0.35 --new-water-ml 675
    """  # noqa: D301
    from densitycam.journal.logbook import DoseRecord

    if (ml is None) == (ml_each is None):
        raise click.UsageError(
            "Say how much: --ml-each ML of a two-part nutrient, or --ml ML of one of one part."
        )
    part_a, part_b = (ml_each, ml_each) if ml_each is not None else (ml or 0.0, 0.0)
    _keep(
        ctx,
        lambda vessel, at: DoseRecord(vessel, at, part_a, part_b or 0.0, new_water_ml),
        name,
        when,
        as_json,
    )


@command.command("note", short_help="A few words about a vessel.")
@click.argument("text")
@_vessel_option
@_when("")
@journal_option
@json_option
@click.pass_context
def note(ctx: click.Context, text: str, name: str, when: datetime | None, as_json: bool) -> None:
    """Keep a few words about a vessel with their day.

    \b
    densitycam log note "lamp moved nearer" --vessel "left jar"
    """  # noqa: D301
    from densitycam.journal.logbook import NoteRecord

    if not text.strip():
        raise click.UsageError("A note needs words.")
    _keep(ctx, lambda vessel, at: NoteRecord(vessel, at, text.strip()), name, when, as_json)


@command.command("list", short_help="What was logged, splits among it.")
@click.option("--vessel", "name", metavar="NAME", help="Of this vessel; of all without it.")
@journal_option
@json_option
@click.pass_context
def list_command(ctx: click.Context, name: str | None, as_json: bool) -> None:
    """List what was logged, in order of time, splits among it.

    \b
    densitycam log list --vessel "left jar"
    """  # noqa: D301
    from densitycam.report.daily_work import log_line

    journal = open_journal(ctx)
    names = [v.name for v in journal.vessels()] if name is None else [journal.vessel(name).name]
    logged = [record for vessel in names for record in journal.log(vessel=vessel)]
    splits = [split for vessel in names for split in journal.splits(vessel)]
    records = sorted([*logged, *splits], key=lambda r: r.done_at)
    if as_json:
        echo_json([_as_json(record) for record in records])
        return
    if not records:
        click.echo("Nothing was logged yet.")
    for record in records:
        click.echo(log_line(record))


@command.command("undo", short_help="Take back what was logged last.")
@click.option(
    "--vessel", "name", metavar="NAME", help="What was logged last of this vessel, not of all."
)
@journal_option
@json_option
@click.pass_context
def undo(ctx: click.Context, name: str | None, as_json: bool) -> None:
    """Take back the last entry, whatever day it is dated: log, split or bottle. Repeat for more.

    A row of splits.csv comes back with the next densitycam batch of its folder.

    \b
    densitycam log undo
    """  # noqa: D301
    from densitycam.errors import DensitycamError
    from densitycam.journal.bottle_records import BottleRecord
    from densitycam.report.daily_work import undone_words

    journal = open_journal(ctx)
    undone = journal.undo(vessel=None if name is None else journal.vessel(name).name)
    if undone is None:
        raise DensitycamError(
            "There is nothing to take back.", "See what was logged with densitycam log list."
        )
    if isinstance(undone, tuple):
        bottle, use = undone
        said: object = {"kind": "bottle-use", "bottle": bottle.number, "use": use}
    elif isinstance(undone, BottleRecord):
        said = {"kind": "bottle", **_fields(undone)}
    else:
        said = _as_json(undone)
    if as_json:
        echo_json({"undone": said})
        return
    click.echo(f"Taken back: {undone_words(undone)}")


def _keep(
    ctx: click.Context,
    make: Callable[[str, datetime], LogRecord],
    name: str,
    when: datetime | None,
    as_json: bool,
    *,
    journal: Journal | None = None,
) -> None:
    """Keep a record and say it, with what it replaced."""
    from densitycam.report.daily_work import log_line, log_words

    journal = journal or open_journal(ctx)
    record = make(journal.vessel(name).name, check_not_ahead(when) or now())
    replaced = journal.add_to_log(record)
    if as_json:
        was = None if replaced is None else _as_json(replaced)
        echo_json({**_as_json(record), "replaced": was})
        return
    click.echo(log_line(record))
    if replaced is not None:
        click.echo(f"It replaces: {log_words(replaced)}.")
    say_clock(journal, when)


def _as_json(record: Any) -> dict[str, object]:
    from densitycam.journal.logbook import kind_of
    from densitycam.journal.store import SplitRecord

    kind = "split" if isinstance(record, SplitRecord) else kind_of(record)
    return {"kind": kind, **_fields(record)}


def _fields(record: Any) -> dict[str, object]:
    from densitycam.journal.encode import plain

    return dict(plain(record))
