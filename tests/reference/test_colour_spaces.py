"""Colour conversions that the pipeline relies on, against colour-science.

The estimator has no XYZ or Lab of its own: it stays in linear sRGB, and hands an embedded
colour profile to the colour engine inside Pillow. So checked here are (1) that a photo tagged
Display P3, as phones write them, comes out as colour-science converts it, and (2) that the
card's own colours have the same XYZ and Lab in scikit-image and in colour-science, which is
what its patches were chosen by.
"""

from __future__ import annotations

import colour
import numpy as np
import pytest
import skimage.color
from display_profile import icc_profile
from PIL import Image

from densitycam.card.layout import card_layout
from densitycam.photo.decode import decode_photo

P3 = colour.RGB_COLOURSPACES["Display P3"]
SRGB = colour.RGB_COLOURSPACES["sRGB"]


def tagged_photo(path, codes: np.ndarray, profile: bytes | None) -> np.ndarray:
    """Save one pixel a code as PNG with a profile; return the pixels that we decode."""
    Image.fromarray(codes[None].astype(np.uint8)).save(path, icc_profile=profile)
    return decode_photo(path).rgb[0].astype(float)


@pytest.fixture(scope="module")
def culture_codes():
    """Codes that stay inside sRGB when read as Display P3: no clipping hides a wrong matrix."""
    rng = np.random.default_rng(20260304)
    codes = rng.integers(0, 256, (4000, 3))
    inside = colour.RGB_to_RGB(P3.cctf_decoding(codes / 255), P3, SRGB)
    codes = codes[np.all((inside > 0.002) & (inside < 0.998), axis=1)]
    assert len(codes) > 1000
    return codes


def test_display_p3_photo_matches_colour_science(tmp_path, culture_codes):
    got = tagged_photo(tmp_path / "p3.png", culture_codes, icc_profile(P3, "Display P3"))
    linear = colour.RGB_to_RGB(P3.cctf_decoding(culture_codes / 255), P3, SRGB)
    expected = 255 * SRGB.cctf_encoding(linear)
    # Half a code from rounding, and as much again from the colour engine's own 8-bit tables.
    np.testing.assert_allclose(got, expected, rtol=0, atol=1.0)
    # The difference that the profile makes is far more than that, or nothing would be tested.
    assert np.abs(got - culture_codes).max() > 20


def test_greys_of_a_display_p3_photo_stay_what_they_are(tmp_path):
    greys = np.repeat(np.arange(256)[:, None], 3, axis=1)
    red = np.full((8, 3), (200, 80, 60))  # for a picture without any colour is refused
    codes = np.concatenate([greys, red])
    got = tagged_photo(tmp_path / "grey.png", codes, icc_profile(P3, "Display P3"))
    np.testing.assert_allclose(got[: len(greys)], greys, rtol=0, atol=1.0)


def test_photo_without_profile_is_taken_as_srgb(tmp_path, culture_codes):
    got = tagged_photo(tmp_path / "plain.png", culture_codes, None)
    np.testing.assert_array_equal(got, culture_codes)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_card_colours_have_one_xyz_and_lab_in_both_libraries(paper):
    rgb = np.array([patch.srgb for patch in card_layout(paper).colours]) / 255
    xyz = colour.sRGB_to_XYZ(rgb)
    # scikit-image rounds its matrix to six digits and colour-science to four (as the standard
    # prints it): they part in the fourth digit.
    np.testing.assert_allclose(skimage.color.rgb2xyz(rgb), xyz, rtol=5e-4, atol=1e-4)
    lab = colour.XYZ_to_Lab(xyz, illuminant=SRGB.whitepoint)
    np.testing.assert_allclose(skimage.color.rgb2lab(rgb), lab, rtol=0, atol=0.05)


def test_card_colours_are_told_apart_by_eye_and_camera():
    """Patches nearer than 5 CIEDE2000 would add little to a correction (common practice)."""
    rgb = np.array([patch.srgb for patch in card_layout().colours]) / 255
    lab = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(rgb), illuminant=SRGB.whitepoint)
    first, second = np.triu_indices(len(lab), k=1)
    apart = colour.difference.delta_E_CIE2000(lab[first], lab[second])
    np.testing.assert_allclose(
        skimage.color.deltaE_ciede2000(lab[first], lab[second]), apart, rtol=1e-9, atol=1e-9
    )
    assert apart.min() > 5
