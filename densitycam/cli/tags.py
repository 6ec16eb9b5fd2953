"""`densitycam tags`: a sheet of small vessel tags, by which photos sort themselves."""

from __future__ import annotations

from pathlib import Path

import click

from densitycam.card.layout import PAPER_SIZES_MM
from densitycam.cli.options import (
    check_places,
    echo_json,
    journal_option,
    json_option,
    open_journal,
    some,
)


@click.command("tags", short_help="Make vessel tags, by which photos sort themselves.")
@click.option(
    "--vessel",
    "names",
    metavar="NAME",
    multiple=True,
    help="Only of this vessel; may be given several times. All vessels without it.",
)
@click.option("--pdf", type=click.Path(path_type=Path), metavar="OUT", help="Write a PDF.")
@click.option(
    "--paper",
    type=click.Choice(list(PAPER_SIZES_MM)),
    default="a4",
    show_default=True,
    help="Sheet format.",
)
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context, names: tuple[str, ...], pdf: Path | None, paper: str, as_json: bool
) -> None:
    """Write tags with a small marker and the vessel's name, to print, cut and fold.

    Keep each tag with its vessel. For the photo stand it beside the card, or hang it over the
    card's top edge: not over the bars, the grey steps or the colours, and not on the vessel. Then
    snap needs no --vessel, and batch sorts a folder of mixed photos. A vessel keeps its tag for
    good. Without --pdf the tags that were given are listed.

    \b
    densitycam tags --pdf tags.pdf
    densitycam tags --vessel "left jar" --pdf tag.pdf
    """  # noqa: D301
    check_places(pdf)
    journal = open_journal(ctx)
    wanted = [journal.vessel(name).name for name in names] or [v.name for v in journal.vessels()]
    if pdf is None:
        tags = {number: name for number, name in journal.tags().items() if name in wanted}
    else:
        if not wanted:
            raise click.UsageError("There is no vessel yet: describe one with densitycam vessel.")
        from densitycam.card.tag_drawing import write_tags_pdf
        from densitycam.card.tags import tag_sheets

        with journal.transaction():  # a tag that was not written was not given
            tags = journal.give_tags(wanted)
            sheets = tag_sheets(list(tags.items()), paper)
            write_tags_pdf(sheets, pdf)
    if as_json:
        echo_json([{"tag": number, "vessel": name} for number, name in tags.items()])
        return
    for number, name in tags.items():
        click.echo(f"Tag {number}: {name}")
    if pdf is not None:
        click.echo(
            f"Wrote {pdf}, {some(len(sheets), 'sheet')}. Print it at 100 %, cut, fold in the "
            "middle."
        )
    elif not tags:
        click.echo("No vessel has a tag yet: densitycam tags --pdf tags.pdf")
