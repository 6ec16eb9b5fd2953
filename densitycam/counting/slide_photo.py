"""A slide photo becomes counts per square, by the two-edge rule, for the keeper to accept."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from densitycam.counting.chambers import chamber_by_name, unit_by_name
from densitycam.errors import DensitycamError, PhotoRefusedError

if TYPE_CHECKING:
    import numpy as np

    from densitycam.counting.cells import FoundCells
    from densitycam.counting.ruling import FoundRuling

__all__ = [
    "FoundCell",
    "SlidePhoto",
    "SquareCount",
    "corrected",
    "count_squares",
    "read_slide_photo",
]

# Shares and thresholds without another source were tuned on simulated slides: seeds 0 to 79 and
# 10000 of tests/benchmarks/slides.py.

#: Longest side at which the ruling's lines are followed [px], and finest scale for cells [px/um].
_RULING_SIDE_PX, _FINEST_PX_PER_UM = 2400, 5.0
#: Scale at which cells are told apart: so many pixels a cell are enough.
_ACROSS_PX = 16.0
#: Fewest pixels across a cell.
LEAST_ACROSS_PX = 4.5
#: Largest share of a square's area under cells that can still be counted.
MOST_COVERED = 0.30
#: Share that a diluted sample should cover, with which the dilution is worked out.
_WANTED_COVERED = 0.08
#: Standard deviation of the line's profile over a cell's diameter: above, cells run together.
MOST_BLUR = 0.30
#: Of the two lines' widths, and of the cells' mean shape: above, the picture moved.
MOST_SMEAR = 1.20
#: Round the squares, so that cells on the outer lines are whole [um].
_MARGIN_UM = 25.0
#: Off a square's lines, where what they leave behind does not reach [um].
_CLEAR_UM = 4.0


@dataclass(frozen=True)
class FoundCell:
    """One cell in the photo.

    Parameters
    ----------
    x_px, y_px : float
        Its middle in the photo [px].
    diameter_px : float
        Its diameter [px].
    square : int or None
        Number of the square in which it counts; None where it counts in none.
    on_line : bool
        Whether it touches a line of the counted squares' edges.
    """

    x_px: float
    y_px: float
    diameter_px: float
    square: int | None
    on_line: bool


@dataclass(frozen=True)
class SquareCount:
    """One square's count.

    Parameters
    ----------
    number : int
        From 1, in reading order.
    corners_px : tuple of (float, float), length 4
        Top left, top right, bottom right, bottom left in the photo [px].
    found : int
        Cells found by the machine: inside, and on the top or left line.
    on_lines : int
        How many of `found` touch the top or left line.
    left_out : int
        Cells on the bottom or right line, not counted here.
    correction : int or None
        The keeper's own count, where it was corrected.
    """

    number: int
    corners_px: tuple[tuple[float, float], ...]
    found: int
    on_lines: int
    left_out: int
    correction: int | None = None

    @property
    def cells(self) -> int:
        """The count that stands: the keeper's own where there is one."""
        return self.found if self.correction is None else self.correction


@dataclass(frozen=True)
class SlidePhoto:
    """What was found in a slide photo.

    Parameters
    ----------
    chamber, unit : str
        Chamber and kind of square, ids in `densitycam.counting.chambers`.
    squares : tuple of SquareCount
        Squares wholly in sight, in reading order.
    cells : tuple of FoundCell
        All cells found in and round the squares.
    px_per_um : float
        Scale in the middle of the photo [px/um].
    rotation_deg : float
        Turn of the ruling, clockwise, -45 to 45 [deg]; "top" is the side nearest the photo's.
    diameter_um : float
        Median diameter of the cells [um]; nan where none was found.
    covered : float
        Share of the squares' area under cells.
    file_name, sha256 : str
        Of the photo; empty where there was no file.
    taken_at : datetime or None
        When the photo was taken.
    """

    chamber: str
    unit: str
    squares: tuple[SquareCount, ...]
    cells: tuple[FoundCell, ...]
    px_per_um: float
    rotation_deg: float
    diameter_um: float
    covered: float
    file_name: str = ""
    sha256: str = ""
    taken_at: datetime | None = None

    @property
    def counts(self) -> tuple[int, ...]:
        """The counts that stand, square by square."""
        return tuple(square.cells for square in self.squares)


