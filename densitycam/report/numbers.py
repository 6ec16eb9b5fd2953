"""Numbers as people read them: unit, interval, two or three significant figures."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime

from densitycam.calibration.estimate import Estimate
from densitycam.counting.slide import SlideCount
from densitycam.culture.advice import Growth
from densitycam.wording import days_words, density_scale, significant

__all__ = [
    "density_scale",
    "format_cells",
    "format_day",
    "format_days",
    "format_density",
    "format_grams",
    "format_ml",
    "format_off",
    "format_percent",
    "format_range",
    "format_rate",
    "format_slide",
    "series_unit",
    "significant",
]

#: Cells/mL in one unit, and the unit's word.
Unit = tuple[float, str]

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

#: Half-width of a 95 % interval over the value, below which a third figure says something.
_THREE_FIGURES_BELOW = 0.08


def _with_unit(number: str, word: str) -> str:
    return " ".join(part for part in (number, word, "cells/mL") if part)


def format_cells(cells_per_ml: float, *, figures: int = 2, unit: Unit | None = None) -> str:
    """Return a density with its unit, such as "8.4 million cells/mL".

    Parameters
    ----------
    cells_per_ml : float
        Density [cells/mL].
    figures : int, default 2
        Significant figures.
    unit : (float, str), optional
        Unit to use; the density's own when not given.

    Returns
    -------
    str
        The density in words.
    """
    factor, word = density_scale(cells_per_ml) if unit is None else unit
    return _with_unit(significant(cells_per_ml / factor, figures), word)


def _figures(value: float, low: float, high: float) -> int:
    if not (value > 0 and math.isfinite(high) and low < high):
        return 2
    return 3 if (high - low) / (2 * value) < _THREE_FIGURES_BELOW else 2


def _unit_of(value: float, high: float) -> Unit:
    """Return the unit of an interval's upper end: a value and its limits share one."""
    return density_scale(high if math.isfinite(high) and high >= value else value)


def _interval(low: float, high: float, *, figures: int, unit: Unit) -> str:
    """Return the limits without their unit; a limit that is not there is said in words."""
    factor, _ = unit
    has_low, has_high = low > 0, math.isfinite(high)
    if has_low and has_high:
        return f"{significant(low / factor, figures)} to {significant(high / factor, figures)}"
    if has_low:
        return f"above {significant(low / factor, figures)}"
    if has_high:
        return f"below {significant(high / factor, figures)}"
    return "no interval"


def format_range(low: float, high: float) -> str:
    """Return a span of densities in one unit, such as "5.3 to 120 million cells/mL".

    Parameters
    ----------
    low, high : float
        Its ends [cells/mL], finite.

    Returns
    -------
    str
        The span in words.
    """
    factor, word = density_scale(high)
    if low < factor / 1000:  # too far apart for one unit
        return f"{format_cells(low)} to {format_cells(high)}"
    return _with_unit(f"{significant(low / factor)} to {significant(high / factor)}", word)


