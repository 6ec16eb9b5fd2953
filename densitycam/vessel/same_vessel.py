"""Whether a photo shows the vessel that earlier photos showed: its width tells."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

#: A width is held against the median of at least so many earlier ones, and of the latest so many:
#: a new bottle under the old name is believed once most of those show it.
FEWEST_EARLIER, LATEST_EARLIER = 2, 5

#: Widths differ by more than this [natural log] only between different vessels, or where one stands
#: off its place: of 144 simulated photos each of a flat bottle and two round ones, four phones, to
#: 25 degrees of tilt, one in a thousand strays by 0.03 to 0.06 from the median of two others.
WIDTH_STRAY = 0.07


def flat_width_mm(
    *, left_mm: float, right_mm: float, back_mm: float, front_mm: float, camera_mm: np.ndarray
) -> float:
    """Return how wide a flat bottle is that shows these edges on the card's plane.

    Parameters
    ----------
    left_mm, right_mm : float
        Where lines of sight past its edges meet the card, from the sheet's left [mm].
    back_mm, front_mm : float
        How far its back and its front stand before the card [mm].
    camera_mm : ndarray of float64, shape (3,)
        The camera, from the sheet's top left corner: right, down, towards the viewer [mm].

    Returns
    -------
    float
        Its width [mm].

    Notes
    -----
    By similar triangles a point z before the card, seen at x on it from a camera at (u, d), lies
    at u + (x - u)(1 - z/d). The outermost line of sight touches the front where the edge lies on
    its own side of the camera, the back where it lies beyond.
    """
    across, distance = float(camera_mm[0]), float(camera_mm[2])

    def place(edge_mm: float, *, outward: float) -> float:
        seen = edge_mm - across
        before = front_mm if seen * outward > 0 else back_mm
        return across + seen * (1 - before / distance)

    return place(right_mm, outward=1.0) - place(left_mm, outward=-1.0)


def strays_from_earlier(width_mm: float, earlier_mm: Sequence[float]) -> bool:
    """Tell whether a vessel is not the one of the photos before, or not on its place.

    Parameters
    ----------
    width_mm : float
        In the photo in question, > 0 [mm].
    earlier_mm : sequence of float
        In earlier photos filed under the same vessel, in order of time, > 0 [mm].

    Returns
    -------
    bool
        False where the widths agree or too few are known.

    Notes
    -----
    A flat bottle's record holds its thickness, which no photo shows, and seldom its width.
    """
    if len(earlier_mm) < FEWEST_EARLIER:
        return False
    return abs(math.log(width_mm / usual_width_mm(earlier_mm))) > WIDTH_STRAY


def usual_width_mm(earlier_mm: Sequence[float]) -> float:
    """Return the median outer width of a vessel in its latest photos.

    Parameters
    ----------
    earlier_mm : sequence of float, at least one
        Widths in order of time [mm]; only the last `LATEST_EARLIER` count.

    Returns
    -------
    float
        The vessel's usual width [mm].
    """
    return median(earlier_mm[-LATEST_EARLIER:])
