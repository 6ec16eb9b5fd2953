"""What a slide count says, in labelled paragraphs: density, live share, spread, precision, test."""

from __future__ import annotations

import math

from densitycam.counting.tally import Tally, TallyResult, judge_tally, more_to_count
from densitycam.journal.slide_entry import KeptCount
from densitycam.report.numbers import (
    format_cells,
    format_density,
    format_slide,
    significant,
)

__all__ = ["MOST_IN_SQUARE", "count_lines", "running_words", "verdict_words"]

#: More cells than this in one square is a slip of the finger.
MOST_IN_SQUARE = 5000


def count_lines(tally: Tally, result: TallyResult, more: str) -> list[tuple[str, str]]:
    """Return what a tally says.

    Parameters
    ----------
    tally : Tally
        What was counted how.
    result : TallyResult
        Its density and tests.
    more : str
        How many more cells the wanted precision takes, a sentence.

    Returns
    -------
    list of (str, str)
        Label and text.
    """
    slide = result.slide
    how = ", found by the program and accepted by you" if tally.machine_assisted else ""
    cells = f"{slide.cells} cell{'' if slide.cells == 1 else 's'}"
    lines = [("Counted", f"{format_slide(slide)}, from {cells}{how}")]
    if result.live is not None:
        share, low, high = (100 * v for v in result.live)
        lines.append(
            (
                "Live",
                f"{share:.0f} % (95 %: {low:.0f} to {high:.0f} %), "
                f"{format_cells(slide.cells_per_ml * result.live[0])}; photos see dead cells too",
            )
        )
    tested = result.spread.verdict != "too few"
    warnings = list(result.warnings)
    if tested and result.spread.verdict == "random":
        lines.append(("Spread", result.spread.meaning))
    elif tested:
        lines.append(("Spread", warnings.pop(0)))
    if len(tally.fillings) > 1 and result.replicates.agree:
        lines.append(("Fillings", result.replicates.meaning))
    lines += [("Note", words) for words in warnings]
    if math.isfinite(result.half_width):
        lines.append(("Precision", f"+/-{significant(100 * result.half_width)} %. {more}"))
    else:
        lines.append(("Precision", more))
    return lines


def running_words(tally: Tally, half_width: float, *, take_back: str) -> str:
    """Return cells, precision and what is missing while a slide is being counted.

    Parameters
    ----------
    tally : Tally
        What was counted so far; "" comes back before the first square.
    half_width : float
        Wanted relative half-width, between 0 and 1.
    take_back : str
        How the last square is taken back, such as "u takes it back".

    Returns
    -------
    str
        A line for the keeper.

    Raises
    ------
    ValueError
        For a half-width out of range, or a tally that cannot be.
    """
    if not tally.fillings:
        return ""
    result = judge_tally(tally)
    said = f"{tally.cells} cells in {tally.squares:g} square{'' if tally.squares == 1 else 's'}"
    if not tally.cells:
        return said
    wide = f"+/-{significant(100 * result.half_width)} %"
    if result.spread.verdict == "clumped":
        return (
            f"{said}, {wide}. The squares differ by more than chance: if the last number was a "
            f"slip, {take_back}; if not, shake the sample, load again and start over."
        )
    return f"{said}, {wide}. {more_to_count(tally, half_width=half_width).sentence}"


def verdict_words(kept: KeptCount) -> str:
    """Return whether a count fits what the photo said; "" where no photo said anything.

    Parameters
    ----------
    kept : KeptCount
        From `keep_count`.
    """
    if kept.predicted is None:
        return ""
    said = f"the photo said {format_density(kept.predicted)}"
    if kept.agrees:
        return f"{said}: the count agrees."
    return (
        f"{said}: the count does not agree. Check chamber, squares and dilution, mix and count "
        "once more; a second such count means the culture has drifted."
    )
