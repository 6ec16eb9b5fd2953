"""What recalibrating did, in words: slides, intervals, drift, and past estimates that change."""

from __future__ import annotations

import math
from collections.abc import Sequence

from densitycam.calibration.drift import ControlChart
from densitycam.calibration.estimate import Estimate
from densitycam.calibration.model import Calibration
from densitycam.journal.recalibrate import Change
from densitycam.report.numbers import (
    Unit,
    format_day,
    format_density,
    format_off,
    format_range,
    series_unit,
    significant,
)

#: An estimate that changes by less than this [ln] is not worth a line.
_NOTHING = 0.005

#: Above this probability of being good a doubtful slide may be right, and another one wrong: of
#: three slides often nothing tells.
_SURELY_BAD = 0.2

#: Most past photos listed one by one.
_LISTED = 20


def stray_words(calibration: Calibration) -> tuple[str, ...]:
    """Return a sentence for each slide that strays far from the others.

    Parameters
    ----------
    calibration : Calibration
        With slides.

    Returns
    -------
    tuple of str
        Each names the slide and the factor by which its count is off.
    """
    doubtful = [p for p in calibration.points if p.doubtful]
    if len(doubtful) == 2 and len(calibration.points) == 2:
        apart = max(p.off for p in doubtful)
        return (
            f"{doubtful[0].label} and {doubtful[1].label} contradict each other by a factor of "
            f"{significant(apart)}, and nothing tells which is right: count a third slide.",
        )
    said = []
    for point in doubtful:
        left, more = "hardly counts", ""
        if point.weight > _SURELY_BAD:
            left = "counts less and intervals are wider"
            more = " Another slide may be the wrong one, so count one more."
        said.append(
            f"{point.label} is {format_off(point.off)} by what the other slides say, so it {left}. "
            f"Check its dilution, chamber and kind of square.{more}"
        )
    return tuple(said)


def recalibration_lines(
    *, before: Calibration, after: Calibration, changes: Sequence[Change], drift: ControlChart
) -> list[tuple[str, str]]:
    """Return labelled paragraphs that set before beside after.

    Parameters
    ----------
    before, after : Calibration
        In force until now, and from now on.
    changes : sequence of Change
        Past estimates by both.
    drift : ControlChart
        What the slides up to now said of the calibration before.

    Returns
    -------
    list of (str, str)
        Label and text.
    """
    lines = [("Before", _summary(before)), ("After", _summary(after))]
    widths = [
        (_half_width(c.before), _half_width(c.after))
        for c in changes
        if c.before.status == c.after.status == "measured"
    ]
    if widths:
        was, now = (sorted(column)[len(widths) // 2] for column in zip(*widths, strict=True))
        lines.append(
            (
                "Intervals",
                f"of past estimates +/-{_percent(was)} before, +/-{_percent(now)} after (95 %, "
                "median)",
            )
        )
    lines.append(("Drift", drift.sentence))
    # Slides after a drift stray from those before it; that is no fault of theirs.
    if drift.state != "drifted" or set(after.doubtful).isdisjoint(_run(drift)):
        lines += [("Note", words) for words in stray_words(after)]
    return lines


def _run(drift: ControlChart) -> list[str]:
    labels = [check.label for check in drift.checks]
    return labels[labels.index(drift.since) :]


def changes_lines(changes: Sequence[Change]) -> list[str]:
    """Return past estimates that change, a line each, with a heading; empty where none does.

    Parameters
    ----------
    changes : sequence of Change
        In order of capture.

    Returns
    -------
    list of str
        At most 80 columns wide.
    """
    told = [c for c in changes if _differs(c)]
    if not told:
        return [f"No estimate of {len(changes)} past photos changes."] if changes else []
    shown = told[-_LISTED:]
    unit = series_unit([e for c in shown for e in (c.before, c.after)])
    word = f"{unit[1]} cells/mL".strip()
    head = f"{len(told)} of {len(changes)} past estimates change ({word}, scored from the journal):"
    lines = [head]
    if len(shown) < len(told):
        lines.append(f"  the last {len(shown)}; all of them with --json")
    for c in shown:
        day = "" if c.photo.taken_at is None else format_day(c.photo.taken_at)
        before, after = (_number(e, unit) for e in (c.before, c.after))
        lines.append(f"  {day:<7}{c.photo.file_name[:30]:<31}{before:>10} -> {after:<10}{_by(c)}")
    return lines


def _summary(calibration: Calibration) -> str:
    if calibration.n_slides == 0:
        return f"starting calibration, not yet checked by a count ({calibration.id})"
    slides = f"{calibration.n_slides} slide{'' if calibration.n_slides == 1 else 's'}"
    holds = format_range(calibration.range_low, calibration.range_high)
    return f"{slides}, holds from {holds} ({calibration.id})"


def _half_width(estimate: Estimate) -> float:
    return math.sqrt(estimate.high / estimate.low) - 1


def _percent(share: float) -> str:
    return f"{significant(100 * share)} %"


def _differs(change: Change) -> bool:
    if change.before.status != change.after.status:
        return True
    if change.after.status != "measured":
        return False
    return abs(math.log(change.after.cells_per_ml / change.before.cells_per_ml)) > _NOTHING


def _number(estimate: Estimate, unit: Unit) -> str:
    if estimate.status == "measured":
        return significant(estimate.cells_per_ml / unit[0])
    return format_density(estimate, unit=unit)


def _by(change: Change) -> str:
    if not change.before.status == change.after.status == "measured":
        return ""
    return f"{100 * (change.after.cells_per_ml / change.before.cells_per_ml - 1):+.0f} %"
