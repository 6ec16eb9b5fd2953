"""Where the culture stands before the bars: its left, right, fluid top and bottom on the card."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from densitycam.card.layout import CardLayout, Rect
from densitycam.errors import PhotoRefusedError
from densitycam.photo.card_finder import refuse
from densitycam.photo.card_view import CardView, paper_beside_steps
from densitycam.photo.quantiles import median
from densitycam.photo.sheet import SHEET_PX_PER_MM, Sheet, medians, window
from densitycam.vessel.reading import Outline
from densitycam.vessel.same_vessel import flat_width_mm

if TYPE_CHECKING:
    import numpy as np

#: Change of a column against undisturbed bars, as a share of full contrast, that means "vessel":
#: a clean empty glass loses 8 % to its surfaces (Fresnel, index 1.5), a shadow is smooth.
_DISTURBED = 0.05

#: An edge is where columns 2 mm apart differ by this share of full contrast, mean of the bars, and
#: by this many times what columns usually differ by (noise). A wall of glass, however clear what
#: stands in it, gives 0.15 and more; the vessel's tinted shadow, which reaches further, is smooth.
_EDGE, _EDGE_NOISE = 0.06, 3.0

#: Columns are smoothed over so many pixels, 1 mm.
_SMOOTH_PX = round(1.0 * SHEET_PX_PER_MM)

#: A difference larger than this counts as this, lest a glare stripe outshine the edge.
_LARGEST_CHANGE = 0.30

#: What is narrower is no vessel [mm]. Our own choice.
_NARROWEST_MM = 8.0

#: Between two vessels bars show that are no less clear than outside, or clearer than through both
#: vessels by this share, over at least this breadth [mm]. Their own shadows take off a little.
_GAP_CLEARER, _GAP_CLEAREST, _GAP_CLEAR, _GAP_LEAST_MM = 0.03, 0.97, 0.70, 1.2

#: There black bars are as black as outside, as they are not in a stripe of glare.
_GAP_LIFT = 0.04

#: The vessel must stand this far inside the bars, and its middle be seen before them with so much
#: to spare, so that bars are seen beside it and through its middle [mm].
_STANDS_INSIDE_MM, _SEEN_INSIDE_MM = 40.0, 20.0

#: Breadth of the field's ends [mm], and the loss of white there that means the vessel covers them.
_BORDER_MM, _COVERED, _ALL_COVERED = 4.0, 0.04, 0.08

#: Where white lost more than this and yet bars have this share of their own contrast, a shadow
#: lies: light that is missing, as no vessel makes it, takes from black and white alike.
_SHADE, _SHADE_CLEAR = 0.25, 0.985

#: The vessel's own tinted shadow lies nearer than this [mm]; further off, white that has lost this
#: much in every channel, over this share of one side, lies in another shadow. Good photos kept
#: under a share of 0.2, behind a wide and dense vessel.
_OWN_SHADOW_MM, _SHADED, _SHADED_SHARE = 20.0, 0.11, 0.35

#: Walls of a vessel are about this thick [mm]: glass 1 to 4, plastic under 1.
_WALL_MM = 2.0

#: Outer width measured over the recorded one, between which the vessel is believed to be that and
#: to stand on its place. Good photos gave 0.975 to 1.025; 30 mm nearer to the camera it is 1.07
#: and more. Where the record holds the inner width alone, the wall may be thicker or thinner.
NARROWEST_RATIO, WIDEST_RATIO = 0.91, 1.06
_NARROWEST_KNOWN, _WIDEST_KNOWN = 0.945, 1.05

#: What reaches so much further than the vessel and hides the grey steps is rather a hand.
_HAND_RATIO = 1.25

#: Of the columns between a vessel's edge and the field's end that it hides, so many are disturbed.
_DISTURBED_SHARE = 0.8

#: Contrast this much higher outside an edge than inside it, so far from it [mm], makes it a wall.
_WALL_STEP, _WALL_FROM_MM, _WALL_TO_MM = 0.05, 3.0, 10.0

#: A column of grey steps is seen where its logarithms follow those of the steps with a slope this
#: near to 1, and stray by no more than this [natural log, root mean square].
_STEPS_SLOPE, _STEPS_MISFIT = 0.25, 0.25

#: Jump of transmittance from a row to the next, lasting to the top, that is the fluid's surface.
SURFACE_JUMP = 0.06


def _columns(view: CardView) -> np.ndarray:
    """Return the middles of the lower bars, column by column, red and green: (10, W, 2)."""
    import numpy as np

    every = (view.light.pitch, 1)
    return np.stack(
        [
            window(view.light, _middle(bar.rect), every=every).mean(axis=0)[:, :2]
            for bar in view.layout.bars[:10]
        ]
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
    import cv2
    import numpy as np

    columns = _columns(view)
    black = median(
        np.array(
            [
                medians(view.light, [steps[-1].rect], inset=0.2)[0, :2]
                for side, steps in (
                    ("left", view.layout.grey_left),
                    ("right", view.layout.grey_right),
                )
                if side != view.hidden_side
            ]
        )
    )
    expected = np.ones((10, 1, 2))
    expected[0::2] = black
    off = (columns - expected) / (1 - black.mean())
    off = cv2.blur(off, (_SMOOTH_PX, 1), borderType=cv2.BORDER_REPLICATE)
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
        contrast=_smooth(median(white - dark) / (1 - black.mean())),
        white=np.mean(white, axis=0),
        lift=_smooth(median(dark) - black.mean()),
    )


def _smooth(values: np.ndarray) -> np.ndarray:
    """Return the mean over 1 mm, the ends repeated."""
    import numpy as np

    ends = _SMOOTH_PX // 2
    padded = np.pad(values, ends, mode="edge")
    return np.convolve(padded, np.ones(_SMOOTH_PX) / _SMOOTH_PX, mode="valid")


def find_sides(
    view: CardView, *, path_mm: float, shape: str, width_mm: float | None = None
) -> tuple[float, float]:
    """Find the vessel's left and right edge on the card's plane.

    Parameters
    ----------
    view : CardView
        The squared-up card.
    path_mm : float
        Inner width along the line of sight [mm].
    shape : {"cylinder", "flat", "bag"}
        Form of the fluid; a cylinder's width is known, so one edge gives the other.
    width_mm : float or None
        The vessel's outer width as seen from the front, where its record holds it [mm]. A bag's is
        not asked for: it bulges.

    Returns
    -------
    tuple of float
        Left and right edge, from the sheet's left [mm]. An edge may lie beyond the bars.

    Raises
    ------
    PhotoRefusedError
        "no-vessel" where the bars are undisturbed, "two-vessels", "off-place" where the vessel
        covers one end of the bars and its middle is out of sight, "wrong-vessel" where it is wider
        or narrower than its record, "uneven-light" where one side lies in shadow.

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
    if shape == "cylinder":
        outer = width_mm or path_mm + 2 * _WALL_MM
        if not covered:
            covered = _end_hidden(view, seen, left_mm, right_mm, outer)
        if covered:
            left_mm, right_mm = _beyond_the_end(view, left_mm, right_mm, covered, outer)
    elif covered:
        # That edge lies beyond the field's end, and no bar tells where.
        left_mm = field.x_mm if covered == "left" else left_mm
        right_mm = field.right_mm if covered == "right" else right_mm
    if right_mm - left_mm < _NARROWEST_MM:
        raise refuse("no-vessel")
    if view.hidden_side and (view.hidden_side != covered or shape != "cylinder"):
        raise _other_steps(view)
    if not covered:
        _refuse_other_width(view, left_mm, right_mm, path_mm, shape, width_mm)
    middle = (left_mm + right_mm) / 2
    across, distance = float(view.camera_mm[0]), float(view.camera_mm[2])
    before = view.layout.gap_mm + path_mm / 2 + _WALL_MM
    stands = across + (middle - across) * (1 - before / distance)
    for at, inside in ((stands, _STANDS_INSIDE_MM), (middle, _SEEN_INSIDE_MM)):
        if min(at - field.x_mm, field.right_mm - at) < inside:
            raise refuse("off-place")
    _refuse_shadow(view, left_mm, right_mm)
    return left_mm, right_mm


