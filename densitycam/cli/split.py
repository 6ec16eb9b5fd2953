"""`densitycam split`: log a harvest with top-up, so that growth is reckoned from it."""

from __future__ import annotations

from datetime import datetime

import click

from densitycam.cli.options import (
    ABOVE_ZERO,
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
    when_option,
)


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
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    name: str,
    kept_ml: float,
    total_ml: float | None,
    when: datetime | None,
    as_json: bool,
) -> None:
    """Log a split of a vessel: so much culture stayed, fresh salt water made up the rest.

    Growth and days since the split are counted from it. A split that was not logged is concluded
    from a sharp fall in density, less surely. The same vessel and time again corrects it.

    \b
    densitycam split --vessel "left jar" --kept-ml 225
    """  # noqa: D301
    from densitycam.journal.store import SplitRecord

    journal = open_journal(ctx)
    vessel = journal.vessel(name)
    total = vessel.working_volume_ml if total_ml is None else total_ml
    if not kept_ml < total:
        raise click.UsageError(
            f"--kept-ml must be below the total of {total:g} mL, not {kept_ml:g}."
        )
    split = SplitRecord(vessel.name, when or now(), kept_ml, total)
    journal.add_split(split)
    if as_json:
        echo_json(split)
        return
    day = f"{split.done_at:%Y-%m-%d %H:%M}" if split.timed else f"{split.done_at:%Y-%m-%d}"
    said = f"{vessel.name}, {day}: kept {kept_ml:g} of {total:g} mL ({kept_ml / total:.0%})."
    click.echo(said if split.timed else f"{said} It counts as after that day's last photo.")
