"""`densitycam card`: the sheet to print, as PDF at true size, as PNG, or its places as JSON."""

from __future__ import annotations

from pathlib import Path

import click

from densitycam.card.layout import PAPER_SIZES_MM, card_layout
from densitycam.cli.options import Quantity, echo_json, json_option


@click.command("card", short_help="Make the card to print.")
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
def command(
    paper: str, pdf: Path | None, png: Path | None, px_per_mm: float, as_json: bool
) -> None:
    """Write the card: bars, markers, grey steps and colours for one sheet of paper.

    Print the PDF at 100 % ("actual size") on matt paper and check the ruler on it. With --json
    every place on the sheet is printed, in millimetres from its top left corner.

    \b
    densitycam card --pdf card.pdf
    densitycam card --paper letter --pdf card.pdf
    """  # noqa: D301
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