def _other_steps(view: CardView) -> PhotoRefusedError:
    return refuse("tone", f"those on the {view.hidden_side} are covered, or in other light")


def two_vessels_in(light: Sheet, layout: CardLayout, camera_mm: np.ndarray) -> bool:
    """Tell whether two vessels stand before the bars of a card that could not be squared up.

    Parameters
    ----------
    light : Sheet
        Roughly corrected light over the sheet, bare paper = 1.
    layout : CardLayout
        The sheet's edition.
    camera_mm : ndarray of float64, shape (3,)
        The camera's place [mm].

    Returns
    -------
    bool
        False where no vessel's edges are found.

    Notes
    -----
    Two of them bend light and throw shadows in ways that look like a flickering lamp, a shadow on
    the card or a phone that moved; the strip of clear bars between them tells.
    """
    view = CardView(
        light=light, raw=light, layout=layout, camera_mm=camera_mm, tone_misfit=0.0,
        light_ratio=1.0, blur_mm=0.0, hidden_side="",
    )  # fmt: skip
    seen = _look_along(view)
    try:
        left, right = _outermost_edges(seen)
    except PhotoRefusedError:
        return False
    return _gap_between(seen, left, right)


def _refuse_other_width(
    view: CardView, left_mm: float, right_mm: float, path_mm: float, shape: str,
    width_mm: float | None,
) -> None:  # fmt: skip
    """Refuse a vessel that is not as wide as its record says, or does not stand on its place."""
    if shape == "bag" or (shape == "flat" and width_mm is None):
        return
    outer = width_mm or path_mm + 2 * _WALL_MM
    found = outer_width_mm(view, left_mm=left_mm, right_mm=right_mm, path_mm=path_mm, shape=shape)
    low, high = NARROWEST_RATIO, WIDEST_RATIO
    if width_mm is not None:
        low, high = _NARROWEST_KNOWN, _WIDEST_KNOWN
    if not low <= found / outer <= high:
        raise refuse("wrong-vessel", f"about {found:.0f} mm wide outside, not {outer:.0f} mm")


