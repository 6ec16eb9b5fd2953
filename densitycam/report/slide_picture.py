"""Draw what was counted in a slide photo, square by square, for the keeper to check."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from densitycam.counting.chambers import chamber_by_name, unit_by_name
from densitycam.counting.slide_photo import SlidePhoto, SquareCount
from densitycam.report.figures import BLUE, PURPLE, SKY_BLUE, VERMILION
from densitycam.report.numbers import significant
from densitycam.report.picture import (
    INK_RGB,
    PANEL_RGB,
    QUIET_RGB,
    need_rgb,
    panel_font,
    rgb_code,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from PIL import ImageDraw

__all__ = ["slide_lines", "slide_picture"]

#: Colours of the marks (Okabe & Ito 2008): they stay apart for the colour-blind, and on cells.
SQUARE_RGB = rgb_code(BLUE)
COUNTED_RGB = rgb_code(VERMILION)
ON_LINE_RGB = rgb_code(PURPLE)
LEFT_OUT_RGB = rgb_code(SKY_BLUE)

#: The picture is this wide at most, and a cell so wide at least where that allows it [px].
_WIDEST, _CELL_PX = 2800, 14.0
#: Width below which the picture is not shrunk or left [px].
_NARROWEST = 1400
#: Shown round the squares, share of a square's side.
_ROUND = 0.12

_LEGEND = (
    (COUNTED_RGB, "counted, inside the square"),
    (ON_LINE_RGB, "counted, on a top or left line"),
    (LEFT_OUT_RGB, "not counted: on a bottom or right line"),
)


def slide_lines(photo: SlidePhoto) -> list[tuple[str, str]]:
    """Return what was found as labelled paragraphs.

    Parameters
    ----------
    photo : SlidePhoto
        What was found, corrections included.

    Returns
    -------
    list of (str, str)
        Label and text.

    Raises
    ------
    DensitycamError
        For a chamber or field that is not known.
    """
    chamber = chamber_by_name(photo.chamber)
    area = unit_by_name(chamber, photo.unit).area_mm2
    n = len(photo.squares)
    on_lines = sum(square.on_lines for square in photo.squares)
    left_out = sum(square.left_out for square in photo.squares)
    lines = [
        (
            "Slide",
            f"{chamber.title}, {n} whole {photo.unit} square{'' if n == 1 else 's'} of "
            f"{area:g} mm2 in sight, turned {photo.rotation_deg:.0f} degrees, "
            f"{significant(photo.px_per_um, 2)} pixels a micrometre",
        ),
        ("Squares", "   ".join(_square_text(square) for square in photo.squares)),
        (
            "Cells",
            f"{sum(photo.counts)} in all"
            + (
                f", about {significant(photo.diameter_um, 2)} um across"
                if math.isfinite(photo.diameter_um)
                else ""
            ),
        ),
        (
            "Edges",
            "a cell on a square's top or left line counts in it, one on its bottom or right line "
            f"does not (common practice): {on_lines} counted on lines, {left_out} left to the "
            "neighbour",
        ),
    ]
    changed = [square for square in photo.squares if square.correction is not None]
    if changed:
        lines.append(
            (
                "Corrected",
                ", ".join(f"square {s.number} from {s.found} to {s.correction}" for s in changed),
            )
        )
    return lines


def _square_text(square: SquareCount) -> str:
    return f"{square.number}: {square.cells}"


def slide_picture(rgb: np.ndarray, photo: SlidePhoto, *, title: str = "") -> np.ndarray:
    """Draw squares, numbers, counts and every cell on the photo, with a panel below.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        The photo at the size at which it was counted.
    photo : SlidePhoto
        What was found.
    title : str, default ""
        Vessel, file, day.

    Returns
    -------
    ndarray of uint8, shape (H', W', 3)
        The part of the photo that holds the squares, and the panel.

    Raises
    ------
    ValueError
        For a picture that is not uint8 RGB.
    """
    import cv2
    import numpy as np

    need_rgb(rgb)
    corners = np.array([square.corners_px for square in photo.squares])
    side = float(np.hypot(*(corners[0, 1] - corners[0, 0])))
    low = np.maximum(np.floor(corners.min(axis=(0, 1)) - _ROUND * side), 0).astype(int)
    high = np.minimum(
        np.ceil(corners.max(axis=(0, 1)) + _ROUND * side), [rgb.shape[1], rgb.shape[0]]
    ).astype(int)
    part = rgb[low[1] : high[1], low[0] : high[0]]
    width = part.shape[1]
    across = photo.diameter_um * photo.px_per_um
    wanted = _CELL_PX / across if math.isfinite(across) else 1.0
    scale = min(max(wanted, _NARROWEST / width), _WIDEST / width, 4.0)
    size = (round(part.shape[1] * scale), round(part.shape[0] * scale))
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    picture = cv2.resize(part, size, interpolation=method)

    def at(x: float, y: float) -> tuple[float, float]:
        return ((x - low[0] + 0.5) * scale, (y - low[1] + 0.5) * scale)

    line = max(2, round(size[0] / 900))
    for square in photo.squares:
        outline = np.array([at(x, y) for x, y in square.corners_px])
        fixed = np.round(outline * 16).astype(np.int32)
        cv2.polylines(picture, [fixed], True, SQUARE_RGB, line, cv2.LINE_AA, shift=4)
    # Numbers without a plate, under the circles: no cell may be hidden.
    picture = _numbered(picture, photo, at, side * scale)
    for cell in photo.cells:
        if cell.square is None and not cell.on_line:
            continue
        colour = LEFT_OUT_RGB if cell.square is None else COUNTED_RGB
        if cell.square is not None and cell.on_line:
            colour = ON_LINE_RGB
        x, y = at(cell.x_px, cell.y_px)
        radius = cell.diameter_px * scale / 2 + 2.5 * line
        centre = (round(x * 16), round(y * 16))
        cv2.circle(picture, centre, round(radius * 16), colour, line, cv2.LINE_AA, shift=4)
    return np.vstack([picture, _panel(picture.shape[1], photo, title)])


def _numbered(
    picture: np.ndarray,
    photo: SlidePhoto,
    at: Callable[[float, float], tuple[float, float]],
    side: float,
) -> np.ndarray:
    """Write each square's number and count into its top left corner, upright."""
    import numpy as np
    from PIL import Image, ImageDraw

    image = Image.fromarray(picture)
    draw = ImageDraw.Draw(image)
    size = min(max(16.0, 0.085 * side), 0.03 * picture.shape[1])
    big, small = panel_font(1.15 * size), panel_font(0.8 * size)
    for square in photo.squares:
        corners = np.array([at(x, y) for x, y in square.corners_px])
        # A little way from the corner towards the middle, so that it stays in its square.
        inner = corners[0] + 0.3 * (corners.mean(axis=0) - corners[0])
        number, count = str(square.number), f"{square.cells} cells"
        if square.correction is not None:
            count = f"{square.cells} by hand"
        halo = {"anchor": "mm", "stroke_width": round(size / 7), "stroke_fill": (255, 255, 255)}
        for text, font, fill, down in (
            (number, big, SQUARE_RGB, -0.32),
            (count, small, INK_RGB, 0.72),
        ):
            draw.text((inner[0], inner[1] + down * size), text, font=font, fill=fill, **halo)
    return np.array(image)


