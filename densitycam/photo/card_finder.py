"""Finds the card in a photo: edition, place to sub-pixel accuracy, and the camera's pose."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from densitycam.card.layout import (
    MARKER_DICTIONARY,
    MARKER_ID_BASE,
    CardLayout,
    Rect,
    card_layout,
)
from densitycam.card.tags import TAG_IDS
from densitycam.errors import PhotoRefusedError
from densitycam.flags import FLAGS
from densitycam.photo.decode import FIRST_SIDE_PX, LinearPhoto, decode_photo
from densitycam.photo.quantiles import median

if TYPE_CHECKING:
    import numpy as np

#: Markers that must stand in their right places; with two, chance finds could pass.
FEWEST_MARKERS = 3

#: Pixels a millimetre of card below which the bars cannot be read: two pixels a millimetre give
#: a 10 mm bar 20 rows and a marker module 4 pixels (detection 87 % and falling below).
FEWEST_PX_PER_MM = 2.0

#: Pixels a millimetre of card from which a photo decoded at `FIRST_SIDE_PX` serves; below, it is
#: decoded once more, finer.
ENOUGH_PX_PER_MM = 2.4

#: Markers found in the picture at half its scale that suffice to look no further.
_ENOUGH_MARKERS = 8

#: A vessel tag is as large as the card's markers: what on the sheet would be a square between these
#: shares of their area, with a dark border and this share of light places inside it, may be one.
_TAG_AREA, _TAG_LIGHT = (0.4, 2.0), 0.1

#: Largest angle between the line of sight and the card's normal [degree].
LARGEST_TILT_DEG = 32.0

#: Steepest change from one pixel to the next, as a share of the picture's whole range, below
#: which no edge is sharp: a Gaussian blur of 5 px leaves 0.08.
SHARP_STEP = 0.10

#: Focal length over the picture's long side [1] where the photo does not say it: a phone's main
#: camera sees about 26 mm equivalent, and is often zoomed or cropped. How much it strays, and how
#: much where the photo does say it, for a crop is seldom written down [natural log].
_USUAL_FOCAL_SHARE, _UNTOLD_STRAY, _TOLD_STRAY = 30.0 / 36.0, 0.30, 0.15

#: No farther from that, either way [natural log]: what a one-sided crop makes of the perspective
#: may look like any focal length.
_MOST_STRAY = 0.7

#: How far a corner found at half the scale may lie from where the others tell [px of the whole].
_ROUGH_PX = 5.0

#: A picture narrower than this holds no card, and is too small for the detector [px].
_SMALLEST_PX = 32

#: Modules along a marker's side: six of its code, and the black border's two.
_MODULES = 8

#: Finest step of the search for the focal length, as a share of how much it strays.
_FINEST_STEP = 0.15

#: Corners of markers are believed no better than this [px]: lenses bend a little.
_LEAST_CORNER_PX = 0.5


@dataclass(frozen=True)
class CardFix:
    """Where the card is in the photo.

    Parameters
    ----------
    layout : CardLayout
        The edition that was found.
    sheet_to_photo : ndarray of float64, shape (3, 3)
        Homography from the sheet's millimetres to photo pixels.
    marker_ids : tuple of int
        Markers that fit, ascending.
    misfit_px : float
        Root mean square of the corners' distance from the homography [px].
    px_per_mm : float
        Mean scale over the bar field [px/mm].
    tilt_deg : float
        Angle between the line of sight to the bar field's middle and the card's normal [degree].
    camera_mm : ndarray of float64, shape (3,)
        Camera's place in the sheet's frame [mm]: x right, y down, z out of the card.
    tags : tuple of int
        Ids of the vessel tags in the picture, rising.
    """

    layout: CardLayout
    sheet_to_photo: np.ndarray
    marker_ids: tuple[int, ...]
    misfit_px: float
    px_per_mm: float
    tilt_deg: float
    camera_mm: np.ndarray
    tags: tuple[int, ...] = ()


def _corners_mm(rect: Rect) -> list[tuple[float, float]]:
    """Return a rectangle's corners clockwise from the top left, as OpenCV orders a marker's."""
    return [
        (rect.x_mm, rect.y_mm),
        (rect.right_mm, rect.y_mm),
        (rect.right_mm, rect.bottom_mm),
        (rect.x_mm, rect.bottom_mm),
    ]


def refuse(flag: str, found: str = "") -> PhotoRefusedError:
    """Return the refusal of a gate, its words taken from the registry, `found` added.

    Parameters
    ----------
    flag : str
        Id in `FLAGS` of the gate.
    found : str, default ""
        What was measured, with its unit; it stands in brackets after the meaning.

    Raises
    ------
    KeyError
        For an id that is not in the registry.
    """
    gate = FLAGS[flag]
    meaning = gate.meaning if not found else f"{gate.meaning.rstrip('.')} ({found})."
    return PhotoRefusedError(meaning, gate.advice, flag=flag)


@cache
def _editions() -> tuple[CardLayout, ...]:
    return tuple(card_layout(paper) for paper in MARKER_ID_BASE)


@cache
def _detector() -> Any:
    """Return the thorough detector: any marker of the dictionary, in any light."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    return cv2.aruco.ArucoDetector(dictionary, _parameters())


