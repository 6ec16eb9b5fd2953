"""`densitycam calibrate`: fit the journal's pairs of reading and slide count."""

from __future__ import annotations

import math
from collections.abc import Sequence
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
    some,
)
from densitycam.errors import DensitycamError

if TYPE_CHECKING:
    from densitycam.calibration.estimate import Estimate
    from densitycam.calibration.model import Calibration
    from densitycam.journal.history import Pairs


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
    from densitycam.calibration.model import leave_one_out
    from densitycam.calibration.species import load_species
    from densitycam.journal.history import fit_and_keep, paired_slides, prior_of, since_drift

    vessel = None if name is None else journal.vessel(name)
    facts = load_species(species if vessel is None else vessel.species)
    pairs = (
        paired_slides(journal, species=facts.id)
        if vessel is None
        else paired_slides(journal, vessel=vessel.name)
    )
    kept = None if vessel is None else journal.latest_calibration(vessel)
    since, shape_of = since_drift(kept)
    pairs = pairs.since(since)
    start = prior_of(journal, facts.id, shape_of)
    points = pairs.points()
    left_out = leave_one_out(start, points)
    calibration = start
    if points:
        calibration, _ = fit_and_keep(
            journal,
            pairs,
            species=facts.id,
            vessel=None if vessel is None else vessel.name,
            made_by="calibrate",
            made_at=now(),
            since=since,
            shape_of=shape_of,
        )
    title = f"{facts.title}, " + ("all vessels" if vessel is None else f"vessel {vessel.name}")
    if plot is not None:
        _plot(plot, title, pairs, left_out, calibration)
        click.echo(f"Wrote {plot}.", err=True)
    if as_json:
        _print_json(title, pairs, left_out, calibration)
    else:
        notes = []
        if since is not None:
            notes.append(
                f"Slides counted before {since:%Y-%m-%d} stay out since the drift; densitycam "
                "recalibrate brings them back."
            )
        if vessel is not None and points:
            from densitycam.journal.recalibrate import slide_chart

            notes.append(slide_chart(journal, vessel).sentence)
        _print_text(title, pairs, left_out, calibration, notes)


def errors_of(pairs: Pairs, left_out: Sequence[Estimate]) -> tuple[float, tuple[int, int] | None]:
    """Return the median relative error and how many counts lay inside, each left out in turn.

    A count's own error belongs to the difference, so a count is inside when its interval and
    the predicted one meet.
    """
    errors, inside = [], 0
    for (slide, _), told in zip(pairs.used, left_out, strict=True):
        inside += told.low <= slide.count.high and slide.count.low <= told.high
        if told.status == "measured":
            errors.append(abs(told.cells_per_ml / slide.count.cells_per_ml - 1))
    if len(left_out) < 2:  # one count alone is told by the starting calibration
        return math.nan, None
    errors.sort()
    middle = len(errors) // 2
    if not errors:
        median = math.nan
    elif len(errors) % 2:
        median = errors[middle]
    else:
        median = (errors[middle - 1] + errors[middle]) / 2
    return median, (inside, len(left_out))


def _left_out_lines(pairs: Pairs) -> list[str]:
    lines = [f"{s.counted_at:%Y-%m-%d}: not paired with a reading" for s in pairs.unpaired]
    return lines + [
        f"{s.counted_at:%Y-%m-%d}: a count of zero sets no gain (kept in the journal)"
        for s in pairs.zero
    ]


def _print_text(
    title: str,
    pairs: Pairs,
    left_out: Sequence[Estimate],
    calibration: Calibration,
    more_notes: Sequence[str],
) -> None:
    from densitycam.journal.history import pair_label
    from densitycam.report.numbers import format_density, format_slide
    from densitycam.report.recalibration import stray_words
    from densitycam.report.text import calibration_text

    used = [
        f"{pair_label(photo)}: counted {format_slide(slide.count)}; the others say "
        f"{format_density(told)}"
        for (slide, photo), told in zip(pairs.used, left_out, strict=True)
    ]
    notes = [*stray_words(calibration), *more_notes]
    if not pairs.used:
        notes.append(
            "Pair a count with a photo: densitycam count --vessel NAME --reading latest ..."
        )
    median, inside = errors_of(pairs, left_out)
    click.echo(
        calibration_text(
            title=title,
            used=used,
            left_out=_left_out_lines(pairs),
            slides=calibration.n_slides,
            median_error=median,
            inside_interval=inside,
            range_low=calibration.range_low,
            range_high=calibration.range_high,
            notes=notes,
        )
    )
    if pairs.used:
        click.echo(f"Kept as {calibration.id}; used from now on.")


def _print_json(
    title: str, pairs: Pairs, left_out: Sequence[Estimate], calibration: Calibration
) -> None:
    from densitycam.journal.history import pair_label

    median, inside = errors_of(pairs, left_out)
    echo_json(
        {
            "title": title,
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
            "left_out": _left_out_lines(pairs),
        }
    )


def _plot(
    path: Path, title: str, pairs: Pairs, left_out: Sequence[Estimate], calibration: Calibration
) -> None:
    import numpy as np

    from densitycam.calibration.model import can_calibrate, predictive_band
    from densitycam.report.calibration_plot import PlotPoint, write_calibration_plot
    from densitycam.report.numbers import format_day

    if not pairs.used:
        raise DensitycamError(
            f"{title}: there is nothing to plot yet.",
            "Pair a slide count with a photo first: densitycam count --reading latest.",
        )
    fitted = iter(calibration.points)  # the slides that the fit could use, in the same order
    judged = [next(fitted) if can_calibrate(p) else None for p in pairs.points()]
    low, high = calibration.range_low, calibration.range_high
    points = [
        PlotPoint(
            label=format_day(photo.taken_at) if photo.taken_at else photo.file_name,
            counted=slide.count.cells_per_ml,
            counted_low=slide.count.low,
            counted_high=slide.count.high,
            estimated=told.cells_per_ml,
            estimated_low=told.low,
            estimated_high=told.high,
            off=point.off if point is not None and point.doubtful else 1.0,
        )
        for (slide, photo), told, point in zip(pairs.used, left_out, judged, strict=True)
    ]
    write_calibration_plot(
        path,
        title=title,
        points=points,
        range_low=low,
        range_high=high,
        band=predictive_band(calibration, [float(d) for d in np.geomspace(low, high, 60)]),
        note=some(calibration.n_slides, "slide")
        if calibration.n_slides > 1
        else "1 slide, predicted by the starting calibration",
    )
