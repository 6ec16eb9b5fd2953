"""Where the culture stands before the bars: its left, right, fluid top and bottom on the card."""

from __future__ import annotations

from typing import TYPE_CHECKING

from densitycam.card.layout import Rect
from densitycam.photo.card_finder import refuse
from densitycam.photo.card_view import SHEET_PX_PER_MM, CardView, window
from densitycam.vessel.reading import Outline

if TYPE_CHECKING:
    import numpy as np

#: Change of a column against undisturbed bars, as a share of full contrast, that means "vessel":
#: a clean empty glass loses 8 % to its surfaces (Fresnel, index 1.5), a shadow is smooth.
_DISTURBED = 0.05

#: An edge is the outermost place where columns 2 mm apart differ by this share of the largest
#: such difference near it; the vessel's tinted shadow, which reaches further, is smooth.
_EDGE_SHARE = 0.4

#: A difference larger than this counts as this, lest a glare stripe outshine the edge.
_LARGEST_CHANGE = 0.30

_NARROWEST_MM = 8.0

#: A second run of columns disturbed this much is another vessel, not a shadow or a stain.
_SECOND_VESSEL = 0.25

#: The vessel's middle must lie this far inside the bars, so that bars are seen beside it [mm].
_MIDDLE_INSIDE_MM = 40.0

#: Breadth of the field's ends [mm], and the change there that means the vessel covers them.
_BORDER_MM, _COVERED = 4.0, 0.15

#: Share by which each edge of a cylinder may miss its known width: walls, and the distance.
_WIDTH_SLACK = 0.06

#: Jump of transmittance from a row to the next, lasting to the top, that is the fluid's surface.
SURFACE_JUMP = 0.06


def _columns(view: CardView) -> np.ndarray:
    """Return the middles of the lower bars, column by column, red and green: (10, W, 2)."""
    import numpy as np

    return np.stack(
        [window(view.light, _middle(bar.rect)).mean(axis=0)[:, :2] for bar in view.layout.bars[:10]]
    ).astype(np.float64)


def _middle(rect: Rect) -> Rect:
    return Rect(rect.x_mm, rect.y_mm + 0.3 * rect.height_mm, rect.width_mm, 0.4 * rect.height_mm)


def find_sides(view: CardView, *, path_mm: float, shape: str) -> tuple[float, float]:
    """Find the vessel's left and right edge on the card's plane.

    Parameters
    ----------
    view : CardView
        The squared-up card.
    path_mm : float
        Inner width along the line of sight [mm].
    shape : {"cylinder", "flat"}
        Form of the fluid; a cylinder's width is known, so one edge gives the other.

    Returns
    -------
    tuple of float
        Left and right edge, from the sheet's left [mm].

    Raises
    ------
    PhotoRefusedError
        "no-vessel" where the bars are undisturbed, "two-vessels", "off-place" where the vessel
        covers one end of the bars and its middle is out of sight.
    """
    import numpy as np

    s = SHEET_PX_PER_MM
    columns = _columns(view)
    black = np.median(
        [
            np.median(window(view.light, steps[-1].rect, inset=0.2), axis=(0, 1))[:2]
            for steps in (view.layout.grey_left, view.layout.grey_right)
        ],
        axis=0,
    )
    expected = np.ones((10, 1, 2))
    expected[0::2] = black
    disturbance = np.sqrt(np.mean(((columns - expected) / (1 - black.mean())) ** 2, axis=(0, 2)))
    smooth = np.convolve(disturbance, np.ones(5) / 5, mode="same")
    smooth[:2], smooth[-2:] = smooth[2], smooth[-3]
    runs = _runs(smooth > _DISTURBED, bridge=round(8.0 * s))
    runs = [r for r in runs if (r[1] - r[0]) / s >= _NARROWEST_MM]
    if not runs:
        raise refuse("no-vessel")
    start, stop = max(runs, key=lambda r: float(smooth[r[0] : r[1]].sum()))
    second = [float(smooth[a:b].max()) for a, b in runs if (a, b) != (start, stop)]
    if max(second, default=0.0) > _SECOND_VESSEL:
        raise refuse("two-vessels")

    step = round(1.0 * s)
    change = np.zeros(columns.shape[1])
    difference = np.abs(columns[:, 2 * step :] - columns[:, : -2 * step]).mean(axis=2)
    change[step:-step] = np.mean(np.minimum(difference, _LARGEST_CHANGE), axis=0)
    x0 = view.layout.bar_field.x_mm
    if shape == "cylinder":
        width = silhouette_mm(view, path_mm=path_mm) * s
        left, right = _sides_of_width(change, smooth, width)
    else:
        left = _outermost_edge(change, start, stop, inward=1)
        right = _outermost_edge(change, start, stop, inward=-1)
        # Where the field's end is disturbed, the edge lies beyond it and no bar tells where.
        border = round(_BORDER_MM * s)
        left = 0 if np.median(smooth[:border]) > _COVERED else left
        right = len(change) if np.median(smooth[-border:]) > _COVERED else right
    left_mm, right_mm = x0 + left / s, x0 + right / s
    field = view.layout.bar_field
    middle = (left_mm + right_mm) / 2
    if min(middle - field.x_mm, field.right_mm - middle) < _MIDDLE_INSIDE_MM:
        raise refuse("off-place")
    return left_mm, right_mm


