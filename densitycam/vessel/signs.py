"""Signs of the culture's state that one photo shows without a calibration.

Settled: the rows grow denser downward. Foam: above the fluid, light that is white and mottled
where black and white bars should stand. Bubbles: spots lighter or darker than all that lies
around them, over most of the height. Film: patches that belong neither to a row nor to a column,
as no suspension shows them.

In simulated photos that no tuning saw, under mixed lamps and phones, none of the four was raised
by 82 ordinary cultures; missed were settling by exp(-1) from floor to surface 1 of 24, foam 6 mm
high 1 of 23, bubbles over 4 % of the front 1 of 23, film of optical depth 0.8 2 of 24 and of 0.4 3
of 24 (tests/benchmarks/signs.py, which says what else was measured). Not told are an even film,
which looks like a denser culture, a ring of it at the waterline, and foam above the bars.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from densitycam.photo.quantiles import median, quantile
from densitycam.vessel.outline import runs_of

if TYPE_CHECKING:
    import numpy as np

#: Settled: the lowest third of the fluid is this much denser to look through than the highest
#: third, as a share of their mean, and the rows rise steadily (rank correlation with depth).
#: Even cultures kept under 0.05 in simulated photos.
SETTLED_SHARE, SETTLED_ORDER = 0.14, 0.8

#: Rows that suffice to tell settling from; with more, the uppermost two are left out.
FIRM_ROWS = 6

#: Contrast transmittance above which a single row's contrast is told well.
ROW_CONTRAST_LEFT = 0.03

#: A spot is lighter, or darker, than the places this far left, right, above and below it [mm],
#: by so many standard deviations of the noise in its row and by so much of the row's light. A
#: bar's edge or a stripe of glare has neighbours as light as itself.
SPOT_REACH_MM, SPOT_SIGMAS, SPOT_SHARE = 1.0, 3.5, 0.06

#: Bubbles: spots' share of the area in the middle one of bands 10 mm high. The few bubbles that
#: hang on a wall kept under 0.0009 in simulated photos, an air line that covers 4 % above 0.0017.
BUBBLY = 0.0013

#: Noise is smoothed over this much where spots and foam are looked for [mm].
SMOOTH_MM = 0.6

#: How far a bubble reaches beyond its spot [mm].
BUBBLE_REACH_MM = 1.0

#: Film: white bars are looked at in cells about this wide [mm]; patches as deep as this [ln of
#: light] in the darkest seventh of cells. Clean walls kept under 0.018 in simulated photos;
#: bubbles alone reached 0.032. Cells keep clear of the bars' edges, as `bars.EDGE_MM` does [mm].
CELL_MM, PATCHY, PATCHY_AMONG_BUBBLES, CELL_FROM_EDGE_MM = 3.0, 0.027, 0.045, 2.5

#: Foam is at least this light in its darkest channel, and that channel at least this share of
#: the lightest.
FOAM_LIGHT, FOAM_NEUTRAL = 0.42, 0.72

#: Foam is mottled over its whole width, by this share of its light, and by this many times what
#: the rows under it are. Clean glass, fluid and paper kept under 0.031 in simulated photos.
FOAM_MOTTLE, FOAM_OVER_FLUID = 0.045, 2.2

#: Or, too fine to be mottled, lights up a black bar to this, above the culture's own white bars.
FOAM_ON_BLACK, FOAM_OVER_WHITE = 0.50, 0.22

#: Least height of foam that is told [mm], in still fluid and among bubbles.
FOAM_LEAST_MM, FOAM_LEAST_AMONG_BUBBLES_MM = 2.0, 4.0

#: How high above the base line foam is looked for [mm]: further down the shelf is seen through
#: the vessel's floor.
FOAM_ABOVE_MM = 30.0

#: How much of a bar's edges is left out where a row must surely look at a bar [mm].
BAR_EDGE_MM = 1.2


def is_settled(*, heights_mm: np.ndarray, row_contrast: np.ndarray, row_mean: np.ndarray) -> bool:
    """Return whether the culture has settled: it is denser to look through further down.

    Parameters
    ----------
    heights_mm : ndarray of float64, shape (R,)
        Rows' heights above the base line [mm].
    row_contrast, row_mean : ndarray of float64, shape (R,)
        Contrast and mean transmittance of each row, red and green together.

    Returns
    -------
    bool
        False with fewer than four rows.
    """
    import numpy as np

    if len(heights_mm) < 4:
        return False
    if len(heights_mm) >= FIRM_ROWS + 2:
        # Seen from above or below, the fluid's surface reaches into the rows under it.
        heights_mm, row_contrast, row_mean = heights_mm[:-2], row_contrast[:-2], row_mean[:-2]
    # Contrast tells depth best while it lasts; near its end only brightness still does.
    level = row_contrast if median(row_contrast) > ROW_CONTRAST_LEFT else row_mean
    depth = -np.log(np.clip(level, 1e-3, None))
    third = max(len(heights_mm) // 3, 1)
    low, high = float(median(depth[:third])), float(median(depth[-third:]))
    order = -_rank_correlation(heights_mm, depth)
    return low - high > SETTLED_SHARE * (low + high) / 2 and order > SETTLED_ORDER


def _rank_correlation(a: np.ndarray, b: np.ndarray) -> float:
    """Spearman's rank correlation, no ties expected (Spearman 1904)."""
    import numpy as np

    ranks = [np.argsort(np.argsort(v)).astype(float) for v in (a, b)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def find_spots(light: np.ndarray, *, px_per_mm: float) -> np.ndarray:
    """Return where small round things stand out from all that is around them.

    Parameters
    ----------
    light : ndarray of float32, shape (H, W, 3)
        Linear light through the vessel's middle, rows from the top downward.
    px_per_mm : float
        Its scale [px/mm].

    Returns
    -------
    ndarray of bool, shape (H, W)
        Never set within `SPOT_REACH_MM` of the border.
    """
    import cv2
    import numpy as np

    reach = max(round(SPOT_REACH_MM * px_per_mm), 1)
    found = np.zeros(light.shape[:2], dtype=bool)
    if min(found.shape) <= 4 * reach:
        return found
    wide = _smoothing(px_per_mm)
    smooth = cv2.blur(_lead(light), (wide, wide))
    inner = (slice(reach, -reach), slice(reach, -reach))
    here = smooth[inner]
    around = (
        smooth[: -2 * reach, reach:-reach],
        smooth[2 * reach :, reach:-reach],
        smooth[reach:-reach, : -2 * reach],
        smooth[reach:-reach, 2 * reach :],
    )
    off = here - 0.25 * (around[0] + around[1] + around[2] + around[3])
    # What is smoothed tells no more of a row's noise where every column counts.
    some = off[:, ::wide] - median(off[:, ::wide], axis=1)[:, None]
    noise = 1.4826 * median(np.abs(some), axis=1)
    padded = np.pad(noise, 4, mode="edge")
    noise = median(np.lib.stride_tricks.sliding_window_view(padded, 9), axis=1)
    least = np.maximum(SPOT_SIGMAS * noise, SPOT_SHARE * median(here[:, ::wide], axis=1))[:, None]
    lightest = cv2.max(cv2.max(around[0], around[1]), cv2.max(around[2], around[3]))
    darkest = cv2.min(cv2.min(around[0], around[1]), cv2.min(around[2], around[3]))
    found[inner] = (here - lightest > least) | (darkest - here > least)
    return found


def _smoothing(px_per_mm: float) -> int:
    """Return over how many pixels noise is smoothed, odd: 0.6 mm, not where pixels are as wide."""
    return int(SMOOTH_MM * px_per_mm) // 2 * 2 + 1


def _lead(light: np.ndarray) -> np.ndarray:
    """Return the mean of red and green, float32, shape (H, W)."""
    import cv2
    import numpy as np

    half = np.array([[0.5, 0.5, 0.0]], np.float32)
    return cv2.transform(np.ascontiguousarray(light, np.float32), half)


def spotted_share(spots: np.ndarray, *, px_per_mm: float) -> float:
    """Return the spots' share of the area in the middle one of bands 10 mm high.

    A few large bubbles on the wall spot few bands, an open air line spots them all.

    Parameters
    ----------
    spots : ndarray of bool, shape (H, W)
        From `find_spots`.
    px_per_mm : float
        Scale [px/mm].

    Returns
    -------
    float
        0 to 1, dimensionless.
    """
    import numpy as np

    bands = max(round(len(spots) / (10.0 * px_per_mm)), 1)
    shares = [band.mean() for band in np.array_split(spots, bands) if band.size]
    return float(median(np.array(shares)))


def without_bubbles(light: np.ndarray, spots: np.ndarray, *, px_per_mm: float) -> np.ndarray:
    """Return the light with bubbles replaced by the middle of the rest of their rows.

    Parameters
    ----------
    light : ndarray of float32, shape (H, W, 3)
        Linear light through the vessel's middle.
    spots : ndarray of bool, shape (H, W)
        From `find_spots`.
    px_per_mm : float
        Scale [px/mm].

    Returns
    -------
    ndarray of float, shape (H, W, 3)
        Linear light; rows that bubbles cover whole are left as they are.
    """
    import numpy as np

    covered = bubble_area(spots, px_per_mm=px_per_mm)
    rest = np.where(covered[..., None], np.nan, light)
    whole = covered.all(axis=1)
    rest[whole] = light[whole]
    return np.where(covered[..., None], np.nanmedian(rest, axis=1, keepdims=True), light)


def bubble_area(spots: np.ndarray, *, px_per_mm: float) -> np.ndarray:
    """Return where the bubbles lie whose spots were found.

    Parameters
    ----------
    spots : ndarray of bool, shape (H, W)
        From `find_spots`.
    px_per_mm : float
        Scale [px/mm].

    Returns
    -------
    ndarray of bool, shape (H, W)
        The spots and what lies within `BUBBLE_REACH_MM` of one.
    """
    import cv2
    import numpy as np

    reach = max(round(BUBBLE_REACH_MM * px_per_mm), 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return cv2.dilate(spots.astype(np.uint8), disc) > 0


def patchiness(
    light: np.ndarray, *, bar: np.ndarray, from_edge_mm: np.ndarray, px_per_mm: float
) -> float:
    """Return how patchy the bars look, beyond what rows and columns have in common.

    Parameters
    ----------
    light : ndarray of float32, shape (H, W, 3)
        Linear light through the fluid.
    bar : ndarray of int, shape (H,)
        Which bar each row shows, 0 the lowest and black.
    from_edge_mm : ndarray of float64, shape (H,)
        How far each row lies from the nearest edge between two bars [mm].
    px_per_mm : float
        Scale [px/mm].

    Returns
    -------
    float
        How far the darkest seventh of the cells lies under what its row and column foretell [ln].

    Notes
    -----
    Density that changes with height belongs to a row, the chord of a cylinder, uneven light and
    a stripe of glare to a column: both are taken out by median polish (Tukey 1977, Exploratory
    Data Analysis). What grows on a wall belongs to neither. Only darker cells count, and only so
    far as white less the black beside it is darker too: glare that ends half way up lies on both.
    """
    import numpy as np

    lead = _lead(light)
    columns = max(round(lead.shape[1] / (CELL_MM * px_per_mm)), 3)
    wide = lead.shape[1] // columns
    cells: dict[int, np.ndarray] = {}
    for number in range(int(bar.max(initial=0)) + 1):
        rows = lead[(bar == number) & (from_edge_mm > CELL_FROM_EDGE_MM)]
        if len(rows) >= 3.0 * px_per_mm:
            # What is left over when all are equally wide belongs to none.
            whole = rows[:, : columns * wide].reshape(len(rows), columns, wide)
            cells[number] = median(whole.swapaxes(0, 1).reshape(columns, -1), axis=1)
    white = [number for number in cells if number % 2 == 1 and {number - 1, number + 1} & {*cells}]
    if len(white) < 3:
        return 0.0
    whites = np.array([cells[n] for n in white])
    blacks = np.array([np.mean([cells[k] for k in (n - 1, n + 1) if k in cells], 0) for n in white])
    return min(_darkest(whites), _darkest(whites - blacks))


def _darkest(cells: np.ndarray) -> float:
    """Return how far the darkest seventh of the cells lies under what row and column foretell."""
    import numpy as np

    rest = np.log(np.maximum(cells, 1e-3))
    for _ in range(6):
        rest -= median(rest)
        rest -= median(rest, axis=1)[:, None]
    return float(-quantile(rest.reshape(-1), 0.15))


def foam_bottom_row(
    light: np.ndarray,
    *,
    black: np.ndarray,
    height_mm: np.ndarray,
    px_per_mm: float,
    among_bubbles: bool,
) -> int | None:
    """Return the lowest row of foam, or None without foam.

    Parameters
    ----------
    light : ndarray of float32, shape (H, W, 3)
        Linear light through the vessel's middle, rows from the top downward, paper white = 1.
    black : ndarray of bool, shape (H,)
        Rows that surely look at a black bar, through the fluid and through dry glass alike.
    height_mm : ndarray of float64, shape (H,)
        Of each row above the base line [mm].
    px_per_mm : float
        Scale [px/mm].
    among_bubbles : bool
        Whether the fluid is full of bubbles, so that a cluster of them may pass for thin foam.

    Returns
    -------
    int or None
        Counted from the top.

    Notes
    -----
    Foam throws light back: it is white, hides the bars, and is mottled by its cells across the
    whole width, where bubbles or scratches are mottled in places. Foam too fine to be mottled is
    known by a black bar that is lighter than the culture's white ones.
    """
    import cv2
    import numpy as np

    # A pixel every other millimetre tells a row's light.
    row_light = median(light[:, :: max(round(2.0 * px_per_mm), 1)], axis=1)
    darkest = row_light.min(axis=1)
    neutral = darkest > FOAM_NEUTRAL * row_light.max(axis=1)
    third = np.full((1, 3), 1 / 3, np.float32)
    even = _smoothing(px_per_mm)
    grey = cv2.blur(cv2.transform(np.ascontiguousarray(light, np.float32), third), (even, even))
    # What is wider than 5 mm is not a cell.
    wide = 2 * round(2.5 * px_per_mm) + 1
    fine = grey - cv2.blur(grey, (wide, 1), borderType=cv2.BORDER_REFLECT)
    # Seven columns in ten lie beyond 0.385 standard deviations (normal quantile).
    # What is smoothed tells no more where every column counts.
    mottle = quantile(np.abs(fine[:, ::even]), 0.30, axis=1) / 0.385
    # Quanta of light scatter with the root of their number.
    lower = height_mm < FOAM_ABOVE_MM + 30.0
    quanta = np.sqrt(np.maximum(grey.mean(axis=1), 1e-3))
    usual = float(median((mottle / quanta)[lower])) * quanta
    frothy = (darkest > FOAM_LIGHT) & neutral & (height_mm > FOAM_ABOVE_MM)
    frothy &= mottle > np.maximum(FOAM_MOTTLE * darkest, FOAM_OVER_FLUID * usual)
    culture = float(quantile(darkest[lower], 0.9))
    lit = black & neutral & (height_mm > FOAM_ABOVE_MM)
    lit &= darkest > max(FOAM_ON_BLACK, culture + FOAM_OVER_WHITE)

    least_mm = FOAM_LEAST_AMONG_BUBBLES_MM if among_bubbles else FOAM_LEAST_MM
    least = round(least_mm * px_per_mm)
    lowest = [_lowest_run(mask, least) for mask in (frothy, lit)]
    found = [row for row in lowest if row is not None]
    return max(found) if found else None


def _lowest_run(mask: np.ndarray, least: int) -> int | None:
    """Return the last row of the lowest run of at least `least` rows, gaps of two closed."""
    stops = [stop for start, stop in runs_of(mask, bridge=3) if stop - start >= least]
    return stops[-1] - 1 if stops else None
