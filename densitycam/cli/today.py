"""`densitycam today`: every vessel in one line, the most urgent first, from the journal alone."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import click

from densitycam.cli.options import (
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
    own_settings,
    when_option,
)
from densitycam.wording import entry

if TYPE_CHECKING:
    from densitycam.journal.bottle_records import BottleRecord
    from densitycam.journal.morning import VesselLine


@click.command("today", short_help="Every vessel in one line: what to do this morning.")
@when_option("As of another time; now when not given.")
@journal_option
@json_option
@click.pass_context
def command(ctx: click.Context, when: datetime | None, as_json: bool) -> None:
    """Show each vessel's density, trend, signs and what to do, the most urgent first.

    No photo is read: snap or batch come first. A vessel whose last photo is more than two days old
    is not decided about. Where several are ripe, it says which to split today and which can wait
    until tomorrow, so that not all are split on one day. Then the bottles in the cold.

    \b
    densitycam today
    """  # noqa: D301
    from densitycam.journal.clocks import clock_doubt
    from densitycam.journal.morning import cold_bottles, morning
    from densitycam.report.today_text import bottles_text, today_text

    journal = open_journal(ctx)
    settings = own_settings(ctx, journal)
    at = when or now()
    lines = morning(journal, settings, at)
    bottles = cold_bottles(journal, settings, at)
    doubt = "" if when is not None else clock_doubt(journal, at)
    if as_json:
        echo_json(
            {
                "at": at,
                "clock": doubt,
                "vessels": [_as_json(line) for line in lines],
                "bottles": [
                    {**_plain(bottle), "left_ml": bottle.left_ml, "state": state.state,
                     "use_by": state.use_by, "do": state.sentence}
                    for bottle, state in bottles
                ],
            }
        )  # fmt: skip
        return
    if not lines:
        click.echo("No vessel yet. Describe one: densitycam vessel NAME --species ...")
    else:
        click.echo(today_text(lines))
    if doubt:
        click.echo(f"\n{entry('Clock', doubt)}")
    cold = bottles_text(bottles)
    if cold:
        click.echo(f"\n{cold}")


def _as_json(line: VesselLine) -> dict[str, object]:
    from densitycam.report.today_text import do_words

    today = line.today
    return {
        "vessel": today.history.vessel.name,
        "species": today.history.vessel.species,
        "do": do_words(line),
        "split_today": None if line.turn is None else line.turn.today,
        "why_then": None if line.turn is None else line.turn.why,
        "photo": None if today.reading is None else today.reading.photo.file_name,
        "taken_at": None if today.reading is None else today.reading.when,
        "age_days": today.age_days,
        "estimate": today.estimate,
        "new_water_since": today.diluted,
        "signs": today.flags,
        "growth": today.growth,
        "advice": today.advice,
        "ended_at": None if today.ended is None else today.ended.ends,
        "not_measured": None
        if line.refused is None
        else {"photo": line.refused.file_name, "problem": line.refused.message},
    }


def _plain(bottle: BottleRecord) -> dict[str, object]:
    from densitycam.journal.encode import plain

    return dict(plain(bottle))