def silhouette_mm(view: CardView, *, path_mm: float) -> float:
    """Return how wide a cylinder on its place looks on the card's plane, thin walls [mm].

    Its middle stands half its width and the gap nearer to the camera than the card.
    """
    distance = float(view.camera_mm[2])
    nearer = view.layout.gap_mm + path_mm / 2
    return path_mm * distance / max(distance - nearer, 0.2 * distance)


def _sides_of_width(
    change: np.ndarray, disturbance: np.ndarray, width: float
) -> tuple[float, float]:
    """Return left and right [columns] of a vessel of known width: two edges that far apart.

    The best place has strong changes at both ends, more disturbance inside than outside, and may
    reach beyond the field, where the unseen edge counts as a middling one.
    """
    import numpy as np

    count = len(change)
    slack = max(round(_WIDTH_SLACK * width), 1)
    # Strongest change within reach of each column, for edges a little off the known width.
    padded = np.pad(change, slack, mode="edge")
    near = np.lib.stride_tricks.sliding_window_view(padded, 2 * slack + 1).max(axis=1)
    unseen = 0.5 * float(np.percentile(change, 98))
    total = np.concatenate([[0.0], np.cumsum(disturbance)])
    best, best_score = 0.0, -np.inf
    for left in np.arange(-0.45 * width, count - 0.55 * width):
        a, b = round(left), round(left + width)
        inside = total[min(b, count)] - total[max(a, 0)]
        covered = min(b, count) - max(a, 0)
        outside = (total[-1] - inside) / max(count - covered, 1)
        score = (
            (near[a] if a >= 0 else unseen)
            + (near[b] if b < count else unseen)
            + 0.5 * (inside / max(covered, 1) - outside)
        )
        if score > best_score:
            best, best_score = float(left), float(score)

    def settle(at: float) -> float:
        """Return the strongest change near a place; the place itself beyond the field."""
        low, high = round(at) - slack, round(at) + slack + 1
        if low < 0 or high > count:
            return at
        return float(low + int(np.argmax(change[low:high])))

    return settle(best), settle(best + width)


def _outermost_edge(change: np.ndarray, start: int, stop: int, *, inward: int) -> int:
    """Return the first strong change of a run [start, stop), coming from outside."""
    import numpy as np

    slack = round(2.0 * SHEET_PX_PER_MM)
    half = (stop - start) // 2
    if inward > 0:
        places = np.arange(max(start - slack, 0), start + max(half, 1))
    else:
        last = min(stop + slack, len(change))
        places = np.arange(last - 1, stop - 1 - max(half, 1), -1)
    strength = change[places]
    first = int(np.argmax(strength >= _EDGE_SHARE * strength.max()))
    # From there uphill to the local peak.
    while first + 1 < len(strength) and strength[first + 1] > strength[first]:
        first += 1
    return int(places[first])


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


def fluid_rows(transmittance: np.ndarray) -> int:
    """Return how many rows, counted from the base line, lie under the fluid's surface.

    Parameters
    ----------
    transmittance : ndarray of float64, shape (R,)
        Contrast or mean transmittance of each row of bars, from the base line upward.

    Returns
    -------
    int
        Rows of culture, 2 to R. All of them where no surface is seen.

    Notes
    -----
    Empty glass stands above the surface, so there transmittance jumps up from one row to the
    next and stays up; a culture that settles clears little by little.
    """
    import numpy as np

    for k in range(2, len(transmittance)):
        under = float(np.max(transmittance[k - 2 : k]))
        if (transmittance[k:] > under + SURFACE_JUMP).all():
            return k
    return len(transmittance)


def outline(view: CardView, *, left_mm: float, right_mm: float, top_mm: float) -> Outline:
    """Return the outline from the sides found and the top of the rows that were read."""
    return Outline(
        left_mm=left_mm,
        right_mm=right_mm,
        top_mm=top_mm,
        bottom_mm=view.layout.base_line_y_mm,
    )