def _parameters() -> Any:
    import cv2

    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 4
    return parameters


@cache
def _card_detector() -> Any:
    """Return the quick detector: the card's own markers, in light that is much the same over one.

    A square is held against every marker of the dictionary, which takes most of the time: 32 in
    place of 250. One threshold serves where the thorough one tries three.
    """
    import cv2

    whole = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    last = max(m.id for edition in _editions() for m in edition.markers)
    own = cv2.aruco.Dictionary(
        whole.bytesList[: last + 1], whole.markerSize, whole.maxCorrectionBits
    )
    parameters = _parameters()
    parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = 23
    return cv2.aruco.ArucoDetector(own, parameters)


def _markers(grey: np.ndarray) -> dict[int, np.ndarray]:
    """Return the corners of the markers in a grey picture, float32, shape (4, 2), by id.

    Looked for at half the scale first, where a thorough search is not wanted; the corners are
    always those of the whole scale.
    """
    import cv2
    import numpy as np

    half = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    corners, ids, others = _card_detector().detectMarkers(half)
    if ids is None or len(ids) < _ENOUGH_MARKERS:
        return _all_markers(grey)
    # A pixel of the half picture covers two: its centre lies half a pixel further on.
    by_id = {i: 2.0 * c.reshape(4, 2) + 0.5 for i, c in _of_one_card(ids, corners).items()}
    layout, here, there = _best_edition(by_id)
    homography = None
    if layout is not None:
        homography = cv2.findHomography(here, there, cv2.RANSAC, _ROUGH_PX)[0]
    if layout is None or homography is None:
        return _all_markers(grey)
    to_sheet = np.linalg.inv(homography)
    if any(_may_be_tag(2.0 * o.reshape(4, 2) + 0.5, layout, to_sheet, grey) for o in others):
        return _all_markers(grey)
    # A corner may be found a module off where something dark adjoins it; together they tell better
    # where each one is.
    expected = project(homography, here).reshape(-1, 4, 2)
    last = np.array(grey.shape[::-1]) - 1
    if not np.all((expected >= 0) & (expected <= last)):  # also nan; no corner to refine is there
        return _all_markers(grey)
    ids_here = [m.id for m in layout.markers if m.id in by_id]
    return dict(zip(ids_here, _refined(grey, expected), strict=True))


def _all_markers(grey: np.ndarray) -> dict[int, np.ndarray]:
    corners, ids, _ = _detector().detectMarkers(grey)
    return {} if ids is None else _of_one_card(ids, corners)


def _of_one_card(ids: np.ndarray, corners: Sequence[np.ndarray]) -> dict[int, np.ndarray]:
    """Return the corners of markers by id; of one that was found twice, the larger.

    Raises
    ------
    PhotoRefusedError
        "two-cards" where several were found twice, each at its own place: markers of both would be
        mixed, and nobody could say whose vessel was read.
    """
    import cv2
    import numpy as np

    found: dict[int, np.ndarray] = {}
    twice = set()
    for number, marker in zip(ids.ravel().tolist(), corners, strict=True):
        other = found.setdefault(int(number), marker)
        if other is marker:
            continue
        here, there = marker.reshape(4, 2), other.reshape(4, 2)
        side = np.linalg.norm(np.diff(there, axis=0), axis=1).max()
        if np.linalg.norm(here.mean(axis=0) - there.mean(axis=0)) > side:
            twice.add(number)
        if cv2.contourArea(here) > cv2.contourArea(there):
            found[int(number)] = marker
    if len(twice) >= FEWEST_MARKERS:
        raise refuse("two-cards")
    return found


