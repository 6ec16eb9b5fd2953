"""The annotated photo: lines lie where the homography puts them, and the answer is below."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from report_inputs import ADVICE, ESTIMATE, LESS, MORE, READING

from densitycam.card.drawing import card_pixels
from densitycam.card.layout import card_layout
from densitycam.flags import FLAGS
from densitycam.report.annotate import (
    BESIDE_RGB,
    GREYS_RGB,
    LARGEST_WIDTH,
    THROUGH_RGB,
    _answer_lines,
    annotate,
    picture_scale,
    read_area,
    reference_areas,
)
from densitycam.vessel.bars import CENTRAL_SHARE

LAYOUT = card_layout("a4")


def photo(width: int, height: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a tilted card in front of a grey wall, and sheet mm -> its pixels."""
    card = card_pixels(LAYOUT, 4.0)
    h, w = card.shape[:2]
    sx, sy = width / 100, height / 100
    seen = np.float32([[6 * sx, 12 * sy], [95 * sx, 9 * sy], [93 * sx, 91 * sy], [4 * sx, 88 * sy]])
    from_card = cv2.getPerspectiveTransform(np.float32([[0, 0], [w, 0], [w, h], [0, h]]), seen)
    picture = np.full((height, width, 3), 150, np.uint8)
    cv2.warpPerspective(
        card, from_card, (width, height), dst=picture, borderMode=cv2.BORDER_TRANSPARENT
    )
    return picture, from_card @ np.diag([4.0, 4.0, 1.0])


def nearest(picture: np.ndarray, x: float, y: float, colour, reach: int = 2) -> float:
    """Return the least colour distance to `colour` within a few pixels of (x, y)."""
    r, c = round(y), round(x)
    around = picture[r - reach : r + reach + 1, c - reach : c + reach + 1].reshape(-1, 3)
    return float(np.abs(around.astype(int) - colour).max(axis=1).min())


@pytest.mark.parametrize("size", [(2400, 1800), (1200, 1600), (640, 480)])
def test_lines_lie_where_the_homography_puts_them(size):
    picture, to_photo = photo(*size)
    out = annotate(picture, to_photo, LAYOUT, READING, ESTIMATE, ADVICE, "kitchen bottle")
    scale = picture_scale(size[0])
    assert out.dtype == np.uint8
    assert out.shape[1] == round(size[0] * scale) <= LARGEST_WIDTH

    def place(x_mm: float, y_mm: float) -> np.ndarray:
        return cv2.perspectiveTransform(np.array([[[x_mm, y_mm]]]), to_photo)[0, 0] * scale

    area = read_area(LAYOUT, READING, shape="cylinder")
    for t in (0.13, 0.37, 0.81):
        y = area.y_mm + t * area.height_mm
        for x_mm in (area.x_mm, area.right_mm):
            assert nearest(out, *place(x_mm, y), THROUGH_RGB) < 12
        for side in reference_areas(LAYOUT, READING):
            assert nearest(out, *place(side.x_mm, side.y_mm + t * side.height_mm), BESIDE_RGB) < 12
        for column in (LAYOUT.grey_left, LAYOUT.grey_right):
            r = column[0].rect
            assert nearest(out, *place(r.x_mm, r.y_mm + t * 160.0), GREYS_RGB) < 12
    # A tick at every row read, 2 mm inside the area; none between two rows.
    for row in READING.rows:
        y = LAYOUT.base_line_y_mm - row.height_mm
        assert nearest(out, *place(area.x_mm + 2.0, y), THROUGH_RGB, reach=1) < 40
        assert nearest(out, *place(area.x_mm + 2.6, y + 5.0), THROUGH_RGB, reach=0) > 60


def test_grey_steps_that_the_vessel_hides_are_not_said_to_be_read():
    picture, to_photo = photo(1200, 900)
    left = LAYOUT.grey_left[0].rect
    wide = replace(READING, outline=replace(READING.outline, left_mm=left.x_mm + 4.0))
    for reading, drawn in ((READING, True), (wide, False)):
        out = annotate(picture, to_photo, LAYOUT, reading, ESTIMATE, ADVICE, "kitchen bottle")
        at = to_photo @ (left.x_mm, left.y_mm, 1.0)
        x, y = at[:2] / at[2] * picture_scale(1200)
        assert (nearest(out, x, y, GREYS_RGB) < 20) == drawn


