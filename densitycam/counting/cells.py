"""Cells in a squared-up slide photo: lines taken out, size found, touching ones told apart."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from densitycam.counting.ruling import FoundRuling, above_usual

if TYPE_CHECKING:
    import numpy as np

__all__ = ["FoundCells", "cell_diameter_um", "covered_share", "find_cells", "without_lines"]

# Shares and thresholds without another source, here and in the functions below, were tuned on
# simulated slides: seeds 0 to 79 and 10000 of tests/benchmarks/slides.py.

#: Diameters looked for [um]: smaller is bacteria, larger is no microalga kept at home.
SMALLEST_UM, LARGEST_UM = 1.6, 22.0
#: Pieces of a line over which its depth is taken as even [um].
_PIECE_UM = 40.0


@dataclass(frozen=True, eq=False)
class FoundCells:
    """Cells in the ruling's frame.

    Parameters
    ----------
    at_um : ndarray of float, shape (n, 2)
        Their middles u, v [um].
    diameter_um : ndarray of float, shape (n,)
        Diameter of each [um].
    typical_um : float
        Median diameter [um]; nan where none was found.
    smear : float
        Length over width of the cells' mean shape, >= 1: cells lie in all directions, so that
        only a movement makes it long; nan where none was found.
    """

    at_um: np.ndarray
    diameter_um: np.ndarray
    typical_um: float
    smear: float


def without_lines(
    ratio: np.ndarray,
    ruling: FoundRuling,
    *,
    box_um: tuple[float, float, float, float],
    px_per_um: float,
) -> np.ndarray:
    """Divide the ruling's lines out of a squared-up picture; cells on them stay.

    Parameters
    ----------
    ratio : ndarray of float32, shape (h, w, 3)
        Light over the ground, squared up.
    ruling : FoundRuling
        The ruling.
    box_um : tuple of float
        Left, top, right, bottom of the picture in the ruling's frame [um].
    px_per_um : float
        Its scale [px/um].

    Returns
    -------
    ndarray of float32, shape (h, w, 3)
        The ground without lines.

    Notes
    -----
    A line's cross profile is its median along the line, which no cell moves, and its depth in
    each piece the median over the piece's rows.
    """
    import numpy as np

    clean = ratio.copy()
    piece = max(4, round(_PIECE_UM * px_per_um))
    for axis in (0, 1):
        view = clean if axis == 0 else clean.transpose(1, 0, 2)
        low, high = (box_um[0], box_um[2]) if axis == 0 else (box_um[1], box_um[3])
        half = 4.5 * max(ruling.line_sigma_um[axis], 0.6)
        known = [
            (place, half + (ruling.gap_um if triple else 0.0))
            for place, triple in ruling.lines(axis, low, high)
        ]
        for wanted in (known, None):
            # Then those that the motif does not hold, such as every fourth one's companions.
            places = _other_lines(view, low, half, px_per_um) if wanted is None else wanted
            for place, reach in places:
                first = max(0, math.floor((place - reach - low) * px_per_um))
                last = min(view.shape[1], math.ceil((place + reach - low) * px_per_um) + 1)
                if last - first >= 3:
                    _take_out(view[:, first:last], piece)
    light: np.ndarray = np.clip(clean, 0.0, 4.0)
    return light


def _other_lines(
    view: np.ndarray, low_um: float, half_um: float, px_per_um: float
) -> list[tuple[float, float]]:
    """Return places of lines that still run down the picture along a third of it or more [um]."""
    import numpy as np

    grey = view.mean(axis=2)
    depth = np.zeros(grey.shape[1])
    for rows in np.array_split(grey, 3):
        profile = np.abs(1.0 - np.median(rows, axis=0))
        depth = np.maximum(depth, above_usual(profile, round(2 * half_um * px_per_um)))
    found = []
    while depth.max() > 0.03:
        at = int(np.argmax(depth))
        found.append((low_um + (at + 0.5) / px_per_um, half_um))
        near = round(half_um * px_per_um)
        depth[max(0, at - near) : at + near + 1] = 0.0
    return found


def _take_out(strip: np.ndarray, piece: int) -> None:
    """Divide a line out of the strip round it, in place; the line runs down the strip."""
    import numpy as np

    rows = strip.shape[0]
    grey = strip.mean(axis=2)
    pieces = max(1, rows // piece)
    edges = np.linspace(0, rows, pieces + 1).astype(int)
    middles = (edges[:-1] + edges[1:]) / 2
    blocks = [np.median(grey[a:b], axis=0) for a, b in itertools.pairwise(edges)]
    profiles = np.array(blocks)
    ends = np.median(np.concatenate([profiles[:, :1], profiles[:, -1:]], axis=1), axis=1)
    depth = 1.0 - profiles / np.maximum(ends[:, None], 0.2)
    shape = np.median(depth, axis=0)
    power = float(shape @ shape)
    if power < 1e-7:
        return
    # Where the line is cut deeper or shallower, or ends.
    strength = np.clip(depth @ shape / power, 0.0, 2.0)
    # A piece full of cells tells little: it takes after its neighbours.
    rest = np.sqrt(((depth - strength[:, None] * shape) ** 2).mean(axis=1))
    trust = 1.0 / (rest**2 + 0.01**2)
    kernel = np.array([0.25, 1.0, 0.25])
    top = np.convolve(strength * trust, kernel, "same")
    strength = top / np.convolve(trust, kernel, "same")
    along = np.interp(np.arange(rows) + 0.5, middles, strength)
    strip /= np.maximum(1.0 - along[:, None] * shape[None, :], 0.2)[..., None].astype(strip.dtype)


def _darkness(ratio: np.ndarray, blur_px: float) -> np.ndarray:
    import cv2
    import numpy as np

    dark: np.ndarray = np.clip(1.0 - ratio.mean(axis=2), -0.4, 1.0).astype(np.float32)
    return cv2.GaussianBlur(dark, (0, 0), blur_px)


def _level(dark: np.ndarray, where: np.ndarray) -> float:
    """Return about half the darkness of what stands out of the ground; nan where nothing does."""
    import numpy as np

    # Neighbours differ by noise alone nearly everywhere, however full the picture is.
    apart = np.abs(dark[:, 3:] - dark[:, :-3])[where[:, 3:] & where[:, :-3]]
    if not len(apart):
        return math.nan
    noise = 1.05 * float(np.median(apart))
    faint = max(0.05, 5.0 * noise)
    standing = dark[where & (dark > faint)]
    if len(standing) < 12:
        return math.nan
    return max(0.5 * float(np.median(standing)), faint)


def _filled(mask: np.ndarray, largest_px: float) -> np.ndarray:
    """Fill holes up to a size: a cell's bright middle within its dark edge."""
    import cv2
    import numpy as np

    holes = (mask == 0).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(holes, connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] <= largest_px
    small[0] = False
    filled: np.ndarray = (mask.astype(bool) | small[labels]).astype(np.uint8)
    return filled


