"""`densitycam export`: the whole journal as CSV tables or JSON, for other programs and for good."""

from __future__ import annotations

from pathlib import Path

import click

from densitycam.cli.options import (
    check_places,
    echo_json,
    journal_option,
    json_option,
    open_journal,
    settings_place,
    some,
)
from densitycam.wording import entry


@click.command("export", short_help="Write the journal as CSV tables or JSON.")
@click.argument("place", type=click.Path(path_type=Path))
@journal_option
@json_option
@click.pass_context
def command(ctx: click.Context, place: Path, as_json: bool) -> None:
    """Write all that the journal holds to PLACE: a .json file, or a new folder of CSV tables.

    densitycam import reads either back and loses nothing; your settings file is in it too.
    Photos are not, nor where they were taken or by which camera: the journal does not know.

    \b
    densitycam export journal.json
    densitycam export tables
    """  # noqa: D301
    from densitycam.errors import DensitycamError
    from densitycam.journal.exchange import read_journal, write_folder, write_json
    from densitycam.journal.place import journal_path
    from densitycam.journal.settings_file import kept_settings

    path = journal_path(ctx.find_root().obj)
    if not path.is_file():
        raise DensitycamError(
            f"There is no journal {path} yet.", "Name the journal's file with --journal."
        )
    check_places(place)
    # A copy in memory: nothing is held up, and an old journal is not brought up to date.
    journal = open_journal(ctx, keep=False)
    export = read_journal(journal, kept_settings(settings_place(ctx)))
    if place.suffix.lower() == ".json":
        write_json(export, place)
    elif place.suffix and not place.is_dir():
        raise click.UsageError(f"{place} must end in .json, or be a folder's name without a dot.")
    else:
        write_folder(export, place, journal)
    rows = {table: len(found) for table, found in export.tables.items() if found}
    if as_json:
        settings = export.settings is not None
        echo_json({"export": str(place), "rows": rows, "settings": settings})
        return
    kinds = ("vessels", "photos", "slides", "splits", "bottles")
    said = ", ".join(some(rows.get(kind, 0), kind.removesuffix("s")) for kind in kinds)
    rest = "and all else the journal holds"
    if export.settings is not None:
        rest = "all else the journal holds, and its settings"
    click.echo(f"Wrote {place}.")
    click.echo(entry("Holds", f"{said}, {rest}"))