def _refined(grey: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """Return corners, shape (N, 4, 2), to sub-pixel accuracy: each marker by its own module."""
    import cv2
    import numpy as np

    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    module = float(median(sides.reshape(-1))) / _MODULES
    reach = int(min(max(round(0.5 * module), 2), 4))
    until = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 30, 0.05)
    points = np.ascontiguousarray(corners.reshape(-1, 1, 2), dtype=np.float32)
    return cv2.cornerSubPix(grey, points, (reach, reach), (-1, -1), until).reshape(-1, 4, 2)


def _may_be_tag(
    corners: np.ndarray, layout: CardLayout, to_sheet: np.ndarray, grey: np.ndarray
) -> bool:
    """Tell whether a square may be a vessel's tag, where it is worth a thorough look.

    As large as the card's markers, not over its markers, grey steps and colours, where no tag may
    stand, dark all round and light in places within.
    """
    import cv2
    import numpy as np

    on_sheet = project(to_sheet, corners.astype(np.float64))
    marker = layout.markers[0].rect
    area = cv2.contourArea(on_sheet.astype(np.float32)) / (marker.width_mm * marker.height_mm)
    if not _TAG_AREA[0] < area < _TAG_AREA[1]:
        return False
    x, y = on_sheet.mean(axis=0).tolist()
    patches = (*layout.grey_left, *layout.grey_right, *layout.colours)
    for rect in (*(m.rect for m in layout.markers), *(p.rect for p in patches)):
        if rect.x_mm < x < rect.right_mm and rect.y_mm < y < rect.bottom_mm:
            return False
    size = 4 * _MODULES
    flat = np.array([[0, 0], [size, 0], [size, size], [0, size]], np.float32) - np.float32(0.5)
    square = cv2.warpPerspective(
        grey, cv2.getPerspectiveTransform(corners, flat), (size, size), flags=cv2.INTER_LINEAR
    )
    middle = 0.5 * (float(square.min()) + float(square.max()))
    inside = square[6:-6, 6:-6]
    border = np.r_[square[1:3].ravel(), square[-3:-1].ravel(),
                   square[:, 1:3].ravel(), square[:, -3:-1].ravel()]  # fmt: skip
    return bool(np.mean(inside > middle) > _TAG_LIGHT and np.mean(border > middle) < _TAG_LIGHT)


def find_tags(rgb: np.ndarray) -> tuple[int, ...]:
    """Return the ids of the vessel tags in a picture.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        Upright or not.

    Returns
    -------
    tuple of int
        Rising, each once, all in `TAG_IDS`; empty without any.
    """
    import cv2

    if min(rgb.shape[:2]) < _SMALLEST_PX:
        return ()
    ids = _detector().detectMarkers(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY))[1]
    return () if ids is None else _tags_among(ids.ravel().tolist())


def _tags_among(ids: Iterable[int]) -> tuple[int, ...]:
    return tuple(sorted({int(i) for i in ids if i in TAG_IDS}))


def decode_with_card(path: str | Path) -> tuple[LinearPhoto, CardFix]:
    """Decode a photo no finer than its card needs, and find the card.

    Parameters
    ----------
    path : str or Path
        As for `densitycam.photo.decode.decode_photo`.

    Returns
    -------
    LinearPhoto
        At the coarser of two scales where the card has `ENOUGH_PX_PER_MM` there.
    CardFix
        Where the card is in it.

    Raises
    ------
    DensitycamError, PhotoRefusedError
        As `densitycam.photo.decode.decode_photo` and `find_card`.
    """
    photo = decode_photo(path, side_px=FIRST_SIDE_PX)
    try:
        fix = find_card(photo.rgb, focal_35mm=photo.focal_35mm)
    except PhotoRefusedError:
        if not photo.may_be_finer:
            raise
    else:
        if fix.px_per_mm >= ENOUGH_PX_PER_MM or not photo.may_be_finer:
            return photo, fix
    photo = decode_photo(path)
    return photo, find_card(photo.rgb, focal_35mm=photo.focal_35mm)