def _peaks(answer: np.ndarray, radius: float, least: float) -> np.ndarray:
    """Return (row, column) of the highest points within `radius` and above `least`."""
    import cv2
    import numpy as np

    r = max(1, math.floor(radius))
    y, x = np.mgrid[-r : r + 1, -r : r + 1]
    disc = (np.hypot(x, y) <= max(radius, 1.0)).astype(np.uint8)
    top = cv2.dilate(answer, disc)
    return np.argwhere((answer >= top) & (answer > least))


def covered_share(ratio: np.ndarray, where: np.ndarray, *, px_per_um: float) -> float:
    """Return how much of the squares is dark, whatever it is, 0 to 1.

    Parameters
    ----------
    ratio : ndarray of float32, shape (h, w, 3)
        Light over the ground, without lines.
    where : ndarray of bool, shape (h, w)
        Inside the squares.
    px_per_um : float
        Scale [px/um].

    Returns
    -------
    float
        Share of the squares' area.
    """
    import numpy as np

    dark = _darkness(ratio, max(0.7, 0.25 * px_per_um))
    # Where cells cover half of everything the ground sinks among them: its top is bare glass. A
    # halo is no brighter than a tenth.
    bare = min(0.0, float(np.percentile(dark[where], 3)) + 0.10)
    level = _level(dark - bare, where)
    return 0.0 if math.isnan(level) else float((dark[where] - bare > level).mean())