def outer_width_mm(
    view: CardView, *, left_mm: float, right_mm: float, path_mm: float, shape: str
) -> float:
    """Return the outer width of a vessel on its place that shows these edges [mm].

    Parameters
    ----------
    view : CardView
        The squared-up card.
    left_mm, right_mm : float
        Its edges, from the sheet's left [mm].
    path_mm : float
        Inner width along the line of sight [mm].
    shape : {"cylinder", "flat"}
        Its form.

    Returns
    -------
    float
        Between its outer walls [mm].
    """
    if shape == "cylinder":
        return _diameter_mm(view, left_mm, right_mm)
    return flat_width_mm(
        left_mm=left_mm,
        right_mm=right_mm,
        back_mm=view.layout.gap_mm,
        front_mm=view.layout.gap_mm + path_mm + 2 * _WALL_MM,
        camera_mm=view.camera_mm,
    )


def _end_hidden(
    view: CardView, seen: _Columns, left_mm: float, right_mm: float, outer_mm: float
) -> str:
    """Return which of the field's ends a cylinder hides that lets light through: "" for none.

    Only one of its edges is then a real one; from there it reaches past the end, and every column
    on the way is disturbed.
    """
    import numpy as np

    ratio = _diameter_mm(view, left_mm, right_mm) / outer_mm
    if ratio >= NARROWEST_RATIO:
        return ""
    field, s = view.layout.bar_field, SHEET_PX_PER_MM
    found, share = "", _DISTURBED_SHARE
    for side, edge_mm, last_mm in (("right", left_mm, right_mm), ("left", right_mm, left_mm)):
        if _ends_at(seen, round((last_mm - field.x_mm) * s), side):
            continue
        other = _other_edge_mm(view, edge_mm, side, outer_mm)
        at = round((edge_mm - field.x_mm) * s)
        way = seen.disturbance[at:] if side == "right" else seen.disturbance[:at]
        past_end = other > field.right_mm if side == "right" else other < field.x_mm
        if past_end and len(way) and np.mean(way > _DISTURBED) > share:
            found, share = side, float(np.mean(way > _DISTURBED))
    return found


