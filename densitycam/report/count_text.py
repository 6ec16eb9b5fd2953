"""What a slide count says, in labelled paragraphs: density, live share, spread, precision, test."""

from __future__ import annotations

import math

from densitycam.counting.tally import Tally, TallyResult
from densitycam.journal.slide_entry import KeptCount
from densitycam.report.numbers import (
    format_cells,
    format_density,
    format_slide,
    significant,
)

__all__ = ["count_lines", "verdict_words"]


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


def verdict_words(kept: KeptCount) -> str:
    """Say whether a count fits what the photo said; "" where no photo said anything."""
    if kept.predicted is None:
        return ""
    said = f"the photo said {format_density(kept.predicted)}"
    if kept.agrees:
        return f"{said}: the count agrees."
    return (
        f"{said}: the count does not agree. Check chamber, squares and dilution, mix and count "
        "once more; a second such count means the culture has drifted."
    )
