"""Whether a photo shows the vessel that earlier photos showed: a flat bottle's width tells."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from densitycam.vessel.reading import Outline

#: A width is held against the median of at least so many earlier ones, and of the latest so many:
#: a new bottle under the old name is believed once most of those show it.
FEWEST_EARLIER, LATEST_EARLIER = 2, 5

#: Widths on the card differ by more than this [natural log] only between different bottles.
WIDTH_STRAY = 0.15


def strays_from_earlier(seen: Outline, earlier: Sequence[Outline]) -> str:
    """Return the flag of a flat bottle that is not the one of the photos before.

    Parameters
    ----------
    seen : Outline
        Of the photo in question.
    earlier : sequence of Outline
        Of earlier photos filed under the same vessel, in order of time.

    Returns
    -------
    str
        "wrong-vessel", or "" where the widths agree or too few are known.

    Notes
    -----
    A flat bottle's record holds its thickness, which no photo shows, and not its width.
    """
    if len(earlier) < FEWEST_EARLIER:
        return ""
    usual = median(o.right_mm - o.left_mm for o in earlier[-LATEST_EARLIER:])
    stray = abs(math.log((seen.right_mm - seen.left_mm) / usual))
    return "wrong-vessel" if stray > WIDTH_STRAY else ""
