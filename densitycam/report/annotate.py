"""Draw on the photo what was measured where, with the answer in a panel below it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from densitycam.calibration.estimate import Estimate, signs_with
from densitycam.card.layout import CardLayout, Rect
from densitycam.culture.advice import Advice
from densitycam.flags import FLAGS
from densitycam.report.figures import SKY_BLUE, VERMILION, YELLOW
from densitycam.report.numbers import format_density, significant
from densitycam.report.picture import (
    INK_RGB,
    PANEL_RGB,
    QUIET_RGB,
    RGBCode,
    need_rgb,
    panel_font,
    rgb_code,
)
from densitycam.report.text import checked_text
from densitycam.vessel.bars import CENTRAL_SHARE, SHADOW_MM
from densitycam.vessel.reading import Reading

if TYPE_CHECKING:
    import numpy as np
    from PIL import ImageDraw, ImageFont

#: A larger photo is shrunk to this width before it is drawn on [px].
LARGEST_WIDTH = 1600

#: Colours of the marks (Okabe & Ito 2008): they stay apart for the colour-blind, and on green.
THROUGH_RGB = rgb_code(VERMILION)
BESIDE_RGB = rgb_code(SKY_BLUE)
GREYS_RGB = rgb_code(YELLOW)
CARD_RGB = (255, 255, 255)

_CASING = (20, 28, 28)
_SIGN = (176, 66, 0)

#: Colour and meaning of the marks.
LEGEND = (
    (THROUGH_RGB, "bars seen through the culture"),
    (BESIDE_RGB, "the same bars beside the vessel"),
    (GREYS_RGB, "grey steps: light and tone"),
)


def picture_scale(width_px: int) -> float:
    """Return output pixels per photo pixel, at most 1.

    Parameters
    ----------
    width_px : int
        Width of the photo, > 0 [px].
    """
    return min(1.0, LARGEST_WIDTH / width_px)


def reference_areas(layout: CardLayout, reading: Reading) -> tuple[Rect, ...]:
    """Return where the undisturbed bars are read beside the vessel.

    Parameters
    ----------
    layout : CardLayout
        The card.
    reading : Reading
        The measurement.

    Returns
    -------
    tuple of Rect
        One or two areas on the sheet [mm], clear of the vessel's own tinted shadow.
    """
    field, out = layout.bar_field, reading.outline
    sides = (
        (field.x_mm + 2.0, out.left_mm - SHADOW_MM),
        (out.right_mm + SHADOW_MM, field.right_mm - 2.0),
    )
    areas = tuple(
        Rect(x0, field.y_mm, x1 - x0, field.height_mm) for x0, x1 in sides if x1 - x0 >= 4.0
    )
    return areas or tuple(
        Rect(x, field.y_mm, 4.0, field.height_mm) for x in (field.x_mm + 1, field.right_mm - 5)
    )


def read_area(layout: CardLayout, reading: Reading, *, shape: str) -> Rect:
    """Return the part of the vessel through which bars were read, from its first to last row.

    Parameters
    ----------
    layout : CardLayout
        The card.
    reading : Reading
        The measurement.
    shape : {"cylinder", "flat", "bag"}
        The vessel's shape.

    Returns
    -------
    Rect
        On the sheet [mm].
    """
    out = reading.outline
    bar = layout.bars[0].rect.height_mm
    width = (out.right_mm - out.left_mm) * CENTRAL_SHARE[shape]
    x = (out.left_mm + out.right_mm - width) / 2
    if out.read_left_mm is not None and out.read_right_mm is not None:
        x, width = out.read_left_mm, out.read_right_mm - out.read_left_mm
    if not reading.rows:
        return Rect(x, out.top_mm, width, out.bottom_mm - out.top_mm)
    heights = [row.height_mm for row in reading.rows]
    top = layout.base_line_y_mm - max(heights) - bar
    return Rect(x, top, width, max(heights) - min(heights) + 2 * bar)


def mark(
    upright_rgb: np.ndarray,
    sheet_to_photo: np.ndarray,
    layout: CardLayout,
    reading: Reading,
    *,
    shape: str = "cylinder",
) -> np.ndarray:
    """Draw the measured areas on the photo.

    Parameters
    ----------
    upright_rgb : ndarray of uint8, shape (H, W, 3)
        The photo.
    sheet_to_photo : ndarray of float64, shape (3, 3)
        Homography from the sheet's millimetres to the photo's pixels.
    layout : CardLayout
        The card seen.
    reading : Reading
        The measurement.
    shape : {"cylinder", "flat", "bag"}, default "cylinder"
        The vessel's shape: how much of its width was read.

    Returns
    -------
    ndarray of uint8, shape (H', W', 3)
        The photo, shrunk to at most `LARGEST_WIDTH`; `LEGEND` tells what the colours mean.

    Raises
    ------
    ValueError
        For a picture that is not uint8 RGB, or an unknown shape.
    """
    import cv2
    import numpy as np

    need_rgb(upright_rgb)
    if shape not in CENTRAL_SHARE:
        raise ValueError(f"shape must be one of {', '.join(CENTRAL_SHARE)}, not {shape!r}")
    height, width = upright_rgb.shape[:2]
    scale = picture_scale(width)
    picture: np.ndarray = upright_rgb.copy()
    if scale < 1:
        size = (round(width * scale), round(height * scale))
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    shrink = np.array([[scale, 0, (scale - 1) / 2], [0, scale, (scale - 1) / 2], [0, 0, 1]])
    to_picture = shrink @ np.asarray(sheet_to_photo, dtype=np.float64)

    card = Rect(0.0, 0.0, layout.width_mm, layout.base_line_y_mm)
    _frame(picture, to_picture, card, CARD_RGB)
    for side in (layout.grey_left, layout.grey_right):
        steps = _around(side[0].rect, side[-1].rect)
        # Those that a wide vessel hides were not read.
        if steps.right_mm < reading.outline.left_mm or steps.x_mm > reading.outline.right_mm:
            _frame(picture, to_picture, steps, GREYS_RGB)
    for area in reference_areas(layout, reading):
        _frame(picture, to_picture, area, BESIDE_RGB)
    out = reading.outline
    vessel = Rect(out.left_mm, out.top_mm, out.right_mm - out.left_mm, out.bottom_mm - out.top_mm)
    _frame(picture, to_picture, vessel, THROUGH_RGB, thin=True)
    area = read_area(layout, reading, shape=shape)
    _frame(picture, to_picture, area, THROUGH_RGB)
    for row in reading.rows:  # a tick at both sides of every row that was read
        y = layout.base_line_y_mm - row.height_mm
        for x, inward in ((area.x_mm, 1.0), (area.right_mm, -1.0)):
            tick = inward * min(3.0, area.width_mm / 4)
            _strokes(picture, to_picture, [(x, y), (x + tick, y)], THROUGH_RGB)
    return picture


def annotate(
    upright_rgb: np.ndarray,
    sheet_to_photo: np.ndarray,
    layout: CardLayout,
    reading: Reading,
    estimate: Estimate,
    advice: Advice | None,
    title: str = "",
    *,
    shape: str = "cylinder",
) -> np.ndarray:
    """Draw the measured areas on the photo and the answer below it.

    Parameters
    ----------
    upright_rgb : ndarray of uint8, shape (H, W, 3)
        The photo.
    sheet_to_photo : ndarray of float64, shape (3, 3)
        Homography from the sheet's millimetres to the photo's pixels.
    layout : CardLayout
        The card seen.
    reading : Reading
        The measurement.
    estimate : Estimate
        Cells/mL.
    advice : Advice or None
        What to do today, where known.
    title : str, default ""
        Vessel, species, day.
    shape : {"cylinder", "flat", "bag"}, default "cylinder"
        The vessel's shape: how much of its width was read.

    Returns
    -------
    ndarray of uint8, shape (H', W', 3)
        The photo, shrunk to at most `LARGEST_WIDTH`, with the panel below.

    Raises
    ------
    ValueError
        For a picture that is not uint8 RGB, or an unknown shape.
    """
    import numpy as np

    picture = mark(upright_rgb, sheet_to_photo, layout, reading, shape=shape)
    panel = _answer_panel(picture.shape[1], reading, estimate, advice, title)
    return np.vstack([picture, panel])


def _around(first: Rect, last: Rect) -> Rect:
    return Rect(first.x_mm, first.y_mm, first.width_mm, last.bottom_mm - first.y_mm)


def _frame(
    picture: np.ndarray, to_picture: np.ndarray, rect: Rect, colour: RGBCode, *, thin: bool = False
) -> None:
    corners = [
        (rect.x_mm, rect.y_mm),
        (rect.right_mm, rect.y_mm),
        (rect.right_mm, rect.bottom_mm),
        (rect.x_mm, rect.bottom_mm),
        (rect.x_mm, rect.y_mm),
    ]
    _strokes(picture, to_picture, corners, colour, thin=thin)


def _strokes(
    picture: np.ndarray,
    to_picture: np.ndarray,
    points_mm: Sequence[tuple[float, float]],
    colour: RGBCode,
    *,
    thin: bool = False,
) -> None:
    """Draw a line through points of the sheet, with a dark casing that shows on white and black."""
    import cv2
    import numpy as np

    points = np.column_stack([np.array(points_mm, dtype=np.float64), np.ones(len(points_mm))])
    seen = points @ to_picture.T
    pixels = seen[:, :2] / seen[:, 2:]
    line = max(2, round(picture.shape[1] / 450))
    line = max(1, line // 2) if thin else line
    fixed = np.round(pixels * 16).astype(np.int32)[None]  # sixteenths of a pixel
    for thickness, code in ((line + 2, _CASING), (line, colour)):
        cv2.polylines(picture, fixed, False, code, thickness, cv2.LINE_AA, shift=4)


def _wrap(text: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, width: float) -> list[str]:
    """Break text into lines that fit a width in pixels; a single word may exceed it."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and font.getlength(longer) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _answer_lines(
    reading: Reading, estimate: Estimate, advice: Advice | None, title: str
) -> list[tuple[str, float, RGBCode]]:
    """Return the panel's paragraphs with their size (1 = plain) and colour."""
    density, _, limits = format_density(estimate).partition(" (")
    lines: list[tuple[str, float, RGBCode]] = []
    if title:
        lines.append((title, 0.95, QUIET_RGB))
    lines.append((density, 2.0, INK_RGB))
    if limits:
        unit = density.removesuffix(" cells/mL").partition(" ")[2]
        limits = limits.rstrip(")").replace("95 %:", "95 % interval:")
        lines.append((f"{limits} {unit}".rstrip(), 1.15, INK_RGB))
    lines += [(text, 0.9, QUIET_RGB) for text in (checked_text(estimate), *estimate.notes)]
    if advice is not None:
        lines.append((advice.headline, 1.35, INK_RGB))
    lines += [
        (f"{FLAGS[n].title.capitalize()}. {FLAGS[n].advice}", 1.0, _SIGN)
        for n in FLAGS
        if n in signs_with(estimate, reading.flags)
    ]
    return lines


