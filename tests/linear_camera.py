"""A camera without faults before a card with a slab of known transmittance: truth for tests.

Light is worked out in floating point from the layout table, seen in perspective, and written
with the sRGB curve of IEC 61966-2-1, bent by an S-curve where a test asks. Nothing here comes from
the estimator.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from densitycam.card.layout import MARKER_DICTIONARY, CardLayout, Rect, card_layout

SCALE = 8  # px/mm of the flat card


def flat_card(layout: CardLayout) -> np.ndarray:
    """Draw the card's light, float32, shape (H, W, 3), paper = 1."""
    light = np.ones(
        (round(layout.height_mm * SCALE), round(layout.width_mm * SCALE), 3), np.float32
    )
    patches = [*layout.bars, *layout.grey_left, *layout.grey_right, *layout.colours]
    for patch in patches:
        light[_slices(patch.rect)] = patch.reflectance
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    for marker in layout.markers:
        place = light[_slices(marker.rect)]
        side = place.shape[0]
        bits = cv2.aruco.generateImageMarker(dictionary, marker.id, side)
        place[:] = np.where(bits[..., None] > 127, 1.0, 0.035)[:, : place.shape[1]]
    return light


def _slices(rect: Rect) -> tuple[slice, slice]:
    y0, x0 = round(rect.y_mm * SCALE), round(rect.x_mm * SCALE)
    return (
        slice(y0, y0 + round(rect.height_mm * SCALE)),
        slice(x0, x0 + round(rect.width_mm * SCALE)),
    )


def photo_of_slab(
    path: Path,
    *,
    depths: tuple[float, float, float] | None,
    veil: float = 0.0,
    width_mm: float = 60.0,
    top_mm: float = 60.0,
    exposure: float = 0.8,
    noise: float = 0.0,
    paper: str = "a4",
    turns: int = 0,
    mirror: bool = False,
    gradient: float = 0.0,
    blur_px: float = 1.0,
    crop: slice | None = None,
    quality: int = 92,
    flare: float = 0.0,
    s_curve: float = 0.0,
    **save: object,
) -> Path:
    """Write a photo of the card with a slab of optical depths `depths` (None: a bare card)."""
    layout = card_layout(paper)
    light = flat_card(layout)
    if gradient:
        across = np.linspace(1 - gradient / 2, 1 + gradient / 2, light.shape[1])
        light *= across[None, :, None].astype(np.float32)
    if depths is not None:
        middle = layout.width_mm / 2
        rect = Rect(middle - width_mm / 2, top_mm, width_mm, layout.base_line_y_mm - top_mm)
        inside = light[_slices(rect)]
        inside[:] = inside * np.exp(-np.array(depths, np.float32)) + np.float32(veil)
    height, width = light.shape[:2]
    corners = np.float32([[0, 0], [width, 0], [width, height], [0, height]])
    seen = np.float32([[180, 180], [1830, 150], [1850, 1330], [150, 1300]])
    homography = cv2.getPerspectiveTransform(corners, seen)
    soft = cv2.GaussianBlur(light, (0, 0), blur_px)
    view = cv2.warpPerspective(soft, homography, (2000, 1500), borderValue=(0.3, 0.3, 0.3))
    view = (view + flare) * exposure
    if noise:
        view = view + np.random.default_rng(1).normal(0, noise, view.shape)
    view = np.clip(view, 0, 1)
    coded = np.where(
        view <= 0.0031308, 12.92 * view, 1.055 * np.maximum(view, 1e-9) ** (1 / 2.4) - 0.055
    )
    coded = coded + s_curve * coded * (1 - coded) * (2 * coded - 1)
    rgb = np.rot90((coded * 255 + 0.5).astype(np.uint8), turns)
    if mirror:
        rgb = rgb[:, ::-1]
    if crop is not None:
        rgb = rgb[:, crop]
    Image.fromarray(np.ascontiguousarray(rgb)).save(path, quality=quality, **save)
    return path
