"""`densitycam today`: every vessel in one line, the most urgent first, from the journal alone."""

from __future__ import annotations

from datetime import datetime, timedelta
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

if TYPE_CHECKING:
    from densitycam.culture.bottles import BottleState
    from densitycam.culture.settings import Settings
    from densitycam.journal.bottle_records import BottleRecord
    from densitycam.journal.history import Today
    from densitycam.journal.store import Journal, PhotoRecord
    from densitycam.report.today_text import VesselLine


#: A photo that was not measured is spoken of for so long: later another one is due anyway.
_RECENT = timedelta(days=2)


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
    from densitycam.report.today_text import bottles_text, today_text

    journal = open_journal(ctx)
    settings = own_settings(ctx, journal)
    at = when or now()
    lines = morning(journal, settings, at)
    bottles = cold_bottles(journal, settings, at)
    if as_json:
        echo_json(
            {
                "at": at,
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
    cold = bottles_text(bottles)
    if cold:
        click.echo(f"\n{cold}")


def morning(journal: Journal, settings: Settings, at: datetime) -> list[VesselLine]:
    """Return every vessel with what to do, the most urgent first.

    Parameters
    ----------
    journal : Journal
        What is known.
    settings : Settings
        The keeper's thresholds.
    at : datetime
        The moment asked about.

    Returns
    -------
    list of VesselLine
        Vessels whose culture was ended come last.
    """
    from densitycam.culture.stagger import Ripe, patience_days, stagger, urgency
    from densitycam.journal.history import advise_today, vessel_history
    from densitycam.report.today_text import VesselLine

    known = [advise_today(vessel_history(journal, v, settings), at) for v in journal.vessels()]
    running = [t for t in known if t.ended is None and t.reading is not None]
    ripe = [
        Ripe(
            t.history.vessel.name,
            patience_days(
                t.advice,
                estimate=t.estimate,
                growth=t.growth,
                facts=t.history.facts,
                age_days=t.age_days,
            ),
        )
        for t in running
        if t.advice.action in ("harvest", "overdue")
    ]
    done = sum(
        any(s.when.date() == at.date() and s.when <= t.now for s in t.history.logged_splits)
        for t in running
    )
    turns = {t.name: t for t in stagger(ripe, vessels=len(running), split_already=done)}
    lines = [
        VesselLine(t, turns.get(t.history.vessel.name), _refused_since(journal, t)) for t in known
    ]
    return sorted(lines, key=lambda x: (x.today.ended is not None, urgency(x.today.advice, x.turn)))


def _refused_since(journal: Journal, today: Today) -> PhotoRecord | None:
    """Return a photo of the last two days, newer than the reading, that was not measured."""
    strangers = {s.id: s for s in today.history.strangers}
    since = today.now - _RECENT if today.reading is None else today.reading.when
    found = [
        strangers.get(p.id, p)
        for p in journal.photos(today.history.vessel.name)
        if p.taken_at is not None and max(since, today.now - _RECENT) < p.taken_at <= today.now
    ]
    refused = [p for p in found if p.status == "refused"]
    return refused[-1] if refused else None


def cold_bottles(
    journal: Journal, settings: Settings, at: datetime
) -> list[tuple[BottleRecord, BottleState]]:
    """Return the bottles that hold something, in the order in which to use them."""
    from densitycam.calibration.species import load_species
    from densitycam.culture.bottles import bottle_states
    from densitycam.culture.settings import thresholds_of

    bottles = [b for b in journal.bottles() if b.filled_at <= at]
    names = {b.species for b in bottles}
    facts = {name: thresholds_of(settings, load_species(name))[1] for name in names}
    by_label = {b.label: b for b in bottles}
    states = bottle_states([b.as_bottle() for b in bottles], facts, at)
    return [(by_label[s.bottle.label], s) for s in states]


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
