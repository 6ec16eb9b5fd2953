"""`densitycam calibrate`: fit the journal's pairs of reading and slide count."""

from __future__ import annotations

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
)

if TYPE_CHECKING:
    from densitycam.journal.calibrating import Fitted


@click.command("calibrate", short_help="Fit a vessel's or species' slide counts.")
@click.option("--vessel", "name", metavar="NAME", help="Calibrate this vessel from its own slides.")
@click.option(
    "--species", metavar="ID", help="Calibrate a species from the slides of all its vessels."
)
@click.option(
    "--plot",
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="Draw estimate against count, each count left out in turn (.png or .svg).",
)
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context, name: str | None, species: str | None, plot: Path | None, as_json: bool
) -> None:
    """Fit the slide counts that are paired with a photo, and keep the calibration.

    Every version is kept; the newest that applies to a vessel is used from then on. Until the
    first slide the species' starting calibration serves, with a wide interval.

    \b
    densitycam calibrate --vessel "left jar" --plot fit.png
    """  # noqa: D301
    if (name is None) == (species is None):
        raise click.UsageError("Name either --vessel or --species.")
    check_places(plot)
    journal = open_journal(ctx)
    from densitycam.journal.calibrating import fit_slides
    from densitycam.report.fitted import fitted_notes, fitted_text, write_fitted_plot

    fitted = fit_slides(journal, made_at=now(), vessel=name, species=species)
    if plot is not None:
        write_fitted_plot(plot, fitted)
        click.echo(f"Wrote {plot}.", err=True)
    if as_json:
        _print_json(fitted)
    else:
        click.echo(fitted_text(fitted, fitted_notes(journal, fitted)))


def _print_json(fitted: Fitted) -> None:
    from densitycam.journal.calibrating import errors_of
    from densitycam.journal.history import pair_label
    from densitycam.report.fitted import left_out_lines

    pairs, left_out, calibration = fitted.pairs, fitted.left_out, fitted.calibration
    median, inside = errors_of(pairs, left_out)
    echo_json(
        {
            "title": fitted.title,
            "calibration_id": calibration.id,
            "slides": calibration.n_slides,
            "range_low": calibration.range_low,
            "range_high": calibration.range_high,
            "median_error": median,
            "inside_interval": inside,
            "doubtful": calibration.doubtful,
            "off": {p.label: p.off for p in calibration.points},
            "points": [
                {"label": pair_label(photo), "count": slide.count, "left_out": told}
                for (slide, photo), told in zip(pairs.used, left_out, strict=True)
            ],
            "left_out": left_out_lines(pairs),
        }
    )