def _ends_at(seen: _Columns, edge: int, side: str) -> bool:
    """Return whether the vessel ends at its outermost steep change: bars are clearer beyond it.

    A stripe of glare within it has fluid on both sides.
    """
    near, far = round(_WALL_FROM_MM * SHEET_PX_PER_MM), round(_WALL_TO_MM * SHEET_PX_PER_MM)
    before = seen.contrast[max(edge - far, 0) : max(edge - near, 0)]
    after = seen.contrast[edge + near : edge + far]
    inside, outside = (before, after) if side == "right" else (after, before)
    if not len(inside) or not len(outside):
        return False
    return bool(median(outside) > median(inside) + _WALL_STEP)


def _beyond_the_end(
    view: CardView, left_mm: float, right_mm: float, covered: str, outer_mm: float
) -> tuple[float, float]:
    """Return both edges of a cylinder that hides one end of the bars, from the edge that is seen.

    Raises
    ------
    PhotoRefusedError
        "wrong-vessel" where it hides more of the card, or less, than it can on its place.
    """
    edge, out = (left_mm, 1.0) if covered == "right" else (right_mm, -1.0)
    other = _other_edge_mm(view, edge, covered, outer_mm)
    hidden_to, seen_from = _hides_beyond(view, covered)
    slack = (WIDEST_RATIO - 1) * abs(other - edge)
    if out * (hidden_to - other) > slack or out * (other - seen_from) > slack:
        at = hidden_to if out * (hidden_to - other) > slack else seen_from
        wide = _diameter_mm(view, min(edge, at), max(edge, at))
        if view.hidden_side and wide > _HAND_RATIO * outer_mm:
            raise _other_steps(view)
        raise refuse("wrong-vessel", f"about {wide:.0f} mm wide outside, not {outer_mm:.0f} mm")
    return min(edge, other), max(edge, other)


def _hides_beyond(view: CardView, side: str) -> tuple[float, float]:
    """Return how far out the card is hidden past the field's end, at least and at most [mm].

    A column of grey steps is seen where its light follows their own; a shadow on it takes from
    all alike, and what a vessel shows there is something else.
    """
    import numpy as np

    layout = view.layout
    steps = layout.grey_right if side == "right" else layout.grey_left
    light = np.stack(
        [median(window(view.light, _middle(p.rect)))[:, :2].mean(axis=1) for p in steps]
    )
    known = np.log([np.mean(p.reflectance[:2]) for p in steps])
    known -= known.mean()
    logs = np.log(np.maximum(light, 1e-3))
    logs -= logs.mean(axis=0)
    slope = known @ logs / (known @ known)
    misfit = np.sqrt(np.mean((logs - slope * known[:, None]) ** 2, axis=0))
    seen = (np.abs(slope - 1) < _STEPS_SLOPE) & (misfit < _STEPS_MISFIT)
    rect, s = steps[0].rect, SHEET_PX_PER_MM
    if side == "left":  # from the field outwards
        seen = seen[::-1]
    # The outermost run of columns that are seen, small faults aside.
    runs = [r for r in runs_of(seen, bridge=round(1.0 * s)) if r[1] >= len(seen) - round(1.5 * s)]
    inner, outer, out = rect.x_mm, rect.right_mm, 1.0
    end = layout.bar_field.right_mm
    if side == "left":
        inner, outer, out, end = rect.right_mm, rect.x_mm, -1.0, layout.bar_field.x_mm
    if not runs or runs[-1][1] - runs[-1][0] < round(2.0 * s):
        return outer, out * np.inf
    first = runs[-1][0]
    if first < round(2.0 * s):
        return end, inner + out * 2.0
    return inner + out * (first / s - 2.0), inner + out * first / s


def _other_edge_mm(view: CardView, edge_mm: float, towards: str, outer_mm: float) -> float:
    """Return where a cylinder on its place shows its other edge, seen from above [mm].

    The line of sight at the angle a past the edge that is seen touches the circle of radius r; its
    middle lies r / cos a beside that line, the other tangent as far on the middle's other side.
    """
    import math

    x, distance = float(view.camera_mm[0]), float(view.camera_mm[2])
    radius, out = outer_mm / 2, 1.0 if towards == "right" else -1.0
    to_axis = distance - view.layout.gap_mm - radius
    first = math.atan((edge_mm - x) / distance)
    axis = math.atan(math.tan(first) + out * radius / (math.cos(first) * to_axis))
    return x + distance * math.tan(min(max(2 * axis - first, -1.4), 1.4))


