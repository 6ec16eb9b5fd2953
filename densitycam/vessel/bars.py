"""What the bars say through the vessel: contrast, mean and veil, by row and channel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from densitycam.card.layout import CardLayout, Rect
from densitycam.photo.card_finder import refuse
from densitycam.photo.card_view import BRIGHTEST_WHITE, CardView
from densitycam.photo.quantiles import median, quantile
from densitycam.photo.sheet import SHEET_PX_PER_MM, window
from densitycam.vessel.outline import fluid_rows
from densitycam.vessel.signs import (
    BUBBLY,
    bubble_area,
    find_spots,
    spotted_share,
    without_bubbles,
)

if TYPE_CHECKING:
    import numpy as np

#: Refractive index of sea water, 20 C, 35 g/kg, 589 nm (Quan & Fry 1995, Appl. Opt. 34:3477,
#: from memory).
SEA_WATER_INDEX = 1.339

#: Kept clear of the vessel's edge on the outside, where its own tinted shadow lies [mm].
SHADOW_MM = 16.0

#: Kept clear of the edges between bars [mm]: light scattered by a few degrees, which a thin
#: culture does first, blurs the edges long before it fills the bars' middles.
EDGE_MM = 2.5

#: Correlation with the bars beside from which a window tells where the bars are.
BELIEVED_CORRELATION = 0.85

#: A column whose black bars are lighter than the darkest columns' by this share of paper white lies
#: in glare. Photos without kept under 0.02, with stripes outside the part that is read.
GLARE_LIFT = 0.06

#: Share of columns in glare above which too few are left. Ordinary stripes on a wide bottle, seen
#: from the side, cover up to half and leave the reading as good as others; a lamp's mirror image
#: over the part that is read covers more.
LARGEST_GLARE = 0.55

#: Share of the vessel's width, in its middle, through which bars are read: in a cylinder the
#: chord there is at least 0.954 of the diameter, in a bag's lens it is 0.96 of the thickness.
CENTRAL_SHARE = {"cylinder": 0.30, "flat": 0.50, "bag": 0.20}

#: Columns of the bars beside the vessel are taken at every so many millimetres: some forty a side.
BESIDE_EVERY_MM = 1.0

#: Whether a channel is crushed or burnt out, every so many rows tell.
RAW_EVERY = 4

#: Share of the bars that is white, and the share of that which may be burnt out.
WHITE_SHARE, MOST_BURNT = 0.5, 0.15

#: A bag narrows towards the weld at its foot: bars lower than this are left out [mm].
BAG_FOOT_MM = 36.0


@dataclass(frozen=True)
class Strip:
    """The middle of the vessel as it was read, for signs of the culture's state.

    Parameters
    ----------
    light : ndarray of float32, shape (H, W, 3)
        Corrected light, rows from the top downward.
    px_per_mm : float
        Its scale: the sheet's, or a whole part of it where the photo has no more to tell.
    at_mm, seen_mm : ndarray of float64, shape (H,)
        Where each row lies on the sheet, and where what it shows lies that is seen through the
        fluid, from the sheet's top [mm].
    spots_share : float
        Share of the fluid that spots take up, as `spotted_share` has it.
    left_out : float
        Share of the fluid that was left out for its bubbles, or for glare.
    """

    light: np.ndarray
    px_per_mm: float
    at_mm: np.ndarray
    seen_mm: np.ndarray
    spots_share: float
    left_out: float


@dataclass(frozen=True)
class BarRows:
    """The bars through the vessel against the bars beside it.

    Parameters
    ----------
    height_mm : ndarray of float64, shape (R,)
        Middle of each window of one period of bars, above the base line [mm].
    contrast_t, mean_t, veil : ndarray of float64, shape (R, 3)
        Contrast transmittance, mean transmittance and veil.
    spread : ndarray of float64, shape (R, 3)
        Standard error of contrast_t from the scatter of columns.
    raw_white : ndarray of float64, shape (R, 3)
        Brightest light through the vessel before correction: near zero means crushed.
    strip : Strip
        What the rows were read from.
    """

    height_mm: np.ndarray
    contrast_t: np.ndarray
    mean_t: np.ndarray
    veil: np.ndarray
    spread: np.ndarray
    raw_white: np.ndarray
    strip: Strip


def read_bars(
    view: CardView, *, left_mm: float, right_mm: float, path_mm: float, shape: str
) -> BarRows:
    """Regress the bars seen through the vessel on the bars seen beside it.

    Parameters
    ----------
    view : CardView
        The squared-up card.
    left_mm, right_mm : float
        The vessel's sides on the card's plane [mm].
    path_mm : float
        Thickness of fluid, for the shift by refraction [mm].
    shape : {"cylinder", "flat", "bag"}
        Form of the fluid.

    Returns
    -------
    BarRows
        One row a window of one period, from the base line upward.

    Raises
    ------
    PhotoRefusedError
        "glare" where a lamp is mirrored over too much of the part that is read, "clipped" where
        the white bars beside the vessel are burnt out.

    Notes
    -----
    In a window of one whole period, centred on the middle of a bar, the profile through the
    vessel is a + b times the profile beside it: b is the contrast transmittance, whatever veil
    or reflection a adds; a straight gradient along the window is orthogonal to the bars. Each
    column gives its own b; their median leaves out glare stripes, scratches and single bubbles.
    The bubbles of an air line are too many for that: they are found and left out beforehand.
    """
    import numpy as np

    field = view.layout.bar_field
    every = view.light.pitch
    s = SHEET_PX_PER_MM / every
    beside = _beside(view, left_mm, right_mm)
    first, last = middle_part(view, left_mm=left_mm, right_mm=right_mm, shape=shape)
    rect = Rect(first, field.y_mm, last - first, field.height_mm)
    pixels = window(view.light, rect, every=(every, every))
    through = _merge_columns(pixels, s)
    raw_every = max(RAW_EVERY // every, 1)
    raw = window(view.raw, rect, every=(raw_every * every, every))
    raw = _merge_columns(raw, s).astype(np.float32)

    rows = np.arange(len(through))
    at_mm = field.y_mm + (rows + 0.5) / s
    shift = _refraction_shift(at_mm, view.camera_mm, path_mm)
    windows = _windows(view.layout)
    if shape == "bag":
        windows = [w for w in windows if field.bottom_mm - w[0] > BAG_FOOT_MM]

    def reference(shift_mm: np.ndarray) -> np.ndarray:
        """Shift the bars beside to where the vessel shows them."""
        look = np.clip(rows + shift_mm * s, 0, len(rows) - 1)
        return np.stack([np.interp(look, rows, beside[:, c]) for c in range(3)], axis=1)

    # Mean brightness tells where the fluid ends, and hardly cares for the shift; only there do
    # the bars tell what the prediction misses.
    rough = [_in_window(at_mm + shift, w, s) for w in windows]
    plain = reference(shift)
    seen = [i for i in rough if len(i)]
    lead, outside = through[..., :2].mean(axis=2), plain[:, :2].mean(axis=1)
    mean_t = [float(median(lead[i].mean(axis=0)) / outside[i].mean()) for i in seen]
    fluid = seen[: fluid_rows(np.array(mean_t))]
    shift = shift + _missed_shift(median(lead, axis=1), beside, shift, fluid, s)

    # The floor's thickness and the surface's own width belong to neither fluid nor glass.
    wet = slice(int(np.mean(fluid[-1])) - round(6.0 * s), round(len(rows) - 8.0 * s))
    glare = _in_glare(through[wet])
    if glare.mean() > LARGEST_GLARE:
        raise refuse("glare", f"over {100 * glare.mean():.0f} % of the part that is read")
    spots = find_spots(pixels[wet], px_per_mm=s)
    spots_share, left_out = spotted_share(spots, px_per_mm=s), 0.0
    if spots_share > BUBBLY:
        left_out = float(bubble_area(spots, px_per_mm=s).mean())
        cleared = without_bubbles(pixels[wet], spots, px_per_mm=s)
        through[wet] = _merge_columns(cleared, s)

    if glare.any():
        through, raw = through[:, ~glare], raw[:, ~glare]
    left_out = 1 - (1 - left_out) * (1 - float(glare.mean()))

    true_mm = at_mm + shift
    clear = bars_behind(true_mm, view.layout)[1] > EDGE_MM
    inside, heights, white = [], [], []
    for centre, half_mm in windows:
        whole = _in_window(true_mm, (centre, half_mm), s)
        if not len(whole):
            continue
        inside.append(whole[clear[whole]])
        heights.append(field.bottom_mm - centre)
        near = raw[inside[-1][0] // raw_every : inside[-1][-1] // raw_every + 1]
        white.append(quantile(near.reshape(-1, 3), 0.9))
    slope, mean, level = _regressed(through, reference(shift), inside)
    contrast, mean = median(slope, axis=1), median(mean, axis=1)
    scatter = median(np.abs(slope - contrast[:, None]), axis=1)
    return BarRows(
        height_mm=np.array(heights),
        contrast_t=contrast,
        mean_t=mean,
        veil=(mean - contrast) * level,
        spread=1.4826 * scatter / np.sqrt(slope.shape[1]),
        raw_white=np.array(white),
        strip=Strip(pixels, s, at_mm, true_mm, spots_share, left_out),
    )


def _regressed(
    through: np.ndarray, beside: np.ndarray, inside: list[np.ndarray]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Regress every column on the bars beside, window by window.

    Parameters
    ----------
    through : ndarray of float64, shape (H, X, 3)
        Columns seen through the vessel.
    beside : ndarray of float64, shape (H, 3)
        The bars beside it, where the vessel shows them.
    inside : list of R ndarray of int
        Rows of each window.

    Returns
    -------
    slope, mean : ndarray of float64, shape (R, X, 3)
        Slope, and mean over the mean beside.
    level : ndarray of float64, shape (R, 3)
        That mean beside.
    """
    import numpy as np

    def mean_of(values: np.ndarray) -> np.ndarray:
        # Not by one product of matrices: its last digits depend on how many threads share it, and
        # workers are to read what one process reads.
        return np.stack([values[rows].mean(axis=0) for rows in inside])

    level, mean = mean_of(beside), mean_of(through)
    product = mean_of(through * beside[:, None]) - mean * level[:, None]
    slope = product / (mean_of(beside**2) - level**2)[:, None]
    return slope, mean / level[:, None], level


