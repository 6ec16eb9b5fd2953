"""Where the culture stands before the bars: its left, right, fluid top and bottom on the card."""

from __future__ import annotations

from typing import TYPE_CHECKING

from densitycam.card.layout import CardLayout, Rect
from densitycam.photo.card_finder import refuse
from densitycam.photo.card_view import SHEET_PX_PER_MM, CardView, window
from densitycam.vessel.reading import Outline

if TYPE_CHECKING:
    import numpy as np

#: Change of a column against the bars beside, as a share of full contrast, that means "vessel":
#: a clean empty glass loses 8 % to its surfaces (Fresnel, index 1.5), a shadow is smooth.
_DISTURBED = 0.05

#: Half the width of a column's neighbourhood in the search for edges [mm].
_EDGE_REACH_MM = 3.0

_NARROWEST_MM = 8.0


def column_disturbance(view: CardView) -> np.ndarray:
    """Return how much each column of the bar field differs from the undisturbed bars.

    Parameters
    ----------
    view : CardView
        The squared-up card.

    Returns
    -------
    ndarray of float64, shape (W,)
        Root mean square difference over the bars' middles and channels red and green, as a
        share of the bars' full contrast, columns of the bar field at `SHEET_PX_PER_MM`.
    """
    import numpy as np

    columns = np.stack(
        [window(view.light, _middle(bar.rect)).mean(axis=0)[:, :2] for bar in view.layout.bars[:10]]
    ).astype(np.float64)
    ends = round(12.0 * SHEET_PX_PER_MM)
    left = np.median(columns[:, 5:ends], axis=1, keepdims=True)
    right = np.median(columns[:, -ends:-5], axis=1, keepdims=True)
    share = np.linspace(0, 1, columns.shape[1])[None, :, None]
    expected = left * (1 - share) + right * share
    contrast = float(np.mean(expected[1::2]) - np.mean(expected[0::2]))
    return np.sqrt(np.mean(((columns - expected) / contrast) ** 2, axis=(0, 2)))


def _middle(rect: Rect) -> Rect:
    return Rect(rect.x_mm, rect.y_mm + 0.3 * rect.height_mm, rect.width_mm, 0.4 * rect.height_mm)


def find_sides(view: CardView) -> tuple[float, float]:
    """Find the vessel's left and right edge on the card's plane.

    Parameters
    ----------
    view : CardView
        The squared-up card.

    Returns
    -------
    tuple of float
        Left and right edge, from the sheet's left [mm].

    Raises
    ------
    PhotoRefusedError
        "no-vessel" where the bars are undisturbed.
    """
    import numpy as np

    disturbance = column_disturbance(view)
    field: CardLayout = view.layout
    reach = round(_EDGE_REACH_MM * SHEET_PX_PER_MM)
    smooth = np.convolve(disturbance, np.ones(5) / 5, mode="same")
    runs = _runs(smooth > _DISTURBED, bridge=round(8.0 * SHEET_PX_PER_MM))
    runs = [r for r in runs if (r[1] - r[0]) / SHEET_PX_PER_MM >= _NARROWEST_MM]
    if not runs:
        raise refuse("no-vessel")
    start, stop = max(runs, key=lambda r: float(smooth[r[0] : r[1]].sum()))
    # A tinted shadow beside the vessel widens the run; the edge itself is where it is steepest.
    rise = np.zeros_like(smooth)
    rise[reach:-reach] = smooth[2 * reach :] - smooth[: -2 * reach]
    quarter = max((stop - start) // 4, 1)
    left = start - reach + int(np.argmax(rise[max(start - reach, 0) : start + quarter]))
    right_from = stop - quarter
    right = right_from + int(np.argmin(rise[right_from : stop + reach]))
    x0 = field.bar_field.x_mm
    return x0 + max(left, 0) / SHEET_PX_PER_MM, x0 + right / SHEET_PX_PER_MM


def _runs(mask: np.ndarray, *, bridge: int) -> list[tuple[int, int]]:
    """Return [start, stop) of the runs of True, gaps shorter than `bridge` closed."""
    import numpy as np

    edges = np.flatnonzero(np.diff(np.r_[0, mask.astype(np.int8), 0]))
    runs: list[tuple[int, int]] = []
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if runs and start - runs[-1][1] < bridge:
            runs[-1] = (runs[-1][0], stop)
        else:
            runs.append((start, stop))
    return runs


def fluid_rows(absorbance: np.ndarray) -> int:
    """Return how many rows, counted from the base line, lie under the fluid's surface.

    Parameters
    ----------
    absorbance : ndarray of float64, shape (R,)
        -ln mean transmittance of each row of bars, from the base line upward.

    Returns
    -------
    int
        Rows of culture, 2 to R. All of them where no surface is seen.

    Notes
    -----
    Above the surface stands empty glass or nothing, which absorbs next to nothing; so the
    surface is the one step down to clear, where the two sides differ by far more than the rows
    of each side among themselves.
    """
    import numpy as np

    clear = 0.28
    best, best_gain = len(absorbance), 0.0
    for k in range(2, len(absorbance)):
        below, above = absorbance[:k], absorbance[k:]
        drop = float(np.median(below) - np.median(above))
        noise = 1.4826 * float(np.median(np.abs(above - np.median(above)))) + 0.02
        if np.median(above) > clear or drop < max(0.08, 3 * noise):
            continue
        # Step as large as possible between neighbours, sides as even as possible.
        gain = float(absorbance[k - 1] - absorbance[k]) + 0.5 * drop
        if gain > best_gain:
            best, best_gain = k, gain
    return best


def outline(view: CardView, *, left_mm: float, right_mm: float, top_mm: float) -> Outline:
    """Return the outline from the sides found and the top of the rows that were read."""
    return Outline(
        left_mm=left_mm,
        right_mm=right_mm,
        top_mm=top_mm,
        bottom_mm=view.layout.base_line_y_mm,
    )
