"""`densitycam report`: one HTML page on a vessel or all of them, to look at, keep or print."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from densitycam.cli.options import (
    check_places,
    journal_option,
    now,
    open_journal,
    own_settings,
    when_option,
)


@click.command("report", short_help="One HTML page on a vessel, or on all of them.")
@click.argument("name", metavar="VESSEL")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FILE",
    required=True,
    help="Where to (.html).",
)
@click.option(
    "--photos",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Show small pictures of the photos found in this folder; the journal keeps only their "
    "names.",
)
@when_option("As of another time; now when not given.")
@journal_option
@click.pass_context
def command(
    ctx: click.Context, name: str, out: Path, photos: Path | None, when: datetime | None
) -> None:
    """Write a page on VESSEL, or on "all": what to do today, growth with forecast, decisions, log.

    The page holds everything in itself and asks nothing of the network. Print it for a PDF. Its
    pictures carry no metadata, so no place.

    \b
    densitycam report all --out cultures.html --photos photos
    """  # noqa: D301
    if out.suffix.lower() not in (".html", ".htm"):
        raise click.UsageError(f"--out writes HTML: {out} must end in .html.")
    check_places(out)
    from densitycam.atomic_file import write_whole
    from densitycam.journal.morning import cold_bottles, morning
    from densitycam.report.daily_work import bottle_line
    from densitycam.report.page import report_page
    from densitycam.report.page_data import STRIP, find_pictures, vessel_page

    journal = open_journal(ctx)
    settings = own_settings(ctx, journal)
    at = when or now()
    everyone = name == "all" and name not in {v.name for v in journal.vessels()}
    if not everyone:
        journal.vessel(name)
    lines = [
        line
        for line in morning(journal, settings, at, whole=True)
        if everyone or line.today.history.vessel.name == name
    ]
    if not lines:
        raise click.UsageError("No vessel yet. Describe one: densitycam vessel NAME --species ...")
    notes = []
    pictures: dict[str, str] = {}
    if photos is not None:
        wanted: dict[str, list[str]] = {}
        for line in lines:
            shown = [r for r in line.today.history.readings if r.when <= line.today.now]
            for reading in shown[-STRIP:]:
                wanted.setdefault(reading.photo.file_name, []).append(reading.photo.sha256)
        pictures, missing = find_pictures(photos, wanted)
        if missing:
            notes.append(f"{missing} photos were not found in {photos.name}.")
    pages = [vessel_page(journal, line, pictures) for line in lines]
    bottles = [
        bottle_line(bottle, state)
        for bottle, state in cold_bottles(journal, settings, at)
        if everyone or bottle.vessel == name
    ]
    page = report_page(pages, made_at=at, bottles=bottles, notes=notes)
    write_whole(out, page.encode("utf-8"))
    size = len(page) / 1e6
    click.echo(f"Wrote {out}, {size:.1f} MB, {len(pictures)} pictures.")
    for note in notes:
        click.echo(note)
