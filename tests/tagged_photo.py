"""Puts a printed vessel tag into a simulated photo, in the plane of the card."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from densitycam.card.tag_drawing import draw_tags
from densitycam.card.tags import TAG_FRONT_MM, TAG_WIDTH_MM, TagSheet, tag_sheets
from densitycam.photo.card_finder import find_card, project

if TYPE_CHECKING:
    import numpy as np

_PX_PER_MM = 6
#: Paper's code in the pasted tag: as bright as the card about it.
_PAPER = 0.85

#: Where the tag's top left corner lies, from the sheet's [mm], and its scale.
PLACES = {
    "beside, at the right": (301.0, 150.0, 1.0),
    "over the top edge, left": (60.0, 0.0, 1.0),
    "over the top edge, right": (150.0, 0.0, 1.0),
    "over bars beside the vessel": (58.0, 60.0, 0.6),
    "over grey steps": (14.0, 100.0, 1.0),
    "over colours and a marker": (2.0, 120.0, 0.5),
}


def sheet_picture(sheet: TagSheet, px_per_mm: float) -> np.ndarray:
    """Return a whole sheet of tags: uint8, shape (height, width, 3)."""
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(draw_tags(sheet, px_per_mm=px_per_mm))
    canvas.draw()
    return np.array(canvas.buffer_rgba())[..., :3].copy()


def tag_picture(number: int) -> np.ndarray:
    """Return a tag's front: uint8, shape (height, width, 3)."""
    (sheet,) = tag_sheets([(number, f"vessel {number}")])
    (tag,) = sheet.tags
    pixels = sheet_picture(sheet, _PX_PER_MM)
    top, left = round(tag.fold_y_mm * _PX_PER_MM), round(tag.outline.x_mm * _PX_PER_MM)
    height, width = round(TAG_FRONT_MM * _PX_PER_MM), round(TAG_WIDTH_MM * _PX_PER_MM)
    return pixels[top : top + height, left : left + width]


def with_tag(rgb: np.ndarray, number: int, place: str = "beside, at the right") -> np.ndarray:
    """Return a photo of the card with a tag at one of `PLACES`; uint8, shape (H, W, 3)."""
    import cv2
    import numpy as np

    x, y, scale = PLACES[place]
    tag = cv2.GaussianBlur(tag_picture(number), (0, 0), 1.2)
    high, wide = tag.shape[:2]
    w, h = scale * TAG_WIDTH_MM, scale * TAG_FRONT_MM
    there = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
    there = project(find_card(rgb).sheet_to_photo, there).astype(np.float32)
    here = np.array([(0, 0), (wide, 0), (wide, high), (0, high)], np.float32)
    warp = cv2.getPerspectiveTransform(here, there)
    size = (rgb.shape[1], rgb.shape[0])
    layer = cv2.warpPerspective((tag * _PAPER).astype(np.uint8), warp, size, flags=cv2.INTER_AREA)
    inside = cv2.warpPerspective(np.full((high, wide), 255, np.uint8), warp, size) > 127
    return np.where(inside[..., None], layer, rgb)


def write_tagged(source: Path, target: Path, *numbers: int) -> None:
    """Save a photo again with tags in it, its EXIF kept; a second tag hangs over the top edge."""
    import numpy as np
    from PIL import Image

    with Image.open(source) as image:
        exif, rgb = image.getexif(), np.asarray(image.convert("RGB"))
    for number, place in zip(numbers, PLACES, strict=False):
        rgb = with_tag(rgb, number, place)
    Image.fromarray(rgb).save(target, "JPEG", quality=92, exif=exif)
