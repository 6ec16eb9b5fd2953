"""Numbers as people read them: unit, interval, two or three significant figures."""

from __future__ import annotations

import math
from datetime import datetime

from densitycam.calibration.estimate import Estimate
from densitycam.counting.slide import SlideCount
from densitycam.culture.advice import Growth

#: From the largest: a number from which a unit is used, and its word.
_SCALES = ((1e9, "billion"), (1e6, "million"), (1e3, "thousand"))

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

#: Half-width of a 95 % interval over the value, below which a third figure says something.
_THREE_FIGURES_BELOW = 0.08


def significant(value: float, figures: int = 2) -> str:
    """Return `value` rounded to significant figures, written out without an exponent.

    Parameters
    ----------
    value : float
        Any number.
    figures : int, default 2
        Significant figures, >= 1. Whole digits beyond them are kept as zeros.

    Returns
    -------
    str
        Such as "8.4", "0.052", "1200"; "unknown" for nan, "unlimited" for inf.

    Examples
    --------
    >>> significant(1234.0), significant(0.99951), significant(99.6)
    ('1200', '1.0', '100')
    """
    if math.isnan(value):
        return "unknown"
    if math.isinf(value):
        return "unlimited" if value > 0 else "-unlimited"
    if value == 0:
        return "0"
    rounded = float(f"{value:.{figures - 1}e}")
    exponent = math.floor(math.log10(abs(rounded)) + 1e-12)
    return f"{rounded:.{max(0, figures - 1 - exponent)}f}"


def density_scale(cells_per_ml: float) -> tuple[float, str]:
    """Return the unit in which a density is best read.

    Parameters
    ----------
    cells_per_ml : float
        Density [cells/mL].

    Returns
    -------
    factor : float
        Cells/mL in one unit: 1e9, 1e6, 1e3 or 1.
    word : str
        "billion", "million", "thousand" or "".
    """
    if math.isfinite(cells_per_ml):
        rounded = float(f"{cells_per_ml:.1e}")  # 999 600 reads as 1.0 million
        for factor, word in _SCALES:
            if rounded >= factor:
                return factor, word
    return 1.0, ""


def _with_unit(number: str, word: str) -> str:
    return " ".join(part for part in (number, word, "cells/mL") if part)


def format_cells(cells_per_ml: float, *, figures: int = 2) -> str:
    """Return a density with its unit, such as "8.4 million cells/mL".

    Parameters
    ----------
    cells_per_ml : float
        Density [cells/mL].
    figures : int, default 2
        Significant figures.

    Returns
    -------
    str
        The density in words.
    """
    factor, word = density_scale(cells_per_ml)
    return _with_unit(significant(cells_per_ml / factor, figures), word)


def _figures(value: float, low: float, high: float) -> int:
    if not (value > 0 and math.isfinite(high) and low < high):
        return 2
    return 3 if (high - low) / (2 * value) < _THREE_FIGURES_BELOW else 2


def _interval(value: float, low: float, high: float) -> str:
    """Return the limits in the unit of `value`; a limit that is not there is said in words."""
    factor, _ = density_scale(value)
    figures = _figures(value, low, high)
    has_low, has_high = low > 0, math.isfinite(high)
    if has_low and has_high:
        return f"{significant(low / factor, figures)} to {significant(high / factor, figures)}"
    if has_low:
        return f"above {significant(low / factor, figures)}"
    if has_high:
        return f"below {significant(high / factor, figures)}"
    return "no interval"


def format_density(estimate: Estimate, *, short: bool = False) -> str:
    """Return an estimate with its interval.

    Parameters
    ----------
    estimate : Estimate
        The answer.
    short : bool, default False
        For tables: without "cells/mL" and without naming the 95 %.

    Returns
    -------
    str
        Such as "8.4 million cells/mL (95 %: 7.1 to 9.9)", "more than 90 million cells/mL".
    """
    bound = {"less-than": estimate.high, "more-than": estimate.low}.get(estimate.status)
    if bound is not None:
        text = f"{estimate.status.replace('-', ' ')} {format_cells(bound)}"
        return text.removesuffix(" cells/mL") if short else text
    value = estimate.cells_per_ml
    if math.isnan(value):
        return "unknown"
    limits = _interval(value, estimate.low, estimate.high)
    text = format_cells(value, figures=_figures(value, estimate.low, estimate.high))
    if short:
        return f"{text.removesuffix(' cells/mL')} ({limits})"
    return f"{text} (95 %: {limits})"


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
    value = count.cells_per_ml
    text = format_cells(value, figures=_figures(value, count.low, count.high))
    return f"{text} (95 %: {_interval(value, count.low, count.high)})"


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
        Such as "less than a day", "1 day", "2.5 days", "9 days", "6 weeks", "unknown".
    """
    if math.isnan(days):
        return "unknown"
    if math.isinf(days):
        return "never at this rate"
    if days < 0.5:
        return "less than half a day"
    halves = round(days * 2) / 2 if days < 3 else float(round(days))
    if halves == 1:
        return "1 day"
    if halves > 28:
        return f"{round(halves / 7)} weeks"
    return f"{halves:g} days"


def format_ml(volume_ml: float) -> str:
    """Return a volume, to whole millilitres from 20 mL up.

    Parameters
    ----------
    volume_ml : float
        Volume [mL].

    Returns
    -------
    str
        Such as "0.5 mL", "4.2 mL", "750 mL".
    """
    if not math.isfinite(volume_ml):
        return "unknown"
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