def series_unit(estimates: Iterable[Estimate]) -> Unit:
    """Return the one unit in which a vessel's densities are best listed.

    Parameters
    ----------
    estimates : iterable of Estimate
        Answers of one vessel.

    Returns
    -------
    factor : float
        Cells/mL in one unit.
    word : str
        "billion", "million", "thousand" or "".
    """
    tops = [
        top
        for e in estimates
        for top in [e.high if math.isfinite(e.high) else e.low]
        if math.isfinite(top) and top > 0
    ]
    if not tops:
        return density_scale(1e6)
    factor, word = density_scale(max(tops))
    # A culture that has grown a thousandfold is listed in the unit of most of its days.
    return (
        (factor, word) if min(tops) >= factor / 100 else density_scale(sorted(tops)[len(tops) // 2])
    )


def format_density(estimate: Estimate, *, unit: Unit | None = None) -> str:
    """Return an estimate with its interval.

    Parameters
    ----------
    estimate : Estimate
        The answer.
    unit : (float, str), optional
        For a table whose heading names the unit: numbers only.

    Returns
    -------
    str
        Such as "8.4 million cells/mL (95 %: 7.1 to 9.9)", "more than 90 million cells/mL"; in a
        table "8.4 (7.1 to 9.9)", "more than 90".
    """
    bound = {"less-than": estimate.high, "more-than": estimate.low}.get(estimate.status)
    if bound is not None:
        than = estimate.status.replace("-", " ")
        if unit is not None:
            return f"{than} {significant(bound / unit[0])}"
        return f"{than} {format_cells(bound)}"
    value, low, high = estimate.cells_per_ml, estimate.low, estimate.high
    if math.isnan(value):
        return "unknown"
    if unit is not None:
        return f"{significant(value / unit[0])} ({_interval(low, high, figures=2, unit=unit)})"
    return format_cells_interval(value, low, high)


def format_cells_interval(value: float, low: float, high: float) -> str:
    """Return a density with its 95 % interval, written as in `format_density`.

    Parameters
    ----------
    value : float
        The density [cells/mL].
    low, high : float
        Its limits [cells/mL].

    Returns
    -------
    str
        All three in one unit, to as many figures as the interval allows.
    """
    figures, unit = _figures(value, low, high), _unit_of(value, high)
    limits = _interval(low, high, figures=figures, unit=unit)
    return f"{format_cells(value, figures=figures, unit=unit)} (95 %: {limits})"


def format_slide(count: SlideCount) -> str:
    """Return a slide count's density with its interval; a count of zero reads "less than".

    Parameters
    ----------
    count : SlideCount
        The count.

    Returns
    -------
    str
        Such as "9.4 million cells/mL (95 %: 8.0 to 11)".
    """
    if count.cells == 0:
        return f"less than {format_cells(count.high)}"
    return format_cells_interval(count.cells_per_ml, count.low, count.high)


def format_off(factor: float) -> str:
    """Return by how much a count is off, such as "2.4 times too low".

    Parameters
    ----------
    factor : float
        The count over what it should be, > 0, dimensionless.

    Returns
    -------
    str
        Two significant figures.
    """
    if factor > 1:
        return f"{significant(factor)} times too high"
    return f"{significant(1 / factor)} times too low"


def format_rate(growth: Growth) -> str:
    """Return a growth rate in divisions per day, with the specific rate and its interval.

    Parameters
    ----------
    growth : Growth
        Growth since the last split.

    Returns
    -------
    str
        Such as "0.65 divisions per day (rate 0.45 per day, 95 %: 0.38 to 0.52)", or "not known
        yet".
    """
    if math.isnan(growth.rate_per_day):
        return "not known yet"
    text = f"{growth.divisions_per_day:.2f} divisions per day"
    rate = f"rate {growth.rate_per_day:.2f} per day"
    if math.isfinite(growth.low) and math.isfinite(growth.high):
        return f"{text} ({rate}, 95 %: {growth.low:.2f} to {growth.high:.2f})"
    return f"{text} ({rate}, no interval)"


def format_days(days: float) -> str:
    """Return a span of days, no finer than it can be known.

    Parameters
    ----------
    days : float
        Span [day].

    Returns
    -------
    str
        Such as "less than a day", "1 day", "9 days", "6 weeks", "unknown".
    """
    if math.isnan(days):
        return "unknown"
    return "never at this rate" if math.isinf(days) else days_words(days)


def format_ml(volume_ml: float) -> str:
    """Return a volume, to whole millilitres from 20 mL up.

    Parameters
    ----------
    volume_ml : float
        Volume [mL].

    Returns
    -------
    str
        Such as "0.5 mL", "4.2 mL", "750 mL"; what would be rounded to nothing is "under 0.01 mL".
    """
    if not math.isfinite(volume_ml):
        return "unknown"
    if 0 < volume_ml < 0.01:
        return "under 0.01 mL"
    if volume_ml >= 20:
        return f"{volume_ml:.0f} mL"
    text = f"{volume_ml:.2f}" if volume_ml < 1 else f"{volume_ml:.1f}"
    return f"{text.rstrip('0').rstrip('.')} mL"


def format_grams(mass_g: float) -> str:
    """Return a mass to three figures, such as "19.2 g".

    Parameters
    ----------
    mass_g : float
        Mass [g].

    Returns
    -------
    str
        The mass in words.
    """
    return "unknown" if not math.isfinite(mass_g) else f"{significant(mass_g, 3)} g"


def format_percent(share: float) -> str:
    """Return a share as a whole percentage, such as "25 %".

    Parameters
    ----------
    share : float
        Share, 1 is all.

    Returns
    -------
    str
        The percentage in words.
    """
    return "unknown" if not math.isfinite(share) else f"{share * 100:.0f} %"


def format_day(when: datetime) -> str:
    """Return a day and month that read the same in every locale, such as "7 Mar".

    Parameters
    ----------
    when : datetime
        Local time.

    Returns
    -------
    str
        Day and month.
    """
    return f"{when.day} {_MONTHS[when.month - 1]}"
