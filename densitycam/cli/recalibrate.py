"""`densitycam recalibrate`: fit a vessel's slides anew and show what that changes in the past."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densitycam.cli.options import (
    check_places,
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
    when_option,
)
from densitycam.wording import entry

if TYPE_CHECKING:
    from densitycam.calibration.drift import ControlChart
    from densitycam.journal.recalibrate import Recalibration


@click.command("recalibrate", short_help="Fit a vessel anew; show what changes in the past.")
@click.option("--vessel", "name", metavar="NAME", required=True, help="The vessel.")
@when_option(
    "After a drift: only slides counted from this day on, one is enough. Photos from before "
    "it keep to the calibration that held then. Without it all slides are used.",
    name="--since",
    metavar="DAY",
)
@click.option(
    "--chart",
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="Draw the control chart: each slide against what those before it foretold (.png, .svg).",
)
@click.option("--try", "only_try", is_flag=True, help="Show what would change and keep nothing.")
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    name: str,
    since: datetime | None,
    chart: Path | None,
    only_try: bool,
    as_json: bool,
) -> None:
    """Fit a vessel's slide counts anew, and show before, after, and past estimates that change.

    No photo is needed: the journal keeps every reading. Earlier calibrations stay in the journal,
    and each estimate says which one it used. Each slide is also held against what the slides
    before it foretold, so that a drift is seen (limits of three sigma and the Western Electric
    rules).

    \b
    densitycam recalibrate --vessel "left jar" --since 2026-05-09
    """  # noqa: D301
    check_places(chart)
    journal = open_journal(ctx, keep=not only_try)
    from densitycam.journal.recalibrate import recalibrate, slide_chart

    vessel = journal.vessel(name)
    drift = slide_chart(journal, vessel)
    done = recalibrate(journal, vessel, since=since, made_at=now())
    if chart is not None:
        from densitycam.report.control_chart import write_control_chart

        write_control_chart(chart, title=f"Slides of {vessel.name}", chart=drift)
        click.echo(f"Wrote {chart}.", err=True)
    if as_json:
        _print_json(done, drift, only_try)
    else:
        _print_text(vessel.name, done, drift, only_try)


def _print_text(name: str, done: Recalibration, drift: ControlChart, only_try: bool) -> None:
    from densitycam.report.recalibration import changes_lines, recalibration_lines

    since = done.record.since
    click.echo(f"{name}, " + ("all slides" if since is None else f"slides since {since:%Y-%m-%d}"))
    click.echo()
    for label, text in recalibration_lines(
        before=done.before, after=done.after, changes=done.changes, drift=drift
    ):
        click.echo(entry(label, text))
    for line in changes_lines(done.changes):
        click.echo(line)
    if only_try:
        click.echo("Nothing was kept.")
    elif done.after.id == done.before.id:
        click.echo(f"{done.after.id} was in force already and stays so.")
    else:
        click.echo(f"Kept as {done.after.id}; earlier calibrations stay in the journal.")


def _print_json(done: Recalibration, drift: ControlChart, only_try: bool) -> None:
    echo_json(
        {
            "before": {"calibration_id": done.before.id, "slides": done.before.n_slides},
            "after": {
                "calibration_id": done.after.id,
                "slides": done.after.n_slides,
                "range_low": done.after.range_low,
                "range_high": done.after.range_high,
                "doubtful": [
                    {"label": p.label, "off": p.off, "weight": p.weight}
                    for p in done.after.points
                    if p.doubtful
                ],
            },
            "since": done.record.since,
            "kept": not only_try,
            "drift": {"state": drift.state, "since": drift.since, "off": drift.off,
                      "sentence": drift.sentence},
            "changes": [
                {
                    "file": c.photo.file_name,
                    "taken_at": c.photo.taken_at,
                    "before": c.before,
                    "after": c.after,
                }
                for c in done.changes
            ],
        }
    )  # fmt: skip