def find_card(rgb: np.ndarray, *, focal_35mm: float | None = None) -> CardFix:
    """Find the card by its markers.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        Upright or turned photo; the markers tell which way is up.
    focal_35mm : float or None
        35 mm equivalent focal length [mm] where the photo says it. Seen at an angle, the card
        tells it better.

    Returns
    -------
    CardFix
        Edition, place, and pose.

    Raises
    ------
    PhotoRefusedError
        "two-cards" where markers are there twice, "no-card" with fewer than three in their right
        places, "mirrored" where they are found only in the mirror picture, "card-cut" where the
        bar field leaves the picture, "too-small", "tilted".
    """
    import cv2
    import numpy as np

    if min(rgb.shape[:2]) < _SMALLEST_PX:
        raise refuse("too-small", f"the picture is {rgb.shape[1]} x {rgb.shape[0]} pixels")
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    seen = _markers(grey)
    layout, here, there = _best_edition(seen)
    if layout is None:
        mirrored = _detector().detectMarkers(grey[:, ::-1])[1]
        if mirrored is not None and len(mirrored) >= FEWEST_MARKERS:
            raise refuse("mirrored")
        _explain_no_markers(grey)
        raise refuse("no-card", f"{len(seen)} of {FEWEST_MARKERS} needed")
    homography, inside = cv2.findHomography(here, there, cv2.RANSAC, 0.004 * max(grey.shape))
    ids_here = [m.id for m in layout.markers if m.id in seen]
    ok: np.ndarray = np.zeros(0, bool)
    if homography is not None:
        ok = np.all(inside.reshape(-1, 4), axis=1)
    if int(ok.sum()) < FEWEST_MARKERS:
        raise refuse("no-card", f"{int(ok.sum())} of {FEWEST_MARKERS} needed fit together")
    keep = np.repeat(ok, 4)
    homography, _ = cv2.findHomography(here[keep], there[keep], 0)
    misfit = np.sqrt(np.mean(np.sum((project(homography, here[keep]) - there[keep]) ** 2, axis=1)))

    field = np.array(_corners_mm(layout.bar_field))
    quad = project(homography, field)
    height, width = grey.shape
    if (quad < 0).any() or (quad[:, 0] > width - 1).any() or (quad[:, 1] > height - 1).any():
        raise refuse("card-cut")
    area_px = cv2.contourArea(quad.astype(np.float32))
    px_per_mm = float(np.sqrt(area_px / (layout.bar_field.width_mm * layout.bar_field.height_mm)))
    if px_per_mm < FEWEST_PX_PER_MM:
        raise refuse("too-small", f"{px_per_mm:.1f} pixels a millimetre")
    camera = _camera_place(here[keep], there[keep], grey.shape, focal_35mm, float(misfit))
    middle = np.array([*field.mean(axis=0), 0.0])
    sight = camera - middle
    tilt = float(np.degrees(np.arccos(np.clip(sight[2] / np.linalg.norm(sight), -1.0, 1.0))))
    if tilt > LARGEST_TILT_DEG:
        raise refuse("tilted", f"{tilt:.0f} degrees")
    return CardFix(
        layout=layout,
        sheet_to_photo=homography,
        marker_ids=tuple(int(i) for i, good in zip(ids_here, ok, strict=True) if good),
        misfit_px=float(misfit),
        px_per_mm=px_per_mm,
        tilt_deg=tilt,
        camera_mm=camera,
        tags=_tags_among(seen),
    )


def _explain_no_markers(grey: np.ndarray) -> None:
    """Refuse a photo that is not sharp, where that can be told without the card."""
    along_x, along_y = _sharpest_steps(grey)
    if max(along_x, along_y) < SHARP_STEP:
        raise refuse("blurred", "no edge in the middle of the picture is sharp")
    if min(along_x, along_y) < SHARP_STEP:
        raise refuse(
            "no-card", "edges are soft one way: if the card is in the picture, the phone moved"
        )


