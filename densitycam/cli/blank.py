"""`densitycam blank`: what a vessel itself takes from the light, taken off its readings."""

from __future__ import annotations

from pathlib import Path

import click

from densitycam.cli.options import echo_json, journal_option, json_option, now, open_journal


@click.command("blank", short_help="Measure a vessel with clean salt water.")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--vessel", "name", metavar="NAME", required=True, help="The vessel that was photographed."
)
@journal_option
@json_option
@click.pass_context
def command(ctx: click.Context, photos: tuple[Path, ...], name: str, as_json: bool) -> None:
    """Measure from PHOTOS what the clean vessel with clean salt water takes from the light.

    Two or three photos are good, set down anew for each. Every reading of the vessel, past ones
    too, is then used less its own blank, and its calibration is fitted again. A sample drawn into
    another vessel is left as it was. Without a blank that of a clean glass vessel is assumed.

    \b
    densitycam blank water-1.jpg water-2.jpg water-3.jpg --vessel "left jar"
    """  # noqa: D301
    journal = open_journal(ctx)
    vessel = journal.vessel(name)
    from densitycam.journal.blanks import detection_limit_of, measure_blank

    record, readings = measure_blank(journal, vessel, photos, made_at=now())
    limit, slides = detection_limit_of(journal, vessel, record, readings)
    if as_json:
        echo_json(
            {
                "vessel": vessel.name,
                "made_at": record.made_at,
                "blank": record.blank,
                "detection_limit_cells_per_ml": limit,
                "slides_behind_it": slides,
            }
        )
        return
    from densitycam.report.text import blank_text

    click.echo(blank_text(vessel.name, record.blank, limit=limit, slides=slides))
    click.echo(f"Kept with {vessel.name}: all its readings, past ones too, are used less this.")