def _answer_panel(
    width: int, reading: Reading, estimate: Estimate, advice: Advice | None, title: str
) -> np.ndarray:
    import numpy as np
    from PIL import Image, ImageDraw

    unit = width / 42
    pad = 1.1 * unit
    wide = width >= 700
    answer_width = width * 0.58 - pad if wide else width - 2 * pad
    left: list[tuple[list[str], float, RGBCode]] = [
        (_wrap(text, panel_font(size * unit), answer_width), size, colour)
        for text, size, colour in _answer_lines(reading, estimate, advice, title)
    ]
    left_height = sum(len(lines) * size * 1.25 * unit + 0.35 * unit for lines, size, _ in left)
    legend_height = (len(LEGEND) + 1) * 1.55 * unit
    body = max(left_height, legend_height) if wide else left_height + legend_height + unit
    image = Image.new("RGB", (width, round(body + 2 * pad)), PANEL_RGB)
    draw = ImageDraw.Draw(image)
    y = pad
    for lines, size, colour in left:
        font = panel_font(size * unit)
        for line in lines:
            draw.text((pad, y), line, fill=colour, font=font)
            y += size * 1.25 * unit
        y += 0.35 * unit
    _draw_legend(
        draw,
        x=width * 0.62 if wide else pad,
        y=pad if wide else y + unit,
        unit=unit,
        path_mm=reading.path_mm,
    )
    return np.array(image)


def _draw_legend(
    draw: ImageDraw.ImageDraw, *, x: float, y: float, unit: float, path_mm: float
) -> None:
    font = panel_font(0.88 * unit)
    for colour, text in LEGEND:
        box = (x, y + 0.1 * unit, x + 1.5 * unit, y + 1.05 * unit)
        draw.rectangle(box, outline=_CASING, width=max(3, round(unit / 4)))
        inner = (box[0] + 1, box[1] + 1, box[2] - 1, box[3] - 1)
        draw.rectangle(inner, outline=colour, width=max(2, round(unit / 6)))
        draw.text((x + 2.0 * unit, y), text, fill=INK_RGB, font=font)
        y += 1.55 * unit
    draw.text((x, y), f"light path {significant(path_mm, 3)} mm", fill=QUIET_RGB, font=font)
