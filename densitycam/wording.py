"""Numbers, densities and days in plain words, and a keeper's own words where there is room."""

from __future__ import annotations

import math

__all__ = [
    "WIDTH",
    "bullet",
    "days_words",
    "density_scale",
    "density_words",
    "entry",
    "interval_words",
    "one_line",
    "paragraph",
    "shorten",
    "significant",
]

#: Columns of a text.
WIDTH = 80

#: Columns of a labelled paragraph's label.
_LABEL = 14

#: From the largest: a number from which a unit is used, cells/mL in one unit, and its word.
#: Millions begin early, so that a culture growing from 0.2 to 2 million keeps one unit.
_SCALES = ((1e9, 1e9, "billion"), (1e5, 1e6, "million"), (1e3, 1e3, "thousand"))


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
    if math.isinf(rounded):  # the last numbers before infinity
        rounded = value
    exponent = math.floor(math.log10(abs(rounded)) + 1e-12)
    return f"{rounded:.{max(0, figures - 1 - exponent)}f}"


def density_scale(cells_per_ml: float) -> tuple[float, str]:
    """Return the unit in which a density is best read.

    Parameters
    ----------
    cells_per_ml : float
        Density [cells/mL]; of an interval its upper end, so that both limits share the unit.

    Returns
    -------
    factor : float
        Cells/mL in one unit: 1e9, 1e6, 1e3 or 1.
    word : str
        "billion", "million", "thousand" or "".
    """
    if math.isfinite(cells_per_ml):
        rounded = float(f"{abs(cells_per_ml):.1e}")  # 99 960 reads as 0.10 million
        for least, factor, word in _SCALES:
            if rounded >= least:
                return factor, word
    return 1.0, ""


def density_words(cells_per_ml: float) -> str:
    """Return a density in words: "23 million cells/mL", "8.5 thousand cells/mL".

    Parameters
    ----------
    cells_per_ml : float
        Density [cells/mL].

    Returns
    -------
    str
        Two significant figures.
    """
    factor, word = density_scale(cells_per_ml)
    return " ".join(p for p in (significant(cells_per_ml / factor), word, "cells/mL") if p)


def interval_words(low: float, high: float, *, unit: bool = True) -> str:
    """Return an interval in words: "18 to 29 million cells/mL", or without "cells/mL".

    Parameters
    ----------
    low, high : float
        Limits [cells/mL]; without a finite upper one it is "more than" the lower.
    unit : bool, default True
        Whether to end in "cells/mL".

    Returns
    -------
    str
        Two significant figures each, both in the upper limit's unit.
    """
    if not math.isfinite(high):
        text = f"more than {density_words(low)}"
    else:
        factor, word = density_scale(high)
        limits = f"{significant(low / factor)} to {significant(high / factor)}"
        text = " ".join(p for p in (limits, word, "cells/mL") if p)
    return text if unit else text.removesuffix(" cells/mL")


def days_words(days: float) -> str:
    """Return whole days in words; "less than a day" below one, weeks above four of them.

    Parameters
    ----------
    days : float
        Any number [d].

    Returns
    -------
    str
        "an unknown number of days" for nan and infinity.
    """
    if not math.isfinite(days):
        return "an unknown number of days"
    if days < 0.75:
        return "less than a day"
    whole = max(1, round(days))
    if whole > 28:
        return f"{round(days / 7)} weeks"
    return "1 day" if whole == 1 else f"{whole} days"


def shorten(text: str, width: int) -> str:
    """Cut the middle out of what is too long, so that start and end stay readable.

    Parameters
    ----------
    text : str
        One line.
    width : int
        Letters that have room, > 2.

    Returns
    -------
    str
        The text itself where it has room, else with ".." in its middle.
    """
    if len(text) <= width:
        return text
    head = (width - 2 + 1) // 2
    return f"{text[:head]}..{text[len(text) - (width - 2 - head) :]}"


def one_line(text: str, width: int) -> str:
    """Return a keeper's own text as it can be drawn: one line of no more letters than `width`.

    What has no picture, such as a line's end, a bell, or a byte of a file's name that is no
    letter, becomes a space.

    Parameters
    ----------
    text : str
        Any text, as the keeper wrote it.
    width : int
        Letters that have room, > 2.
    """
    plain = "".join(letter if letter.isprintable() else " " for letter in text)
    return shorten(" ".join(plain.split()), width)


def paragraph(text: str, *, start: str = "", indent: int | None = None) -> str:
    """Return a paragraph at most `WIDTH` columns wide.

    Parameters
    ----------
    text : str
        Its words.
    start : str, default ""
        What its first line begins with, as it is.
    indent : int or None
        How far the other lines are set in [columns]; None for as far as `start` reaches.
    """
    import textwrap

    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=start,
        subsequent_indent=" " * (len(start) if indent is None else indent),
        break_on_hyphens=False,
    )


def entry(label: str, text: str) -> str:
    """Return a labelled paragraph, its text in a column of its own.

    Parameters
    ----------
    label : str
        At most 13 letters, so that a space follows.
    text : str
        The paragraph's words.
    """
    return paragraph(text, start=f"{label:<{_LABEL}}")


def bullet(text: str) -> str:
    """Return a paragraph behind a dash.

    Parameters
    ----------
    text : str
        The paragraph's words.
    """
    return paragraph(text, start="  - ")
