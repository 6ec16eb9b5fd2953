"""`densitycam settings`: every threshold of the decision, where it comes from, where to set it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from densitycam.cli.options import (
    echo_json,
    journal_option,
    json_option,
    open_journal,
    own_settings,
    settings_place,
)
from densitycam.wording import entry

if TYPE_CHECKING:
    from pathlib import Path

    from densitycam.culture.settings import Threshold


@click.command("settings", short_help="Every threshold of the advice, and where to set it.")
@click.option(
    "--vessel", "name", metavar="NAME", help="As they hold for this vessel; all vessels without it."
)
@click.option(
    "--write",
    is_flag=True,
    help="Write the file to edit: every number with its meaning, none of them set.",
)
@journal_option
@json_option
@click.pass_context
def command(ctx: click.Context, name: str | None, write: bool, as_json: bool) -> None:
    """Show the numbers that the advice goes by: harvest band, days, share kept, salt, dose.

    They are set in a text file beside the journal, for all cultures, a species or a vessel. A
    line that cannot be used is refused, by every command that advises.

    \b
    densitycam settings --write
    densitycam settings --vessel "left jar"
    """  # noqa: D301
    from densitycam.calibration.species import load_species
    from densitycam.culture.settings import thresholds
    from densitycam.journal.settings_file import write_settings

    journal = open_journal(ctx)
    path = settings_place(ctx)
    vessels = journal.vessels() if name is None else (journal.vessel(name),)
    if write:
        write_settings(path, journal)
    settings = own_settings(ctx, journal)
    shown = {
        vessel: thresholds(settings, load_species(vessel.species), vessel) for vessel in vessels
    }
    if as_json:
        echo_json(
            {
                "file": str(path),
                "exists": path.exists(),
                "vessels": {vessel.name: numbers for vessel, numbers in shown.items()},
            }
        )
        return
    click.echo(_where(path, written=write))
    alike: dict[tuple[Threshold, ...], list[str]] = {}
    for vessel, numbers in shown.items():
        alike.setdefault(numbers, []).append(vessel.name)
    for numbers, names in alike.items():
        click.echo()
        click.echo(", ".join(names))
        for number in numbers:
            _show(number)
    if not vessels:
        click.echo("No vessel yet. Describe one: densitycam vessel NAME --species ...")


def _where(path: Path, *, written: bool) -> str:
    if written:
        return f"Wrote {path}. Nothing is set in it yet: take the # away from a line."
    if path.exists():
        return f"Settings file: {path}"
    return f"No settings file yet; it would be {path}. To make it: densitycam settings --write"


def _show(number: Threshold) -> None:
    from densitycam.culture.settings import plain_number

    value = f"  {number.name} = {plain_number(number.value)} {number.unit}"
    click.echo(value)
    click.echo(entry("", f"{number.meaning} Source: {number.source}."))