def _sharpest_steps(grey: np.ndarray) -> tuple[float, float]:
    """Return the steepest steps of neighbouring pixels along x and y, of the picture's range.

    Only the picture's middle counts, where the card should be: a sharp background does not help.
    """
    import numpy as np

    height, width = grey.shape
    grey = grey[height // 5 : height - height // 5, width // 5 : width - width // 5]
    low, high = np.percentile(grey, (0.5, 99.5))
    along_y, along_x = (
        float(np.percentile(np.abs(np.diff(grey.astype(np.int16), axis=axis)), 99.9))
        / max(high - low, 1.0)
        for axis in (0, 1)
    )
    return along_x, along_y


def project(homography: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Map points through a homography.

    Parameters
    ----------
    homography : ndarray of float64, shape (3, 3)
        From the points' plane to the other one.
    points : ndarray of float, shape (N, 2)
        x and y in the first plane's unit.

    Returns
    -------
    ndarray of float64, shape (N, 2)
        x and y in the second plane's unit.
    """
    import numpy as np

    mapped = np.c_[points, np.ones(len(points))] @ homography.T
    xy: np.ndarray = mapped[:, :2] / mapped[:, 2:]
    return xy


def _best_edition(
    seen: dict[int, np.ndarray],
) -> tuple[CardLayout | None, np.ndarray, np.ndarray]:
    """Choose the paper whose markers are most in the picture; pair their corners, mm and px."""
    import numpy as np

    layout = max(_editions(), key=lambda e: sum(m.id in seen for m in e.markers))
    found = [m for m in layout.markers if m.id in seen]
    if len(found) < FEWEST_MARKERS:
        return None, np.empty((0, 2)), np.empty((0, 2))
    here = np.array([c for m in found for c in _corners_mm(m.rect)], dtype=np.float64)
    there = np.concatenate([seen[m.id].reshape(4, 2) for m in found]).astype(np.float64)
    return layout, here, there


def _camera_place(
    here: np.ndarray, there: np.ndarray, shape: tuple[int, ...], focal_35mm: float | None,
    misfit_px: float,
) -> np.ndarray:  # fmt: skip
    """Return the camera's centre in the sheet's frame; of its focal length the most likely.

    Seen at an angle, a sheet of known size fits only one focal length; seen square on it fits
    all, and then what the photo says, or what is usual, decides.
    """
    import cv2
    import numpy as np

    height, width = shape[:2]
    told = focal_35mm is not None and 12 < focal_35mm < 150
    share = focal_35mm / 36.0 if told and focal_35mm else _USUAL_FOCAL_SHARE
    stray = _TOLD_STRAY if told else _UNTOLD_STRAY
    flat = np.c_[here, np.zeros(len(here))]
    noise = max(misfit_px, _LEAST_CORNER_PX)

    def pose(log_ratio: float) -> tuple[float, np.ndarray]:
        focal = share * np.exp(log_ratio) * max(height, width)
        matrix = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
        _, turn, shift = cv2.solvePnP(flat, there, matrix, None, flags=cv2.SOLVEPNP_IPPE)
        seen = cv2.projectPoints(flat, turn, shift, matrix, None)[0].reshape(-1, 2)
        cost = float(np.sum((seen - there) ** 2)) / noise**2 + (log_ratio / stray) ** 2
        rotation, _ = cv2.Rodrigues(turn)
        return cost, (-rotation.T @ shift).ravel()

    costs: dict[float, float] = {}

    def cost(log_ratio: float) -> float:
        if log_ratio not in costs:
            costs[log_ratio] = pose(log_ratio)[0]
        return costs[log_ratio]

    # From the best of nine downhill, in steps that are halved at the bottom; a parabola settles the
    # rest. Square on, there may be more than one bottom.
    step = stray
    grid = np.clip(step * np.arange(-4, 5), -_MOST_STRAY, _MOST_STRAY).tolist()
    best = min(grid, key=cost)
    while True:
        lower, upper = max(best - step, -_MOST_STRAY), min(best + step, _MOST_STRAY)
        nearest = min((best, lower, upper), key=cost)
        if nearest != best:
            best = nearest
        elif step > _FINEST_STEP * stray:
            step /= 2.0
        else:
            break
    before, here_cost, after = cost(lower), cost(best), cost(upper)
    bend = before - 2 * here_cost + after
    if bend > 0 and lower < best < upper:
        best += 0.5 * step * (before - after) / bend
    camera = pose(best)[1]
    # The sheet's z axis points into the wall in a right-handed frame with y down.
    return np.array([camera[0], camera[1], -camera[2]])