def cell_diameter_um(ratio: np.ndarray, where: np.ndarray, *, px_per_um: float) -> float:
    """Return the diameter that most round things in the picture have.

    Parameters
    ----------
    ratio : ndarray of float32, shape (h, w, 3)
        Light over the ground, without lines.
    where : ndarray of bool, shape (h, w)
        Inside the squares, where the lines are sure to be taken out.
    px_per_um : float
        Scale [px/um].

    Returns
    -------
    float
        Diameter [um]; nan where nothing round stands out of the noise.
    """
    import cv2
    import numpy as np

    dark = _darkness(ratio, max(0.7, 0.25 * px_per_um))
    level = _level(dark, where)
    if math.isnan(level):
        return math.nan
    # A bright middle is less than half of a cell; larger holes lie between cells.
    mask = _filled(
        (dark > level).astype(np.uint8), math.pi / 4 * (0.4 * LARGEST_UM * px_per_um) ** 2
    )
    deep = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    hills = cv2.GaussianBlur(deep, (0, 0), 0.8)
    at = _peaks(hills, 2.0, 0.3 * SMALLEST_UM * px_per_um)
    at = at[where[at[:, 0], at[:, 1]]]
    if not len(at):
        return math.nan
    # The radius of the largest disc that fits: neighbours that touch do not change it.
    radius = deep[at[:, 0], at[:, 1]].astype(float)
    largest = _foremost(at, radius, 1.1 * radius)
    at, radius = at[largest], radius[largest]
    d = 2.0 * radius / px_per_um
    fits = (d > SMALLEST_UM) & (d < LARGEST_UM)
    at, d = at[fits], d[fits]
    if not len(d):
        return math.nan
    # A bubble's edge or a fibre holds many discs, but is one thing: it weighs as three.
    _, parts = cv2.connectedComponents(mask)
    part = parts[at[:, 0], at[:, 1]]
    weight = d**1.5
    total, top = np.bincount(part, weight), np.zeros(part.max() + 1)
    np.maximum.at(top, part, weight)
    weight *= np.minimum(1.0, 3.0 * top[part] / total[part])
    # The fullest stretch of log diameter, each weighted by its area: dust is many but small.
    order = np.linspace(math.log(SMALLEST_UM * 0.8), math.log(LARGEST_UM * 1.2), 160)
    kernel = np.exp(-0.5 * ((order[:, None] - np.log(d)[None, :]) / 0.16) ** 2)
    middle = order[int(np.argmax(kernel @ weight))]
    near = np.abs(np.log(d) - middle) < 0.35
    # The disc that fits is a little narrower than the cell.
    return float(1.06 * np.median(d[near]))


def _foremost(at: np.ndarray, rank: np.ndarray, reach: np.ndarray) -> np.ndarray:
    """Return which points no higher ranking one that stays has in its reach, bool, (n,)."""
    import numpy as np
    from scipy.spatial import cKDTree

    tree = cKDTree(at)
    gone = np.zeros(len(at), bool)
    for i in np.argsort(-rank, kind="stable"):
        if not gone[i]:
            near = [j for j in tree.query_ball_point(at[i], reach[i]) if j != i]
            gone[near] = True
    return ~gone