def middle_part(
    view: CardView, *, left_mm: float, right_mm: float, shape: str
) -> tuple[float, float]:
    """Return the ends of the middle part that is read, on the card's plane [mm].

    Parameters
    ----------
    view : CardView
        The squared-up card.
    left_mm, right_mm : float
        The vessel's sides on the card's plane [mm].
    shape : {"cylinder", "flat", "bag"}
        Form of the fluid.

    Returns
    -------
    tuple of float
        Left and right end, from the sheet's left [mm].

    Notes
    -----
    Seen from the side, a cylinder's axis does not lie half-way between its edges on the card: it
    halves the angle between their lines of sight, and lines at a share u of the radius from the
    axis lie where the sine of the angle to it is that share of the edges' sine.
    """
    share = CENTRAL_SHARE[shape]
    if shape != "cylinder":
        middle, half = (left_mm + right_mm) / 2, (right_mm - left_mm) / 2 * share
        return middle - half, middle + half
    across, distance = float(view.camera_mm[0]), float(view.camera_mm[2])
    left, right = (math.atan((edge - across) / distance) for edge in (left_mm, right_mm))
    axis, reach = (left + right) / 2, math.asin(share * math.sin((right - left) / 2))
    return across + distance * math.tan(axis - reach), across + distance * math.tan(axis + reach)


