"""Where the culture stands before the bars: its left, right, fluid top and bottom on the card."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from densitycam.card.layout import Rect
from densitycam.photo.card_finder import refuse
from densitycam.photo.card_view import SHEET_PX_PER_MM, CardView, paper_beside_steps, window
from densitycam.vessel.reading import Outline

if TYPE_CHECKING:
    import numpy as np

#: Change of a column against undisturbed bars, as a share of full contrast, that means "vessel":
#: a clean empty glass loses 8 % to its surfaces (Fresnel, index 1.5), a shadow is smooth.
_DISTURBED = 0.05

#: An edge is where columns 2 mm apart differ by this share of full contrast, mean of the bars, and
#: by this many times what columns usually differ by (noise). A wall of glass, however clear what
#: stands in it, gives 0.15 and more; the vessel's tinted shadow, which reaches further, is smooth.
_EDGE, _EDGE_NOISE = 0.06, 3.0

#: A difference larger than this counts as this, lest a glare stripe outshine the edge.
_LARGEST_CHANGE = 0.30

_NARROWEST_MM = 8.0

#: Between two vessels bars show that are no less clear than outside, or clearer than through both
#: vessels by this share, over at least this breadth [mm]. Their own shadows take off a little.
_GAP_CLEARER, _GAP_CLEAREST, _GAP_CLEAR, _GAP_MM = 0.03, 0.97, 0.70, 1.2

#: There black bars are as black as outside, as they are not in a stripe of glare.
_GAP_LIFT = 0.04

#: The vessel's middle must lie this far inside the bars, so that bars are seen beside it [mm].
_MIDDLE_INSIDE_MM = 40.0

#: Breadth of the field's ends [mm], and the loss of white there that means the vessel covers them.
_BORDER_MM, _COVERED, _ALL_COVERED = 4.0, 0.04, 0.08

#: Where white lost more than this and yet bars have this share of their own contrast, a shadow
#: lies: light that is missing, as no vessel makes it, takes from black and white alike.
_SHADE, _SHADE_CLEAR = 0.25, 0.985

#: The vessel's own tinted shadow lies nearer than this [mm]; further off, white that has lost this
#: much in every channel, over this share of one side, lies in another shadow. Good photos kept
#: under a share of 0.2, behind a wide and dense vessel.
_OWN_SHADOW_MM, _SHADED, _SHADED_SHARE = 20.0, 0.11, 0.35

#: Glass walls of a cylinder are about this thick [mm].
_WALL_MM = 2.0

#: Outer diameter measured over that of the record, between which a cylinder is believed to be the
#: recorded one. Good photos gave 0.90 to 1.02: where a phone has cropped and does not say so, it
#: stood further off than it seems, and the vessel looks narrower.
NARROWEST_RATIO, WIDEST_RATIO = 0.87, 1.06

#: Where only one edge is seen, the other lies this share of the nominal width away.
_USUAL_RATIO = 0.96

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


@dataclass(frozen=True)
class _Columns:
    """What the lower bars show, column by column over the whole field; arrays of shape (W,).

    Parameters
    ----------
    disturbance : ndarray
        Root mean square change against undisturbed bars, as a share of full contrast.
    change : ndarray
        How much columns 2 mm apart differ, mean of the bars; 0 at the field's ends.
    contrast : ndarray
        White less black, against undisturbed bars.
    white : ndarray
        White of the white bars.
    lift : ndarray
        How much lighter the black bars are than undisturbed ones.
    """

    disturbance: np.ndarray
    change: np.ndarray
    contrast: np.ndarray
    white: np.ndarray
    lift: np.ndarray


def _look_along(view: CardView) -> _Columns:
    import numpy as np

    columns = _columns(view)
    black = np.median(
        [
            np.median(window(view.light, steps[-1].rect, inset=0.2), axis=(0, 1))[:2]
            for side, steps in (("left", view.layout.grey_left), ("right", view.layout.grey_right))
            if side != view.hidden_side
        ],
        axis=0,
    )
    expected = np.ones((10, 1, 2))
    expected[0::2] = black
    off = np.apply_along_axis(_smooth, 1, (columns - expected) / (1 - black.mean()))
    step = round(1.0 * SHEET_PX_PER_MM)
    change = np.zeros(columns.shape[1])
    difference = np.abs(columns[:, 2 * step :] - columns[:, : -2 * step]).mean(axis=2)
    change[step:-step] = np.mean(np.minimum(difference, _LARGEST_CHANGE), axis=0)
    # The field's ends differ from the paper beyond, which is no edge of a vessel.
    change[: step + 3], change[-step - 3 :] = 0.0, 0.0
    white, dark = columns[1::2].mean(axis=2), columns[0::2].mean(axis=2)
    return _Columns(
        disturbance=np.sqrt(np.mean(off**2, axis=(0, 2))),
        change=change,
        contrast=_smooth(np.median(white - dark, axis=0) / (1 - black.mean())),
        white=np.mean(white, axis=0),
        lift=_smooth(np.median(dark, axis=0) - black.mean()),
    )


def _smooth(values: np.ndarray) -> np.ndarray:
    """Return the mean over 1 mm, the ends repeated."""
    import numpy as np

    return np.convolve(np.pad(values, 2, mode="edge"), np.ones(5) / 5, mode="valid")


def find_sides(view: CardView, *, path_mm: float, shape: str) -> tuple[float, float]:
    """Find the vessel's left and right edge on the card's plane.

    Parameters
    ----------
    view : CardView
        The squared-up card.
    path_mm : float
        Inner width along the line of sight [mm].
    shape : {"cylinder", "flat", "bag"}
        Form of the fluid; a cylinder's width is known, so one edge gives the other.

    Returns
    -------
    tuple of float
        Left and right edge, from the sheet's left [mm].

    Raises
    ------
    PhotoRefusedError
        "no-vessel" where the bars are undisturbed, "two-vessels", "off-place" where the vessel
        covers one end of the bars and its middle is out of sight, "wrong-vessel" where a cylinder
        is much wider or narrower than its record, "uneven-light" where one side lies in shadow.

    Notes
    -----
    The outermost steep changes are the walls: they throw light aside, however clear the fluid.
    """
    s = SHEET_PX_PER_MM
    seen = _look_along(view)
    left, right = _outermost_edges(seen)
    field = view.layout.bar_field
    # A bag thins towards its welds, where bars that its middle shifts out of place look clear.
    if shape != "bag" and _gap_between(seen, left, right):
        raise refuse("two-vessels")
    loss_left, loss_right = _loss_at_ends(seen)
    left_mm, right_mm = field.x_mm + left / s, field.x_mm + right / s
    if min(loss_left, loss_right) > _ALL_COVERED:
        raise refuse("off-place", "it covers both ends of the bars")
    covered = ""
    if max(loss_left, loss_right) > _COVERED:
        covered = "left" if loss_left > loss_right else "right"
    if not covered and right_mm - left_mm < _NARROWEST_MM:
        raise refuse("no-vessel")
    if view.hidden_side:
        _explain_hidden_side(view, left_mm, right_mm, covered, path_mm=path_mm, shape=shape)
    if covered:
        # That edge lies beyond the field's end, and no bar tells where.
        left_mm = field.x_mm if covered == "left" else left_mm
        right_mm = field.right_mm if covered == "right" else right_mm
    if shape == "cylinder":
        ratio = _diameter_mm(view, left_mm, right_mm) / (path_mm + 2 * _WALL_MM)
        if not (covered or ratio >= NARROWEST_RATIO) or ratio > WIDEST_RATIO:
            wide = ratio * path_mm
            raise refuse("wrong-vessel", f"about {wide:.0f} mm wide, not {path_mm:.0f} mm")
        width = _USUAL_RATIO * _silhouette_mm(view, path_mm=path_mm)
        if covered == "left":
            left_mm = min(right_mm - width, left_mm)
        elif covered:
            right_mm = max(left_mm + width, right_mm)
    middle = (left_mm + right_mm) / 2
    if min(middle - field.x_mm, field.right_mm - middle) < _MIDDLE_INSIDE_MM:
        raise refuse("off-place")
    _refuse_shadow(view, left_mm, right_mm)
    return left_mm, right_mm


def _explain_hidden_side(
    view: CardView, left_mm: float, right_mm: float, covered: str, *, path_mm: float, shape: str
) -> None:
    """Refuse a photo whose grey steps of one side do not fit, unless the vessel hides them.

    From the edge that is seen, a cylinder as wide as its record must reach them, and cover the
    field's end on its way; a hand would not.
    """
    side = view.hidden_side
    column = (view.layout.grey_left if side == "left" else view.layout.grey_right)[0].rect
    column_mm = column.x_mm + column.width_mm / 2
    reach = (column_mm, right_mm) if side == "left" else (left_mm, column_mm)
    if (
        side != covered
        or shape != "cylinder"
        or _diameter_mm(view, *reach) > WIDEST_RATIO * (path_mm + 2 * _WALL_MM)
    ):
        raise refuse("tone", f"those on the {side} are covered, or in other light")


def _refuse_shadow(view: CardView, left_mm: float, right_mm: float) -> None:
    """Refuse a photo with one side of the card in a shadow that the smooth light knows not of.

    The vessel's own shadow is tinted and lies beside it; where no channel keeps its light further
    off, something else stands in the way.
    """
    import numpy as np

    layout, s = view.layout, round(SHEET_PX_PER_MM)
    field = layout.bar_field
    bars = np.stack(
        [window(view.light, _middle(bar.rect)).mean(axis=0) for bar in layout.bars[1::2]]
    )
    bars = bars[:, : bars.shape[1] // (2 * s) * 2 * s]
    bars = bars.reshape(len(bars), -1, 2 * s, 3).mean(axis=2)  # every 2 mm: (8, 90, 3)
    at = field.x_mm + 2.0 * np.arange(bars.shape[1]) + 1.0
    for left, clear in ((True, left_mm - _OWN_SHADOW_MM), (False, right_mm + _OWN_SHADOW_MM)):
        strip = paper_beside_steps(layout, left, field.y_mm + 2.0, field.height_mm - 4.0)
        cells = [bars[:, at < clear if left else at > clear].reshape(-1, 3)]
        if strip.right_mm < clear if left else strip.x_mm > clear:
            paper = np.median(window(view.light, strip), axis=1)
            # As many as the bars would be over 8 mm.
            cells.append(paper[np.linspace(0, len(paper) - 1, 32).astype(int)])
        kept = np.concatenate(cells).max(axis=1)
        if len(kept) >= 8 and np.mean(kept < 1 - _SHADED) > _SHADED_SHARE:
            raise refuse("uneven-light", "one side lies in shadow")


def _loss_at_ends(seen: _Columns) -> tuple[float, float]:
    """Return how much white is lost at the field's left and right end, not by a shadow."""
    import numpy as np

    border = round(_BORDER_MM * SHEET_PX_PER_MM)
    losses = []
    for end in (slice(0, border), slice(-border, None)):
        white, contrast = float(np.median(seen.white[end])), float(np.median(seen.contrast[end]))
        shade = 1 - white > _SHADE and contrast > _SHADE_CLEAR * white
        losses.append(0.0 if shade else 1 - white)
    return losses[0], losses[1]


