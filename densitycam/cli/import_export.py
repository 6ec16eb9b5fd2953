"""`densitycam import`: what another journal exported comes into this one."""

from __future__ import annotations

from pathlib import Path

import click

from densitycam.cli.options import (
    echo_json,
    journal_option,
    json_option,
    open_journal,
    settings_place,
    some,
)
from densitycam.wording import entry

#: So many rows that differ are named; more are only counted.
_NAMED = 5


@click.command("import", short_help="Read an export into the journal.")
@click.argument("place", type=click.Path(path_type=Path))
@journal_option
@json_option
@click.pass_context
def command(ctx: click.Context, place: Path, as_json: bool) -> None:
    """Read PLACE, which densitycam export wrote, into the journal: all of it or nothing.

    An empty journal becomes what was exported. In one that holds something already, what both
    hold stays as it is, and you are told what differs. So do your settings, if you have any; else
    those of the export become yours. Half a file, or a table changed since, is refused.

    \b
    densitycam import journal.json
    densitycam import tables
    """  # noqa: D301
    from densitycam.journal.encode import plain
    from densitycam.journal.exchange import merge, read_export
    from densitycam.journal.settings_file import take_settings

    export = read_export(place)
    journal, path = open_journal(ctx), settings_place(ctx)
    with journal.transaction():  # settings that cannot be written leave the journal as it was
        merged = merge(journal, export)
        settings = None if export.settings is None else take_settings(path, export.settings)
    if as_json:
        echo_json({**plain(merged), "settings": settings})
        return
    new = ", ".join(_some(n, table) for table, n in merged.added.items())
    click.echo(f"New: {new or 'nothing'}. Known already: {some(merged.known, 'row')}.")
    if merged.differed:
        named = ", ".join(merged.differed[:_NAMED])
        more = len(merged.differed) - _NAMED
        rest = f" and {more} more" if more > 0 else ""
        text = f"This journal's own version stays of {named}{rest}."
        click.echo(entry("Different", text))
    if settings == "written":
        click.echo(f"Wrote the settings to {path}.")
    if settings == "differs":
        text = (
            f"This journal's own settings stay, {path.name} beside it. To go by those of the "
            "export, move that file away and import again."
        )
        click.echo(entry("Different", text))
    for old, number in merged.bottles:
        if old not in (None, number):
            click.echo(f"Bottle {old} is bottle {number} here: write it on its label.")


def _some(count: int, table: str) -> str:
    """Return "2 splits", "1 log entry"."""
    if table == "log":
        return f"{count} log entr{'y' if count == 1 else 'ies'}"
    if table == "photo_copies":
        return f"{count} cop{'y' if count == 1 else 'ies'} of photos"
    return some(count, table.removesuffix("s").replace("_", " "))