def _in_glare(through: np.ndarray) -> np.ndarray:
    """Return the columns that a lamp's mirror image lights up, shape (X,), of shape (Y, X, 3).

    The fluid's own veil is much the same across the part that is read; there even the darkest
    bars are lifted, in red and green alike.
    """
    dark = quantile(through[::4, :, :2], 0.2)
    lit: np.ndarray = (dark - quantile(dark, 0.1)).min(axis=1) > GLARE_LIFT
    return lit


def _merge_columns(strip: np.ndarray, px_per_mm: float) -> np.ndarray:
    """Average columns to about 1 mm: less noise to a column, and the median stays robust."""
    import cv2
    import numpy as np

    count = max(int(strip.shape[1] / px_per_mm), 1)
    merged = cv2.resize(strip, (count, len(strip)), interpolation=cv2.INTER_AREA)
    return merged.astype(np.float64)


def _beside(view: CardView, left_mm: float, right_mm: float) -> np.ndarray:
    """Return the bars' profile beside the vessel, shape (H, 3), mean of both sides.

    A lamp close by may burn out bars while the paper at the edges keeps its tone; then the other
    side serves alone.
    """
    import numpy as np

    field = view.layout.bar_field
    every = (view.light.pitch, round(BESIDE_EVERY_MM * SHEET_PX_PER_MM))
    profiles, burnt = [], []
    for x0, x1 in (
        (field.x_mm + 2.0, left_mm - SHADOW_MM),
        (right_mm + SHADOW_MM, field.right_mm - 2.0),
    ):
        if x1 - x0 >= 4.0:
            place = Rect(x0, field.y_mm, x1 - x0, field.height_mm)
            some = window(view.raw, place, every=(RAW_EVERY, every[1]))
            raw = median(some[..., :2], axis=1).max(axis=1)
            burnt.append(float(np.mean(raw > BRIGHTEST_WHITE)) / WHITE_SHARE)
            profiles.append(median(window(view.light, place, every=every), axis=1))
    if burnt and min(burnt) > MOST_BURNT:
        raise refuse("clipped", f"{100 * min(burnt):.0f} % of the white bars beside the vessel")
    profiles = [p for p, share in zip(profiles, burnt, strict=True) if share <= MOST_BURNT]
    if not profiles:  # a vessel as wide as the field: the outermost columns are all there is
        for x in (field.x_mm + 1.0, field.right_mm - 5.0):
            edge = Rect(x, field.y_mm, 4.0, field.height_mm)
            strip = window(view.light, edge, every=(every[0], every[0]))
            profiles.append(median(strip, axis=1))
    profile: np.ndarray = np.mean(profiles, axis=0).astype(np.float64)
    return profile