def _outermost_edges(seen: _Columns) -> tuple[int, int]:
    """Return the first and the last steep change [columns].

    Where there is none, as before a bag of thin film, the widest disturbed run's ends.
    """
    import numpy as np

    s = SHEET_PX_PER_MM
    change = seen.change
    noise = float(np.median(change[change > 0])) if (change > 0).any() else 0.0
    steep = np.flatnonzero(change > max(_EDGE, _EDGE_NOISE * noise))
    if len(steep):
        # From there uphill, inwards, to the edge itself.
        first, last = int(steep[0]), int(steep[-1])
        while change[first + 1] > change[first]:
            first += 1
        while change[last - 1] > change[last]:
            last -= 1
        return first, last
    runs = runs_of(seen.disturbance > _DISTURBED, bridge=round(8.0 * s))
    runs = [r for r in runs if (r[1] - r[0]) / s >= _NARROWEST_MM]
    if not runs:
        raise refuse("no-vessel")
    return max(runs, key=lambda r: float(seen.disturbance[r[0] : r[1]].sum()))


def _gap_between(seen: _Columns, left: int, right: int) -> bool:
    """Return whether clear bars show between two vessels, dimmer ones to both sides of them."""
    import numpy as np

    s = SHEET_PX_PER_MM
    margin = round(3.0 * s)
    inner = seen.contrast[left + margin : right - margin]
    if not len(inner):
        return False
    usual = float(np.median(inner))
    clear = (inner > _GAP_CLEAREST) | (inner > max(usual + _GAP_CLEARER, _GAP_CLEAR))
    clear &= seen.lift[left + margin : right - margin] < _GAP_LIFT
    for start, stop in runs_of(clear, bridge=1):
        if (stop - start) / s < _GAP_MM:
            continue
        level = float(np.median(inner[start:stop]))
        sides = inner[:start], inner[stop:]
        if all(
            len(side) > 2 * margin
            and np.median(side) < level - _GAP_CLEARER
            and near.min() < level - 5 * _GAP_CLEARER
            for side, near in zip(
                sides,
                (inner[max(start - margin, 0) : start], inner[stop : stop + margin]),
                strict=True,
            )
        ):
            return True
    return False


def _silhouette_mm(view: CardView, *, path_mm: float) -> float:
    """Return how wide a cylinder on its place looks on the card's plane, seen square on [mm]."""
    import math

    radius = path_mm / 2 + _WALL_MM
    distance = float(view.camera_mm[2])
    to_axis = max(distance - view.layout.gap_mm - radius, 1.2 * radius)
    return 2 * distance * math.tan(math.asin(radius / to_axis))


def _diameter_mm(view: CardView, left_mm: float, right_mm: float) -> float:
    """Return the outer diameter of an upright cylinder on its place that shows these edges [mm].

    Lines of sight touch it at both edges. Seen from above, half the angle between them has the
    sine radius / distance to the axis, which lies a gap and a radius before the card.
    """
    import math

    x, distance = float(view.camera_mm[0]), float(view.camera_mm[2])
    first, last = (math.atan((edge - x) / distance) for edge in (left_mm, right_mm))
    k = math.sin((last - first) / 2) / math.cos((last + first) / 2)
    return 2 * k * (distance - view.layout.gap_mm) / (1 + k)


def runs_of(mask: np.ndarray, *, bridge: int) -> list[tuple[int, int]]:
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
