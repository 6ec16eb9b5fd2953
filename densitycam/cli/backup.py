"""`densitycam backup`: a whole copy of the journal, also while another program writes it."""

from __future__ import annotations

from pathlib import Path

import click

from densitycam.cli.options import echo_json, journal_option, json_option


@click.command("backup", short_help="Copy the journal whole, also while it is in use.")
@click.argument("file", type=click.Path(path_type=Path))
@journal_option
@json_option
@click.pass_context
def command(ctx: click.Context, file: Path, as_json: bool) -> None:
    """Copy the journal to FILE, its settings beside it: whole, also while batch writes it.

    FILE is a journal like any other: name it with --journal to look into it, or put it in the
    journal's place to go back to it. An earlier backup of that name is replaced. Best kept on
    another disk. Photos are not in it.

    \b
    densitycam backup stick/journal-2026-05-09.sqlite
    """  # noqa: D301
    from densitycam.journal.backup import back_up
    from densitycam.journal.place import journal_path
    from densitycam.journal.settings_file import back_up_settings

    journal = journal_path(ctx.find_root().obj)
    size = back_up(journal, file)
    settings = back_up_settings(journal, file)
    if as_json:
        echo_json(
            {
                "journal": str(journal),
                "backup": str(file),
                "bytes": size,
                "settings": None if settings is None else str(settings),
            }
        )
        return
    click.echo(f"Copied {journal} to {file}, {max(1, round(size / 1000))} kB, and checked it.")
    if settings is not None:
        click.echo(f"Copied its settings to {settings}.")