def test_the_photo_itself_stays_as_it_is_elsewhere_and_in_the_callers_hands():
    picture, to_photo = photo(1200, 900)
    before = picture.copy()
    out = annotate(picture, to_photo, LAYOUT, READING, ESTIMATE, ADVICE)
    assert np.array_equal(picture, before)
    changed = (out[:900] != before).any(axis=2).mean()
    assert 0.005 < changed < 0.12


def test_the_panel_lies_below_and_holds_text():
    picture, to_photo = photo(1200, 900)
    panel = annotate(picture, to_photo, LAYOUT, READING, ESTIMATE, ADVICE)[900:]
    assert panel.shape[0] > 150
    dark = (panel.max(axis=2) < 120).mean()
    assert 0.005 < dark < 0.3
    assert (panel[:, -4:] > 200).all()  # nothing runs out of the picture
    assert (panel[-4:] > 200).all()


def test_the_answer_in_words():
    lines = [text for text, _, _ in _answer_lines(READING, ESTIMATE, ADVICE, "kitchen bottle")]
    assert lines == [
        "kitchen bottle",
        "8.4 million cells/mL",
        "95 % interval: 7.1 to 9.9 million",
        "calibrated with 3 slide counts of your own",
        ADVICE.headline,
    ]


@pytest.mark.parametrize("flag_id", FLAGS)
def test_every_sign_brings_its_advice_into_the_panel(flag_id):
    picture, to_photo = photo(640, 480)
    signed = replace(READING, flags=(flag_id,))
    lines = [text for text, _, _ in _answer_lines(signed, ESTIMATE, None, "")]
    assert lines[0] == "8.4 million cells/mL"
    assert lines[-1].endswith(FLAGS[flag_id].advice)
    plain = annotate(picture, to_photo, LAYOUT, READING, LESS, None)
    assert annotate(picture, to_photo, LAYOUT, signed, LESS, None).shape[0] > plain.shape[0]


def test_more_than_says_how_to_see_through_it():
    lost = replace(READING, flags=("bars-lost",))
    lines = [text for text, _, _ in _answer_lines(lost, MORE, None, "")]
    assert lines[0] == "more than 90 million cells/mL"
    assert lines[-1] == f"Too dense to see through. {FLAGS['too-dense'].advice}"
    assert not any(FLAGS["bars-lost"].title in line.lower() for line in lines)


@pytest.mark.parametrize("shape", CENTRAL_SHARE)
def test_the_area_read_is_the_middle_of_the_vessel(shape):
    area = read_area(LAYOUT, READING, shape=shape)
    out = READING.outline
    assert area.width_mm == pytest.approx((out.right_mm - out.left_mm) * CENTRAL_SHARE[shape])
    assert (area.x_mm + area.right_mm) / 2 == pytest.approx((out.left_mm + out.right_mm) / 2)
    # Rows at 15 to 95 mm, each a window of two bars of 10 mm.
    assert area.bottom_mm == pytest.approx(LAYOUT.base_line_y_mm - 5.0)
    assert area.y_mm == pytest.approx(LAYOUT.base_line_y_mm - 105.0)


def test_no_rows_and_a_vessel_as_wide_as_the_field_still_draw():
    picture, to_photo = photo(640, 480)
    field = LAYOUT.bar_field
    wide = replace(
        READING,
        rows=(),
        outline=replace(READING.outline, left_mm=field.x_mm + 1, right_mm=field.right_mm - 1),
    )
    assert len(reference_areas(LAYOUT, wide)) == 2
    out = annotate(picture, to_photo, LAYOUT, wide, MORE, None)
    assert out.shape[0] > 480


def test_wrong_pictures_are_refused():
    picture, to_photo = photo(640, 480)
    with pytest.raises(ValueError, match="uint8 RGB"):
        annotate(picture.astype(float), to_photo, LAYOUT, READING, ESTIMATE, None)
    with pytest.raises(ValueError, match="shape must be"):
        annotate(picture, to_photo, LAYOUT, READING, ESTIMATE, None, shape="cube")
