"""`densitycam card`: the sheet to print, and what your own print of it really reflects."""

from __future__ import annotations

from pathlib import Path

import click

from densitycam.card.layout import PAPER_SIZES_MM, card_layout
from densitycam.cli.options import (
    Quantity,
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
)
from densitycam.wording import entry


@click.group(
    "card", short_help="Make the card to print; register your print.", invoke_without_command=True
)
@click.option(
    "--paper",
    type=click.Choice(list(PAPER_SIZES_MM)),
    default="a4",
    show_default=True,
    help="Sheet format.",
)
@click.option("--pdf", type=click.Path(path_type=Path), metavar="OUT", help="Write a PDF.")
@click.option("--png", type=click.Path(path_type=Path), metavar="OUT", help="Write a PNG.")
@click.option(
    "--px-per-mm",
    type=Quantity(1, itself=True, most=40),
    metavar="N",
    default=12.0,
    show_default=True,
    help="Scale of the PNG [px/mm].",
)
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    paper: str,
    pdf: Path | None,
    png: Path | None,
    px_per_mm: float,
    as_json: bool,
) -> None:
    """Write the card: bars, markers, grey steps and colours for one sheet of paper.

    Print the PDF at 100 % ("actual size") on matt paper and check the ruler on it. With --json
    every place on the sheet is printed, in millimetres from its top left corner.

    \b
    densitycam card --pdf card.pdf
    densitycam card --paper letter --pdf card.pdf
    densitycam card register bare-1.jpg bare-2.jpg
    """  # noqa: D301
    if ctx.invoked_subcommand is not None:
        if pdf or png or as_json:
            raise click.UsageError(
                f"Make the card and {ctx.invoked_subcommand} it in two steps; options of "
                f"{ctx.invoked_subcommand} come after its name."
            )
        return
    if not (pdf or png or as_json):
        raise click.UsageError("Say what to make: --pdf OUT, --png OUT or --json.")
    from densitycam.card.drawing import layout_json, write_card_pdf, write_card_png

    layout = card_layout(paper)
    if pdf:
        write_card_pdf(layout, pdf)
        click.echo(f"Wrote {pdf}. Print it at 100 % and check the 100 mm ruler.", err=as_json)
    if png:
        write_card_png(layout, png, px_per_mm)
        click.echo(f"Wrote {png}, {px_per_mm:g} px/mm.", err=as_json)
    if as_json:
        echo_json(layout_json(layout))


@command.command("register", short_help="Measure your print from photos of the bare card.")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@journal_option
@json_option
@click.pass_context
def register_command(ctx: click.Context, photos: tuple[Path, ...], as_json: bool) -> None:
    """Measure what your print reflects from PHOTOS of the card with nothing before it.

    No home print is as designed. Registered once, its own greys serve for every later photo, and
    batch reads earlier ones again. Take two or three photos in open shade or daylight, without
    flash or filter, the whole card in the picture, with the phone that takes your daily photos.
    Photos that agree differ by less than 5 %; beyond 15 % nothing is registered. Register again
    after printing the card anew: the newest print of a paper format is used.

    \b
    densitycam card register bare-1.jpg bare-2.jpg bare-3.jpg
    """  # noqa: D301
    journal = open_journal(ctx)
    from densitycam.journal.prints import register

    done = register(journal, photos, registered_at=now())
    profile = done.record.profile
    if as_json:
        echo_json(
            {
                "paper": profile.paper,
                "edition": profile.version,
                "photos": profile.photos,
                "disagreement": profile.disagreement,
                "strays": [{"photo": name, "by": far} for name, far in done.strays],
                "registered_at": done.record.registered_at,
                "reflectance": profile.reflectance,
            }
        )
        return
    from densitycam.report.text import registration_text

    click.echo(entry("Print", registration_text(profile, strays=done.strays)))
    if profile.photos == 1:
        click.echo(entry("To be surer", "Register two or three photos together."))
    click.echo("Used for every photo read from now on; batch reads earlier ones again.")