def find_cells(
    ratio: np.ndarray,
    where: np.ndarray,
    *,
    origin_um: tuple[float, float],
    px_per_um: float,
    diameter_um: float,
) -> FoundCells:
    """Find cells of one typical size.

    Parameters
    ----------
    ratio : ndarray of float32, shape (h, w, 3)
        Light over the ground, without lines.
    where : ndarray of bool, shape (h, w)
        Inside the squares: how dark a cell is, is learnt there.
    origin_um : tuple of float
        u and v of the picture's top left corner [um].
    px_per_um : float
        Scale [px/um].
    diameter_um : float
        Typical diameter [um].

    Returns
    -------
    FoundCells
        Cells; what is much smaller, larger, fainter, longer or of another colour than most is
        left out as dirt.

    Notes
    -----
    What is darker than half a cell is cut out and its holes filled, whatever rings the focus
    draws inside; cells that touch are parted at their waist, by a watershed on the distance to
    the edge.
    """
    import cv2
    import numpy as np

    across = diameter_um * px_per_um
    dark = _darkness(ratio, max(0.6, 0.06 * across))
    level = _level(dark, where)
    nothing = FoundCells(np.zeros((0, 2)), np.zeros(0), math.nan, math.nan)
    if math.isnan(level):
        return nothing
    mask = _shapes(dark, level, across)
    deep = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    hills = cv2.GaussianBlur(deep, (0, 0), max(0.08 * across, 0.5))
    at = _peaks(hills, 0.30 * across, 0.12 * across)
    at = at[mask[at[:, 0], at[:, 1]] > 0]
    if not len(at):
        return nothing
    # Of two peaks that are nearer than this the lower is dropped.
    at = at[_foremost(at, hills[at[:, 0], at[:, 1]], np.full(len(at), 0.3 * across))]
    labels, strands = _regions(mask, hills, at, across)
    looks = _looks(labels, deep, ratio)
    strands = _parted(labels, looks, strands, across)
    looks = _looks(labels, deep, ratio)
    keep = _cells_among(looks, across) & ~strands
    if not keep.any():
        return nothing
    looks = looks[keep]
    um = (looks[:, _X : _Y + 1] + 0.5) / px_per_um + np.array(origin_um)
    sizes = np.sqrt(4 / math.pi * looks[:, _AREA]) / px_per_um
    return FoundCells(um, sizes, float(np.median(sizes)), _smear(looks))


def _shapes(dark: np.ndarray, level: float, across: float) -> np.ndarray:
    """Return where cells are, uint8 0 or 1: darker than half of the darkest close by."""
    import cv2
    import numpy as np

    area = math.pi / 4 * across**2
    mask = _filled((dark > level).astype(np.uint8), 0.5 * area)
    # A pair's waist is less dark than either cell, and a flake than the cell upon it.
    body = cv2.GaussianBlur(dark, (0, 0), max(0.15 * across, 0.5))
    r = max(1, round(0.6 * across))
    top = cv2.dilate(body, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1)))
    mask = _filled(mask & (dark > _WAIST * top), 0.35 * area)
    # A fibre's arm hangs on to a cell; it is thinner than any cell.
    r = round(0.20 * across)
    if r < 1:
        return mask
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))
    return cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc)


#: A pixel belongs to a cell above this share of the darkest (smoothed) near by.
_WAIST = 0.52
#: Two regions are one cell where their waist is wider than this share of the narrower one.
_ONE_CELL = 0.80
#: A piece of a strand has one waist, or two, wider than these shares of itself.
_STRAND = (0.88, 0.76)


def _regions(
    mask: np.ndarray, hills: np.ndarray, at: np.ndarray, across: float
) -> tuple[np.ndarray, np.ndarray]:
    """Part the mask among the peaks; peaks with no waist between them share a label.

    Returns the labels, shape (h, w), and which of them are pieces of a strand.
    """
    import numpy as np
    from skimage.segmentation import watershed

    seeds = np.zeros(mask.shape, np.int32)
    seeds[at[:, 0], at[:, 1]] = np.arange(1, len(at) + 1)
    labels = watershed(-hills, seeds, mask=mask.astype(bool))
    waists: dict[tuple[int, int], float] = {}
    for one, two, height in (
        (labels[:, :-1], labels[:, 1:], np.minimum(hills[:, :-1], hills[:, 1:])),
        (labels[:-1], labels[1:], np.minimum(hills[:-1], hills[1:])),
    ):
        meet = (one != two) & (one > 0) & (two > 0)
        for a, b, h in zip(one[meet], two[meet], height[meet], strict=True):
            key = (int(min(a, b)), int(max(a, b)))
            waists[key] = max(waists.get(key, 0.0), float(h))
    top = np.concatenate([[0.0], hills[at[:, 0], at[:, 1]]])
    area = np.bincount(labels.ravel(), minlength=len(top)).astype(float)
    parent = np.arange(len(top))

    def root(k: int) -> int:
        while parent[k] != k:
            k = parent[k]
        return k

    one_cell = math.pi / 4 * across**2
    for (a, b), waist in sorted(waists.items(), key=lambda item: -item[1]):
        a, b = root(a), root(b)
        if a == b:
            continue
        share = waist / min(top[a], top[b])
        # Two halves of one cell are small together.
        if share > _ONE_CELL and area[a] + area[b] < (1.7 if share < 0.93 else 2.2) * one_cell:
            low, high = (a, b) if top[a] >= top[b] else (b, a)
            parent[high] = low
            area[low] += area[high]
    # What is left of the waists: a piece of a fibre or of a bubble's edge has two of them, about
    # as wide as itself.
    left: dict[int, dict[int, float]] = {}
    for (a, b), waist in waists.items():
        a, b = root(a), root(b)
        if a != b:
            for one, two in ((a, b), (b, a)):
                beside = left.setdefault(one, {})
                beside[two] = max(beside.get(two, 0.0), waist)
    kept, compact = np.unique([root(k) for k in range(len(top))], return_inverse=True)
    strands = np.zeros(len(kept), bool)
    for i, k in enumerate(kept):
        shares = sorted(w / max(top[k], 1e-6) for w in left.get(int(k), {}).values())[::-1]
        strands[i] = bool(shares) and (
            shares[0] > _STRAND[0] or (len(shares) > 1 and shares[1] > _STRAND[1])
        )
    return compact.reshape(-1)[labels], strands[1:]


