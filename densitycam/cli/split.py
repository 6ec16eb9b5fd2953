"""`densitycam split`: log a harvest with top-up, so that growth is reckoned from it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densitycam.cli.bottle import check_label, filled_lines, label_option, write_label
from densitycam.cli.options import (
    ABOVE_ZERO,
    check_not_ahead,
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
    own_settings,
    say_clock,
    when_option,
)

if TYPE_CHECKING:
    from densitycam.journal.store import SplitRecord


@click.command("split", short_help="Log a split: so much kept, the rest topped up.")
@click.option("--vessel", "name", metavar="NAME", required=True, help="The vessel that was split.")
@click.option(
    "--kept-ml", type=ABOVE_ZERO, metavar="ML", required=True, help="Culture kept back [mL]."
)
@click.option(
    "--total-ml",
    type=ABOVE_ZERO,
    metavar="ML",
    help="Culture after topping up [mL]; the vessel's working volume when not given.",
)
@when_option(
    'When it was done, such as "2026-05-09 07:41"; now when not given. A date without a time '
    "counts as after that day's last photo."
)
@click.option(
    "--bottle-ml",
    type=ABOVE_ZERO,
    metavar="ML",
    help="So much of the harvest goes into a bottle in the cold [mL]: see densitycam bottle.",
)
@label_option
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    name: str,
    kept_ml: float,
    total_ml: float | None,
    when: datetime | None,
    bottle_ml: float | None,
    label: Path | None,
    as_json: bool,
) -> None:
    """Log a split of a vessel: so much culture stayed, fresh salt water made up the rest.

    Growth and days since the split are counted from it. A split that was not logged is concluded
    from a sharp fall in density, less surely. The same vessel and time again corrects it.

    \b
    densitycam split --vessel "left jar" --kept-ml 225
    densitycam split --vessel "left jar" --kept-ml 225 --bottle-ml 500
    """  # noqa: D301
    from densitycam.journal.encode import plain
    from densitycam.journal.splitting import keep_split, split_of

    if label is not None and bottle_ml is None:
        raise click.UsageError("--label is that of the bottle: say with --bottle-ml what is in it.")
    check_label(label)
    journal = open_journal(ctx)
    vessel = journal.vessel(name)
    at = check_not_ahead(when) or now()
    split = split_of(vessel, at, kept_ml=kept_ml, total_ml=total_ml)
    settings = own_settings(ctx, journal)
    # Without its label the split is not kept either: repeated, it would fill a second bottle.
    with journal.transaction():
        filled = keep_split(journal, vessel, split, settings, bottle_ml=bottle_ml)
        if filled is not None and label is not None:
            write_label(settings, filled[1], label)
    if as_json:
        echo_json({**plain(split), "bottle": None if filled is None else filled[1]})
        return
    click.echo(_said(split))
    if filled is not None:
        for line in filled_lines(*filled, settings):
            click.echo(line)
    say_clock(journal, when)
    if label is not None:
        click.echo(f"Wrote {label}. Print it at 100 % and cut it out.")


def _said(split: SplitRecord) -> str:
    day = f"{split.done_at:%Y-%m-%d %H:%M}" if split.timed else f"{split.done_at:%Y-%m-%d}"
    percent = 100 * split.kept_ml / split.total_ml
    kept = f"kept {split.kept_ml:g} of {split.total_ml:g} mL ({percent:.0f} %)"
    said = f"{split.vessel}, {day}: {kept}."
    return said if split.timed else f"{said} It counts as after that day's last photo."