def read_slide_photo(
    path: str | Path,
    *,
    chamber: str = "improved-neubauer",
    unit: str | None = None,
    size_um: tuple[float, float] | None = None,
) -> tuple[SlidePhoto, np.ndarray]:
    """Count the cells in a photo of a ruled counting chamber.

    Parameters
    ----------
    path : str or Path
        Photo file, as for `densitycam.photo.decode.decode_photo`.
    chamber : str, default "improved-neubauer"
        Chamber id.
    unit : str or None, default None
        Which squares are in the photo; None finds out.
    size_um : tuple of float or None, default None
        Smallest and largest diameter that the species can have, to check the scale with [um].

    Returns
    -------
    SlidePhoto
        Counts that a person has yet to accept.
    ndarray of uint8, shape (H, W, 3)
        The pixels in which they were found, upright sRGB codes at full size, to draw on.

    Raises
    ------
    DensitycamError
        For a file that cannot be read or a chamber that is not known.
    PhotoRefusedError
        As `count_squares`, and as the decoder.
    """
    from densitycam.photo.decode import decode_photo, linear

    photo = decode_photo(path, full_size=True)
    found = count_squares(linear(photo.rgb), chamber=chamber, unit=unit, size_um=size_um)
    found = replace(found, file_name=Path(path).name, sha256=photo.sha256, taken_at=photo.taken_at)
    return found, photo.rgb


