"""A calibration just fitted, in words and as a picture: each count against what the others say."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from densitycam.errors import DensitycamError
from densitycam.journal.calibrating import Fitted, errors_of
from densitycam.journal.history import Pairs, pair_label
from densitycam.journal.recalibrate import slide_chart
from densitycam.journal.store import Journal
from densitycam.report.numbers import format_day, format_density, format_slide
from densitycam.report.recalibration import stray_words
from densitycam.report.text import calibration_text

__all__ = ["fitted_notes", "fitted_text", "left_out_lines", "write_fitted_plot"]


def left_out_lines(pairs: Pairs) -> list[str]:
    """Return which slides set no gain, and why.

    Parameters
    ----------
    pairs : Pairs
        A vessel's or a species'.
    """
    lines = [f"{s.counted_at:%Y-%m-%d}: not paired with a reading" for s in pairs.unpaired]
    return lines + [
        f"{s.counted_at:%Y-%m-%d}: a count of zero sets no gain (kept in the journal)"
        for s in pairs.zero
    ]


def fitted_notes(journal: Journal, fitted: Fitted) -> list[str]:
    """Return what else is to be known: slides that do not fit, a drift.

    Parameters
    ----------
    journal : Journal
        Where the slides are.
    fitted : Fitted
        From `fit_slides`.
    """
    notes = list(stray_words(fitted.calibration))
    if fitted.since is not None:
        notes.append(
            f"Slides counted before {fitted.since:%Y-%m-%d} stay out since the drift; densitycam "
            "recalibrate brings them back."
        )
    if fitted.vessel is not None and fitted.pairs.points():
        notes.append(slide_chart(journal, fitted.vessel).sentence)
    if not fitted.pairs.used:
        notes.append(
            "Pair a count with a photo: densitycam count --vessel NAME --reading latest ..."
        )
    return notes


def fitted_text(fitted: Fitted, notes: Sequence[str]) -> str:
    """Return the whole text, at most 80 columns wide.

    Parameters
    ----------
    fitted : Fitted
        The calibration.
    notes : sequence of str
        As `fitted_notes` gives them.
    """
    pairs, calibration = fitted.pairs, fitted.calibration
    used = [
        f"{pair_label(photo)}: counted {format_slide(slide.count)}; the others say "
        f"{format_density(told)}"
        for (slide, photo), told in zip(pairs.used, fitted.left_out, strict=True)
    ]
    median, inside = errors_of(pairs, fitted.left_out)
    text = calibration_text(
        title=fitted.title,
        used=used,
        left_out=left_out_lines(pairs),
        slides=calibration.n_slides,
        median_error=median,
        inside_interval=inside,
        range_low=calibration.range_low,
        range_high=calibration.range_high,
        notes=notes,
    )
    return f"{text}\nKept as {calibration.id}; used from now on." if pairs.used else text


def write_fitted_plot(path: Path, fitted: Fitted) -> None:
    """Draw estimate against count, each count left out in turn.

    Parameters
    ----------
    path : Path
        Where to, .png or .svg.
    fitted : Fitted
        The calibration.

    Raises
    ------
    DensitycamError
        Where no slide could be used.
    """
    import numpy as np

    from densitycam.calibration.model import can_calibrate, predictive_band
    from densitycam.report.calibration_plot import PlotPoint, write_calibration_plot

    pairs, calibration, title = fitted.pairs, fitted.calibration, fitted.title
    if not pairs.used:
        raise DensitycamError(
            f"{title}: there is nothing to plot yet.",
            "Pair a slide count with a photo first: densitycam count --reading latest.",
        )
    judged_points = iter(calibration.points)  # the slides that the fit could use, in the same order
    judged = [next(judged_points) if can_calibrate(p) else None for p in pairs.points()]
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
        for (slide, photo), told, point in zip(pairs.used, fitted.left_out, judged, strict=True)
    ]
    write_calibration_plot(
        path,
        title=title,
        points=points,
        range_low=low,
        range_high=high,
        band=predictive_band(calibration, [float(d) for d in np.geomspace(low, high, 60)]),
        note=f"{calibration.n_slides} slides"
        if calibration.n_slides > 1
        else "1 slide, predicted by the starting calibration",
    )