def _refraction_shift(at_mm: np.ndarray, camera_mm: np.ndarray, path_mm: float) -> np.ndarray:
    """Return how much lower (+, in sheet y) on the card the fluid makes us look [mm].

    A ray inclined by phi leaves a slab of thickness t displaced by t (tan phi - tan phi'),
    sin phi = n sin phi' (Snell); along a cylinder's axis it is the same. Walls are thin.
    """
    import numpy as np

    slope = (at_mm - camera_mm[1]) / camera_mm[2]
    phi = np.arctan(slope)
    inner = np.arcsin(np.sin(phi) / SEA_WATER_INDEX)
    shift_mm: np.ndarray = -path_mm * (slope - np.tan(inner))
    return shift_mm


def _windows(layout: CardLayout) -> list[tuple[float, float]]:
    """Middle and half height of the windows of one period, on each bar but the end ones [mm]."""
    bar = layout.bar_field.height_mm / len(layout.bars)
    return [
        (layout.bar_field.bottom_mm - (n + 0.5) * bar, bar) for n in range(1, len(layout.bars) - 1)
    ]


def _in_window(true_mm: np.ndarray, of: tuple[float, float], px_per_mm: float) -> np.ndarray:
    """Return the rows of a window; none where the field's end cuts it off."""
    import numpy as np

    inside = np.flatnonzero(np.abs(true_mm - of[0]) <= of[1])
    return inside if len(inside) >= 1.6 * of[1] * px_per_mm else inside[:0]


def bars_behind(y_mm: np.ndarray, layout: CardLayout) -> tuple[np.ndarray, np.ndarray]:
    """Return which bar lies at each height of the sheet, and how far its nearest edge is.

    Parameters
    ----------
    y_mm : ndarray of float64, shape (H,)
        From the sheet's top [mm].
    layout : CardLayout
        The card.

    Returns
    -------
    number : ndarray of int, shape (H,)
        0 the lowest and black, then white and black in turn; beyond the field they go on.
    from_edge_mm : ndarray of float64, shape (H,)
        Distance to the nearest edge between two bars [mm].
    """
    import numpy as np

    bar = layout.bar_field.height_mm / len(layout.bars)
    up = layout.bar_field.bottom_mm - y_mm
    along = up % bar
    return np.floor(up / bar).astype(int), np.minimum(along, bar - along)


def _missed_shift(
    profile: np.ndarray, beside: np.ndarray, predicted: np.ndarray, fluid: list[np.ndarray],
    px_per_mm: float,
) -> np.ndarray:  # fmt: skip
    """Return what the prediction misses: a straight line in height, from where bars fit best.

    `profile`, shape (H,), is red and green through the vessel's middle. In every window the shift
    that correlates best with the bars beside; a line through those that correlate well. Zero where
    too few do, so little contrast being left.
    """
    import numpy as np

    rows = np.arange(len(profile))
    target = beside[:, :2].mean(axis=1)
    tries = np.arange(-5.0, 5.01, 0.25)
    uppermost = min(int(inside[0]) for inside in fluid)
    wet = rows[uppermost : max(int(inside[-1]) for inside in fluid) + 1]
    places = wet + (predicted[wet] + tries[:, None]) * px_per_mm
    looks = np.interp(places, rows, target)  # beyond the ends it repeats them
    at, found = [], []
    for inside in fluid:
        seen = profile[inside]
        if not np.ptp(seen) > 0:  # opaque and black, or burnt out: nothing to correlate
            continue
        seen = seen - seen.mean()
        look = looks[:, inside - uppermost]
        look = look - look.mean(axis=1, keepdims=True)
        fits = (look @ seen) / np.sqrt(np.sum(look**2, axis=1) * (seen @ seen))
        best = int(np.argmax(fits))
        if not 0 < best < len(tries) - 1 or fits[best] < BELIEVED_CORRELATION:
            continue
        before, peak, after = fits[best - 1 : best + 2]
        bend = before - 2 * peak + after
        at.append(inside.mean())
        found.append(tries[best] + 0.25 * 0.5 * (before - after) / (bend or -1.0))
    if len(found) < 3:
        return np.zeros(len(rows))
    # A line through the medians of the pairs' slopes and offsets (Theil 1950, Sen 1968).
    x, y = np.array(at), np.array(found)
    i, j = np.triu_indices(len(x), 1)
    slope = float(median((y[j] - y[i]) / (x[j] - x[i])))
    return slope * rows + float(median(y - slope * x))
