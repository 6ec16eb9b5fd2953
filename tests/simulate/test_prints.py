"""The printed sheet: nominal colours under daylight, exact edges."""

import numpy as np
import pytest

from densitycam.card.layout import card_layout
from densitycam.simulate.light import linear_srgb
from densitycam.simulate.prints import PRINTS, bands, paper_spectrum, sheet_weights, weights


def test_a_nominal_print_shows_the_layouts_reflectances():
    layout = card_layout("a4")
    for patch in layout.colours + layout.grey_left:
        spectrum = weights(PRINTS["nominal"], patch.reflectance) @ bands()
        np.testing.assert_allclose(
            linear_srgb(spectrum), patch.reflectance, rtol=0, atol=0.004, err_msg=patch.name
        )


@pytest.mark.parametrize("name", sorted(PRINTS))
def test_greys_of_every_print_fall_from_paper_to_black(name):
    layout = card_layout("a4")
    steps = np.array([weights(PRINTS[name], p.reflectance) for p in layout.grey_left])
    np.testing.assert_allclose(steps[0], 1.0, rtol=0, atol=1e-9)
    assert np.all(np.diff(steps, axis=0) < 0)
    assert np.all((steps[-1] > 0.03) & (steps[-1] < 0.061))
    assert np.all(paper_spectrum(PRINTS[name]) < 0.95)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_bars_have_their_area_at_any_scale(paper):
    # An odd scale, so that edges fall inside pixels: ink area must still be exact.
    layout = card_layout(paper)
    scale = 2.37
    sheet = sheet_weights(paper, "nominal", scale)
    black = weights(PRINTS["nominal"], (0.035,) * 3)[1]
    x = round((layout.bar_field.x_mm + 45.0) * scale)
    y0 = layout.bar_field.y_mm
    end = round((y0 + 156.0) * scale)  # inside the lowest black bar, clear of the base line
    column = sheet[round((y0 - 4.0) * scale) : end, x, 1].astype(float)
    ink_mm = np.sum(1.0 - column) / (1.0 - black) / scale
    expected = 80.0 - (y0 + 160.0 - end / scale)
    assert ink_mm == pytest.approx(expected, abs=0.002)


def test_the_cached_sheet_cannot_be_written_to():
    sheet = sheet_weights("a4", "nominal", 2.37)
    with pytest.raises(ValueError, match="read-only"):
        sheet[0, 0] = 0.0