# Columns of what is measured of each region.
_X, _Y, _AREA, _LONG, _SHORT, _DEEP, _DARK, _RED, _GREEN, _BLUE, _UPRIGHT, _SLANT = range(12)


def _looks(labels: np.ndarray, deep: np.ndarray, ratio: np.ndarray) -> np.ndarray:
    """Measure each region: middle, area, axes, depth of its inside, darkness [px], (n, 12)."""
    import numpy as np

    n = int(labels.max())
    rows, columns = np.nonzero(labels)
    k = labels[rows, columns] - 1
    area = np.maximum(np.bincount(k, minlength=n), 1).astype(float)
    x = np.bincount(k, columns, minlength=n) / area
    y = np.bincount(k, rows, minlength=n) / area
    dx, dy = columns - x[k], rows - y[k]
    xx, yy, xy = (np.bincount(k, w, minlength=n) / area for w in (dx * dx, dy * dy, dx * dy))
    half = np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
    middle = (xx + yy) / 2
    # An ellipse's variance along an axis is a sixteenth of that axis squared; a pixel adds 1/12.
    long = 4 * np.sqrt(middle + half + 1 / 12)
    short = 4 * np.sqrt(np.maximum(middle - half, 0) + 1 / 12)
    inside = np.zeros(n)
    np.maximum.at(inside, k, deep[rows, columns])
    channels = [np.bincount(k, 1.0 - ratio[rows, columns, c], minlength=n) / area for c in range(3)]
    upright, slant = (xx - yy) / 2, xy
    return np.column_stack(
        [x, y, area, long, short, inside, np.mean(channels, axis=0), *channels, upright, slant]
    )


def _smear(looks: np.ndarray) -> float:
    """Return length over width of the mean of all shapes."""
    import numpy as np

    mean = float(np.mean((looks[:, _LONG] ** 2 + looks[:, _SHORT] ** 2) / 32))
    half = math.hypot(float(np.mean(looks[:, _UPRIGHT])), float(np.mean(looks[:, _SLANT])))
    return math.sqrt((mean + half) / max(mean - half, 1e-6))


def _likely(looks: np.ndarray, across: float) -> np.ndarray:
    """Return which regions have a single cell's size and shape."""
    import numpy as np

    width = np.sqrt(4 / math.pi * looks[:, _AREA])
    likely = (width > 0.7 * across) & (width < 1.4 * across)
    likely &= looks[:, _LONG] < 1.8 * looks[:, _SHORT]
    return likely & (looks[:, _DEEP] > 0.38 * width)


