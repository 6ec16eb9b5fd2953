"""A window of the sheet is what a warp of the whole photo shows there, to the light's evenness."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from densitycam.card.layout import Rect
from densitycam.photo.decode import srgb_to_linear_table
from densitycam.photo.sheet import SHEET_PX_PER_MM, Sheet, medians, surface_terms, window

SIZE_MM = (297.0, 210.0)
S = SHEET_PX_PER_MM

#: OpenCV rounds places to 1/32 of a pixel; on a picture this smooth that moves light by less.
SAME = 2e-3


@pytest.fixture(scope="module")
def photo() -> np.ndarray:
    noise = np.random.default_rng(5).integers(20, 235, (60, 80, 3)).astype(np.float32)
    return cv2.resize(noise, (1200, 900), interpolation=cv2.INTER_CUBIC).clip(0, 255).astype("u1")


@pytest.fixture(scope="module")
def to_photo() -> np.ndarray:
    corners = np.array([[0, 0], [297, 0], [297, 210], [0, 210]], np.float32)
    seen = np.array([[60, 80], [1120, 40], [1150, 860], [30, 800]], np.float32)
    return cv2.getPerspectiveTransform(corners, seen)


@pytest.fixture(scope="module")
def whole(photo, to_photo) -> np.ndarray:
    """Return all of the sheet by one warp of all of the photo, as OpenCV does it."""
    to_mm = np.array([[1 / S, 0, 0.5 / S], [0, 1 / S, 0.5 / S], [0, 0, 1]])
    return cv2.warpPerspective(
        cv2.LUT(photo, srgb_to_linear_table()),
        to_photo @ to_mm,
        (round(297 * S), round(210 * S)),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


def sheet_of(photo, to_photo, **more) -> Sheet:
    return Sheet(photo, srgb_to_linear_table(), to_photo, SIZE_MM, **more)


@pytest.mark.parametrize(
    "rect",
    [Rect(10.3, 20.1, 33.7, 5.0), Rect(200.0, 0.0, 97.0, 210.0), Rect(50.0, 60.0, 0.1, 0.1)],
)
def test_a_window_is_what_the_whole_warp_shows_there(photo, to_photo, whole, rect):
    seen, expected = window(sheet_of(photo, to_photo), rect), window(whole, rect)
    assert seen.shape == expected.shape
    np.testing.assert_allclose(seen, expected, rtol=0, atol=SAME)


def test_every_so_many_pixels_lie_where_they_did(photo, to_photo, whole):
    rect = Rect(40.0, 50.0, 60.0, 30.0)
    seen = window(sheet_of(photo, to_photo), rect, every=(3, 5))
    np.testing.assert_allclose(seen, window(whole, rect)[1::3, 2::5], rtol=0, atol=SAME)


def test_the_light_is_divided_out_as_its_terms_say(photo, to_photo, whole):
    terms = np.random.default_rng(7).normal(0.0, 0.1, (3, 6))
    sheet = sheet_of(photo, to_photo, terms=terms)
    for rect, every in (
        (Rect(3.0, 5.0, 290.0, 7.0), (1, 1)),
        (Rect(90.0, 10.0, 6.0, 190.0), (2, 3)),
    ):
        plain = window(sheet_of(photo, to_photo), rect, every=every)
        height, width = plain.shape[:2]
        x = round(rect.x_mm * S) / S + (np.arange(width) + 0.5) * every[1] / S
        y = round(rect.y_mm * S) / S + (np.arange(height) + 0.5) * every[0] / S
        light = np.exp(surface_terms(*np.meshgrid(x, y), SIZE_MM) @ terms.T)
        # Straight lines over cells of 16 pixels: off by their curvature over a cell.
        np.testing.assert_allclose(window(sheet, rect, every=every), plain / light, rtol=1e-3)


def test_medians_of_places_are_those_of_their_windows(photo, to_photo):
    places = [Rect(20.0, 30.0 + 16 * n, 18.0 + n % 2, 16.0) for n in range(6)]
    sheet = sheet_of(photo, to_photo)
    expected = [np.median(window(sheet, r, inset=0.2), axis=(0, 1)) for r in places]
    np.testing.assert_allclose(medians(sheet, places, inset=0.2), expected, rtol=0, atol=4e-3)


def test_a_coarse_photo_is_averaged_over_fewer_pixels_of_the_sheet(photo, to_photo):
    assert sheet_of(photo, to_photo, px_per_mm=2.5).pitch == 2
    assert sheet_of(photo, to_photo, px_per_mm=4.5).pitch == 1