def count_squares(
    light: np.ndarray,
    *,
    chamber: str = "improved-neubauer",
    unit: str | None = None,
    size_um: tuple[float, float] | None = None,
) -> SlidePhoto:
    """Find the ruling and the cells, and count each square by the two-edge rule.

    Parameters
    ----------
    light : ndarray of float32, shape (H, W, 3)
        Linear light, 0 to 1.
    chamber : str, default "improved-neubauer"
        Chamber id.
    unit : str or None, default None
        Which squares are in the photo; None finds out.
    size_um : tuple of float or None, default None
        Smallest and largest diameter that the species can have [um].

    Returns
    -------
    SlidePhoto
        Counts of the squares wholly in sight.

    Raises
    ------
    DensitycamError
        For an unknown chamber or unit.
    PhotoRefusedError
        With flag "no-ruling", "no-square", "slide-moved", "slide-blurred", "cells-small",
        "cells-odd" or "cells-crowded".

    Notes
    -----
    A cell that touches a square's top or left line counts, one that touches its bottom or right
    line does not (common practice): a cell on a line between two squares then counts once.
    """
    import cv2

    geometry = chamber_by_name(chamber)
    if unit is not None:
        unit = unit_by_name(geometry, unit).id
    from densitycam.counting.ruling import find_ruling, flattened, squared_up

    longest = max(light.shape[:2])
    grey = light.mean(axis=2)
    shrink = min(1.0, _RULING_SIDE_PX / longest)
    if shrink < 1:
        grey = cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    ruling = _magnified(find_ruling(grey, chamber=geometry.id, unit=unit), 1 / shrink)
    shrink = min(1.0, _FINEST_PX_PER_UM / ruling.px_per_um)
    if shrink < 1:
        light = cv2.resize(light, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    seen = _magnified(ruling, shrink)
    scale = seen.px_per_um
    box = (
        min(s.left_um for s in seen.squares) - _MARGIN_UM,
        min(s.top_um for s in seen.squares) - _MARGIN_UM,
        max(s.right_um for s in seen.squares) + _MARGIN_UM,
        max(s.bottom_um for s in seen.squares) + _MARGIN_UM,
    )
    ratio, _ = flattened(light, sigma_px=max(30.0, 25.0 * scale))
    upright = squared_up(ratio, seen, box_um=box, px_per_um=scale)
    found = _cells_in(upright, seen, box, scale, full_scale=ruling.px_per_um, size_um=size_um)
    squares, cells, covered = _by_square(ruling, found)
    if covered > MOST_COVERED:
        raise _crowded(covered)
    return SlidePhoto(
        chamber=geometry.id,
        unit=ruling.motif.unit,
        squares=squares,
        cells=cells,
        px_per_um=ruling.px_per_um,
        rotation_deg=ruling.rotation_deg,
        diameter_um=found.typical_um,
        covered=covered,
    )


def corrected(photo: SlidePhoto, corrections: Mapping[int, int]) -> SlidePhoto:
    """Put the keeper's own counts in place of the machine's.

    Parameters
    ----------
    photo : SlidePhoto
        What was found.
    corrections : mapping of int to int
        Count by square number.

    Returns
    -------
    SlidePhoto
        With those counts.

    Raises
    ------
    DensitycamError
        For a square that is not in the photo, or a negative count.
    """
    known = {square.number for square in photo.squares}
    for number, count in corrections.items():
        if number not in known:
            raise DensitycamError(
                f"There is no square {number} in the picture.",
                f"The squares are numbered 1 to {len(known)}.",
            )
        if count < 0:
            raise DensitycamError(f"Square {number} cannot hold {count} cells.", "Give 0 or more.")
    return replace(
        photo,
        squares=tuple(
            replace(square, correction=int(corrections[square.number]))
            if square.number in corrections
            else square
            for square in photo.squares
        ),
    )


def _magnified(ruling: FoundRuling, times: float) -> FoundRuling:
    """Carry a ruling to the same picture at another size; pixel middles keep their place."""
    if times == 1:
        return ruling
    x, y = ((c + 0.5) * times - 0.5 for c in ruling.origin_px)
    return replace(ruling, px_per_um=ruling.px_per_um * times, origin_px=(x, y))


def _cells_in(
    upright: np.ndarray,
    ruling: FoundRuling,
    box: tuple[float, float, float, float],
    scale: float,
    *,
    full_scale: float,
    size_um: tuple[float, float] | None,
) -> FoundCells:
    """Find the cells, and refuse a picture in which they cannot be told."""
    import cv2

    from densitycam.counting.cells import (
        cell_diameter_um,
        covered_share,
        find_cells,
        without_lines,
    )

    clean = without_lines(upright, ruling, box_um=box, px_per_um=scale)
    where = _inside(ruling, box, scale, clean.shape[:2])
    covered = covered_share(clean, where, px_per_um=scale)
    # Dirt counts in it; the cells alone are judged once they are found.
    if covered > MOST_COVERED + 0.05:
        raise _crowded(covered)
    diameter = cell_diameter_um(clean, where, px_per_um=scale)
    widths = sorted(ruling.line_sigma_um)
    if widths[1] > MOST_SMEAR * widths[0] + 0.4:
        raise _moved()
    if not math.isnan(diameter):
        if diameter * full_scale < LEAST_ACROSS_PX:
            raise PhotoRefusedError(
                f"The cells are only {diameter * full_scale:.1f} pixels across.",
                "Use a stronger objective, or zoom the phone in before taking the picture.",
                flag="cells-small",
            )
        shrink = min(1.0, _ACROSS_PX / (diameter * scale))
        if shrink < 0.8:
            height, width = clean.shape[:2]
            # The box stays what it is: only its pixels grow.
            size = (round(width * shrink), round(height * shrink))
            clean = cv2.resize(clean, size, interpolation=cv2.INTER_AREA)
            scale = size[0] / (box[2] - box[0])
            where = _inside(ruling, box, scale, clean.shape[:2])
    else:
        # Nothing round stands out: an empty square, or one in which nothing is sharp.
        diameter = 4.0
    found = find_cells(
        clean, where, origin_um=(box[0], box[1]), px_per_um=scale, diameter_um=diameter
    )
    if not len(found.at_um):
        return found
    if len(found.at_um) >= 12 and found.smear > MOST_SMEAR:
        raise _moved()
    if widths[1] > MOST_BLUR * found.typical_um + 0.4:
        raise PhotoRefusedError(
            f"The picture is out of focus: its lines are {2.35 * widths[1]:.1f} um wide, "
            f"its cells {found.typical_um:.1f} um.",
            "Turn the fine focus until lines and cells are sharp on the phone's screen.",
            flag="slide-blurred",
        )
    if size_um is not None:
        low, high = size_um
        if not 0.5 * low < found.typical_um < 2.0 * high:
            raise PhotoRefusedError(
                f"At the ruling's scale the cells are {found.typical_um:.1f} um across, but this "
                f"species' are {low:g} to {high:g} um.",
                "Check --chamber and --unit: smaller squares may have been taken for larger ones.",
                flag="cells-odd",
            )
    return found


def _inside(
    ruling: FoundRuling,
    box: tuple[float, float, float, float],
    scale: float,
    shape: tuple[int, int],
) -> np.ndarray:
    """Return which pixels of the squared-up picture lie inside a square, clear of its edges."""
    import numpy as np

    inside = np.zeros(shape, bool)
    for square in ruling.squares:
        first, last = (
            [round((place - start) * scale) for place, start in zip(ends, box[:2], strict=True)]
            for ends in (
                (square.left_um + _CLEAR_UM, square.top_um + _CLEAR_UM),
                (square.right_um - _CLEAR_UM, square.bottom_um - _CLEAR_UM),
            )
        )
        inside[max(0, first[1]) : max(0, last[1]), max(0, first[0]) : max(0, last[0])] = True
    return inside


def _moved() -> PhotoRefusedError:
    return PhotoRefusedError(
        "The slide or the phone moved while the picture was taken.",
        "Use a phone holder or the timer, and more light.",
        flag="slide-moved",
    )


def _by_square(
    ruling: FoundRuling, found: FoundCells
) -> tuple[tuple[SquareCount, ...], tuple[FoundCell, ...], float]:
    """Give each cell its square by the two-edge rule; also the share of the area covered."""
    import numpy as np

    n = len(found.at_um)
    u, v = found.at_um.T if n else (np.zeros(0), np.zeros(0))
    # A cell touches a line where its edge reaches the groove.
    reach = found.diameter_um / 2 + 0.5
    home = np.zeros(n, int)
    on_line = np.zeros(n, bool)
    squares = []
    under = area = 0.0
    for square in ruling.squares:
        left, top, right, bottom = (
            square.left_um, square.top_um, square.right_um, square.bottom_um
        )  # fmt: skip
        near = (u > left - reach) & (u < right + reach) & (v > top - reach) & (v < bottom + reach)
        first = near & ((u <= left + reach) | (v <= top + reach))
        second = near & ((u >= right - reach) | (v >= bottom - reach))
        counted = near & ~second
        home[counted] = square.number
        on_line |= first | second
        under += float((math.pi / 4 * found.diameter_um[counted] ** 2).sum())
        area += (right - left) * (bottom - top)
        corners = ruling.to_px(
            np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
        )
        squares.append(
            SquareCount(
                number=square.number,
                corners_px=tuple((float(x), float(y)) for x, y in corners),
                found=int(counted.sum()),
                on_lines=int((counted & first).sum()),
                left_out=int(second.sum()),
            )
        )
    at_px = ruling.to_px(found.at_um) if n else np.zeros((0, 2))
    cells = tuple(
        FoundCell(
            float(at_px[k, 0]),
            float(at_px[k, 1]),
            float(found.diameter_um[k] * ruling.px_per_um),
            int(home[k]) or None,
            bool(on_line[k]),
        )
        for k in range(n)
    )
    return tuple(squares), cells, under / area


def _crowded(covered: float) -> PhotoRefusedError:
    times = max(2, math.ceil(covered / _WANTED_COVERED))
    return PhotoRefusedError(
        f"The squares are too crowded to be counted: {100 * covered:.0f} % of their area lies "
        "under cells.",
        f"Dilute the sample 1:{times} with clean salt water, load it again, and count with "
        f"--dilution {times}.",
        flag="cells-crowded",
    )