def _parted(
    labels: np.ndarray, looks: np.ndarray, strands: np.ndarray, across: float
) -> np.ndarray:
    """Part regions that hold two or more cells without a waist between them, in place.

    Returns which labels are pieces of a strand, with the new ones.
    """
    import numpy as np

    likely = _likely(looks, across) & ~strands
    if not likely.any():
        return strands
    area = float(np.median(looks[likely, _AREA]))
    width = np.sqrt(4 / math.pi * looks[:, _AREA])
    several = (looks[:, _AREA] > 1.45 * area) & (looks[:, _AREA] < 5.5 * area) & ~strands
    # A disc is half as deep as it is wide; two side by side a third.
    several &= looks[:, _DEEP] < 0.41 * width
    several &= looks[:, _DEEP] > 0.36 * math.sqrt(4 / math.pi * area)
    # A flake is as large, but paler.
    several &= looks[:, _DARK] > 0.85 * float(np.median(looks[likely, _DARK]))
    last = len(looks)
    for k in np.flatnonzero(several):
        reach = math.ceil(looks[k, _LONG]) + 2
        y0, x0 = (max(0, int(looks[k, c]) - reach) for c in (_Y, _X))
        view = labels[y0 : y0 + 2 * reach + 1, x0 : x0 + 2 * reach + 1]
        points = np.argwhere(view == k + 1)
        if len(points) < 4:
            continue
        group = _groups(points.astype(float), max(2, round(looks[k, _AREA] / area)))
        for g in range(1, int(group.max()) + 1):
            last += 1
            part = points[group == g]
            view[part[:, 0], part[:, 1]] = last
    return np.concatenate([strands, np.zeros(last - len(strands), bool)])


def _groups(points: np.ndarray, n: int) -> np.ndarray:
    """Part points among n nearest middles (Lloyd 1982), shape (m,)."""
    import numpy as np

    middles = [points[np.argmax(((points - points.mean(axis=0)) ** 2).sum(axis=1))]]
    while len(middles) < n:
        away = np.min([((points - m) ** 2).sum(axis=1) for m in middles], axis=0)
        middles.append(points[np.argmax(away)])
    at = np.array(middles)
    group = np.zeros(len(points), int)
    for _ in range(12):
        group = np.argmin(((points[:, None] - at[None]) ** 2).sum(axis=2), axis=1)
        at = np.array(
            [points[group == g].mean(axis=0) if (group == g).any() else at[g] for g in range(n)]
        )
    return group


def _cells_among(looks: np.ndarray, across: float) -> np.ndarray:
    """Tell cells from dirt by what most of the regions of the right size look like."""
    import numpy as np

    width = np.sqrt(4 / math.pi * looks[:, _AREA])
    likely = _likely(looks, across)
    if not likely.any():
        return likely
    most = looks[likely]
    typical = float(np.median(width[likely]))
    dark = float(np.median(most[:, _DARK]))
    keep = (width > 0.55 * typical) & (width < 1.7 * typical)
    keep &= looks[:, _LONG] < 2.1 * looks[:, _SHORT]
    # A piece of a fibre is narrow for its area.
    keep &= (looks[:, _DEEP] > 0.25 * typical) & (looks[:, _DEEP] > 0.33 * width)
    round_ = (looks[:, _DEEP] > 0.42 * width) & (looks[:, _LONG] < 1.5 * looks[:, _SHORT])
    # A flake is paler and ragged; a pale cell is at least round.
    keep &= looks[:, _DARK] > np.where(round_, 0.65, 0.8) * dark
    keep &= looks[:, _DARK] < 2.2 * dark
    # A cell on a flake or a fibre is no less dark than others, and round, but of mixed colour.
    certain = likely & round_ & (looks[:, _DARK] > 0.93 * dark) & (width > 0.8 * typical)
    # Colour, as shares of the darkness, so that a paler cell of the same pigment is kept.
    for first, second in ((_RED, _GREEN), (_GREEN, _BLUE)):
        hue = (looks[:, first] - looks[:, second]) / np.maximum(looks[:, _DARK], 0.02)
        middle = float(np.median(hue[likely]))
        spread = 1.48 * float(np.median(np.abs(hue[likely] - middle)))
        limit = max(5.0 * spread, 0.35) * np.where(certain, 1.6, 1.0)
        keep &= np.abs(hue - middle) < limit
    return keep