def _refuse_shadow(view: CardView, left_mm: float, right_mm: float) -> None:
    """Refuse a photo with one side of the card in a shadow that the smooth light knows not of.

    The vessel's own shadow is tinted and lies beside it; where no channel keeps its light further
    off, something else stands in the way.
    """
    import numpy as np

    layout, s = view.layout, round(SHEET_PX_PER_MM)
    field = layout.bar_field
    down = 8
    whole = window(view.light, field, every=(down, s))
    at_mm = field.y_mm + (np.arange(len(whole)) + 0.5) * down / SHEET_PX_PER_MM
    middles = [_middle(bar.rect) for bar in layout.bars[1::2]]
    bars = np.stack([whole[(at_mm > m.y_mm) & (at_mm < m.bottom_mm)].mean(axis=0) for m in middles])
    bars = bars[:, : bars.shape[1] // 2 * 2]
    bars = bars.reshape(len(bars), -1, 2, 3).mean(axis=2)  # every 2 mm: (8, 90, 3)
    at = field.x_mm + 2.0 * np.arange(bars.shape[1]) + 1.0
    for left, clear in ((True, left_mm - _OWN_SHADOW_MM), (False, right_mm + _OWN_SHADOW_MM)):
        strip = paper_beside_steps(layout, left, field.y_mm + 2.0, field.height_mm - 4.0)
        cells = [bars[:, at < clear if left else at > clear].reshape(-1, 3)]
        if strip.right_mm < clear if left else strip.x_mm > clear:
            # As many places as the bars would be over 8 mm.
            sparse = int(strip.height_mm * SHEET_PX_PER_MM / 32)
            cells.append(median(window(view.light, strip, every=(sparse, 1)), axis=1))
        kept = np.concatenate(cells).max(axis=1)
        if len(kept) >= 8 and np.mean(kept < 1 - _SHADED) > _SHADED_SHARE:
            raise refuse("uneven-light", "one side lies in shadow")


def _loss_at_ends(seen: _Columns) -> tuple[float, float]:
    """Return how much white is lost at the field's left and right end, not by a shadow."""
    border = round(_BORDER_MM * SHEET_PX_PER_MM)
    losses = []
    for end in (slice(0, border), slice(-border, None)):
        white, contrast = float(median(seen.white[end])), float(median(seen.contrast[end]))
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
    noise = float(median(change[change > 0])) if (change > 0).any() else 0.0
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
    s = SHEET_PX_PER_MM
    margin = round(3.0 * s)
    inner = seen.contrast[left + margin : right - margin]
    if not len(inner):
        return False
    usual = float(median(inner))
    clear = (inner > _GAP_CLEAREST) | (inner > max(usual + _GAP_CLEARER, _GAP_CLEAR))
    clear &= seen.lift[left + margin : right - margin] < _GAP_LIFT
    for start, stop in runs_of(clear, bridge=1):
        if (stop - start) / s < _GAP_LEAST_MM:
            continue
        level = float(median(inner[start:stop]))
        sides = inner[:start], inner[stop:]
        if all(
            len(side) > 2 * margin
            and median(side) < level - _GAP_CLEARER
            and near.min() < level - 5 * _GAP_CLEARER
            for side, near in zip(
                sides,
                (inner[max(start - margin, 0) : start], inner[stop : stop + margin]),
                strict=True,
            )
        ):
            return True
    return False


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
    """Return the runs of True in a row of bool, short gaps closed.

    Parameters
    ----------
    mask : ndarray of bool, shape (N,)
        The row.
    bridge : int
        Gaps of fewer places than this are closed.

    Returns
    -------
    list of (int, int)
        Start and stop of each run, the stop not included.
    """
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
    """Return the outline from the sides found and the top of the rows that were read.

    Parameters
    ----------
    view : CardView
        The squared-up card; the outline ends at its base line.
    left_mm, right_mm : float
        The vessel's sides, from the sheet's left [mm].
    top_mm : float
        Top of the rows that were read, from the sheet's top [mm].

    Returns
    -------
    Outline
        On the card's plane [mm].
    """
    return Outline(
        left_mm=left_mm,
        right_mm=right_mm,
        top_mm=top_mm,
        bottom_mm=view.layout.base_line_y_mm,
    )