def _panel(width: int, photo: SlidePhoto, title: str) -> np.ndarray:
    """Return the legend and the totals."""
    import numpy as np
    from PIL import Image, ImageDraw

    unit = min(width / 46, 34.0)
    n = len(photo.squares)
    left = [
        (title, 0.85, QUIET_RGB),
        (f"{sum(photo.counts)} cells in {n} square{'' if n == 1 else 's'}", 1.5, INK_RGB),
        ("found by the program: look at every square before you accept", 0.85, INK_RGB),
        ("wrong in square 3? add --correct 3=41; right? add --accept", 0.85, QUIET_RGB),
    ]
    image = Image.new("RGB", (width, round(8.2 * unit)), PANEL_RGB)
    draw: ImageDraw.ImageDraw = ImageDraw.Draw(image)
    y = 0.9 * unit
    for text, size, colour in left:
        if text:
            draw.text((unit, y), text, font=panel_font(size * unit), fill=colour)
            y += 1.45 * size * unit
    font = panel_font(0.85 * unit)
    y = 1.2 * unit
    for colour, text in _LEGEND:
        x = width * 0.56
        box = (x, y, x + unit, y + unit)
        draw.ellipse(box, outline=colour, width=max(2, round(unit / 7)))
        draw.text((x + 1.6 * unit, y + unit / 2), text, font=font, fill=INK_RGB, anchor="lm")
        y += 1.7 * unit
    return np.array(image)
