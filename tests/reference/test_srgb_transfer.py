"""The sRGB transfer function of the decoder and of the card, against IEC 61966-2-1.

Source of the function: IEC 61966-2-1:1999, 5.2, as carried by colour-science (`eotf_sRGB`) and
by scikit-image (inside `rgb2xyz`), two implementations independent of ours and of each other.
"""

from __future__ import annotations

import colour
import numpy as np
import pytest
import skimage.color

from densitycam.card.layout import PRINT_BLACK_REFLECTANCE, card_layout
from densitycam.photo.decode import SRGB_TO_LINEAR

CODES = np.arange(256)


def patches_of(paper):
    layout = card_layout(paper)
    return (*layout.bars, *layout.grey_left, *layout.grey_right, *layout.colours)


def test_decoding_table_matches_colour_science():
    expected = colour.models.eotf_sRGB(CODES / 255)
    # One part in 1e6 of full scale: the table is float32, whose step near 1 is 6e-8.
    np.testing.assert_allclose(SRGB_TO_LINEAR, expected, rtol=1e-6, atol=1e-7)


def test_decoding_table_matches_scikit_image():
    greys = np.repeat((CODES / 255)[:, None], 3, axis=1)
    # Y of a grey is its linear value: scikit-image's row for Y sums to 1 exactly.
    luminance = skimage.color.rgb2xyz(greys)[:, 1]
    np.testing.assert_allclose(SRGB_TO_LINEAR, luminance, rtol=1e-6, atol=1e-7)


@pytest.mark.parametrize(
    ("code", "linear"),
    [
        # IEC 61966-2-1:1999: C / 12.92 up to 0.04045, else ((C + 0.055) / 1.055) ** 2.4.
        (0, 0.0),
        (10, 10 / 255 / 12.92),  # the last code on the straight part (0.0392 < 0.04045)
        (11, ((11 / 255 + 0.055) / 1.055) ** 2.4),  # the first on the curve (0.0431)
        (255, 1.0),
    ],
)
def test_decoding_table_at_the_ends_and_at_the_joint(code, linear):
    np.testing.assert_allclose(SRGB_TO_LINEAR[code], linear, rtol=1e-6, atol=0)


def test_decoding_table_is_single_precision_and_rises_everywhere():
    assert SRGB_TO_LINEAR.shape == (256,)
    assert SRGB_TO_LINEAR.dtype == np.float32
    assert np.all(np.diff(SRGB_TO_LINEAR) > 0)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_nominal_reflectance_of_the_card_matches_colour_science(paper):
    patches = patches_of(paper)
    linear = colour.models.eotf_sRGB(np.array([p.srgb for p in patches]) / 255)
    # Ink never reaches zero: the whole range is squeezed between the darkest print and paper.
    expected = PRINT_BLACK_REFLECTANCE + (1 - PRINT_BLACK_REFLECTANCE) * linear
    nominal = np.array([p.reflectance for p in patches])
    np.testing.assert_allclose(nominal, expected, rtol=1e-12, atol=0)
