"""The card's place and the camera's pose, against OpenCV's own projection of the same card.

The truth is made by OpenCV alone: a camera of known focal length and pose (`cv2.Rodrigues`,
`cv2.projectPoints`), the exact homography of four points (`cv2.getPerspectiveTransform`), and
the picture of the card through it (`cv2.warpPerspective`). `find_card` sees only the picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pytest

from densitycam.card.layout import MARKER_DICTIONARY, card_layout
from densitycam.errors import PhotoRefusedError
from densitycam.photo.card_finder import find_card

PHOTO_WIDTH, PHOTO_HEIGHT = 1800, 1350
FOCAL_35MM = 28.0
#: Scale of the flat drawing that the camera looks at.
DRAWING_PX_PER_MM = 10
#: The photo is drawn this much larger and then averaged, as a sensor's pixels average light.
SUPERSAMPLING = 3


@dataclass(frozen=True)
class Scene:
    """A photo of the bare card and how it came about."""

    rgb: np.ndarray
    sheet_to_photo: np.ndarray
    tilt_deg: float
    camera_mm: np.ndarray


def drawing_of(paper: str, hidden: tuple[int, ...]) -> np.ndarray:
    """Draw markers and bars flat, the markers from OpenCV's own dictionary."""
    layout = card_layout(paper)
    scale = DRAWING_PX_PER_MM
    size = (round(layout.height_mm * scale), round(layout.width_mm * scale))
    sheet = np.full(size, 235, np.uint8)
    for bar in layout.bars:
        x, y = round(bar.rect.x_mm * scale), round(bar.rect.y_mm * scale)
        height, width = round(bar.rect.height_mm * scale), round(bar.rect.width_mm * scale)
        sheet[y : y + height, x : x + width] = 30 if bar.srgb[0] == 0 else 235
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    for place, marker in enumerate(layout.markers):
        if place in hidden:
            continue
        side = round(marker.rect.width_mm * scale)
        x, y = round(marker.rect.x_mm * scale), round(marker.rect.y_mm * scale)
        picture = cv2.aruco.generateImageMarker(dictionary, marker.id, side)
        sheet[y : y + side, x : x + side] = np.where(picture > 127, 235, 30)
    return sheet


def scene(
    paper: str, *, yaw_deg: float, pitch_deg: float, roll_deg: float = 3.0, hidden=()
) -> Scene:
    """Photograph the card from a known pose."""
    layout = card_layout(paper)
    middle = np.array(
        [layout.width_mm / 2, layout.bar_field.y_mm + layout.bar_field.height_mm / 2, 0.0]
    )
    rotation = np.eye(3)
    for axis, angle in ((0, pitch_deg), (1, yaw_deg), (2, roll_deg)):
        turn = np.zeros(3)
        turn[axis] = np.radians(angle)
        rotation = cv2.Rodrigues(turn)[0] @ rotation
    # The optical axis meets the middle of the bars, but for an awkward few millimetres.
    shift = np.array([3.7, -2.9, 300.0]) - rotation @ middle
    focal = FOCAL_35MM / 36 * PHOTO_WIDTH
    lens = np.array(
        [[focal, 0, (PHOTO_WIDTH - 1) / 2], [0, focal, (PHOTO_HEIGHT - 1) / 2], [0, 0, 1]]
    )
    edges = np.array(
        [
            (0, 0),
            (layout.width_mm, 0),
            (layout.width_mm, layout.height_mm),
            (0, layout.height_mm),
        ],
        dtype=float,
    )
    flat = np.c_[edges, np.zeros(4)]
    seen = cv2.projectPoints(flat, cv2.Rodrigues(rotation)[0], shift, lens, None)[0].reshape(4, 2)
    sheet_to_photo = cv2.getPerspectiveTransform(edges.astype(np.float32), seen.astype(np.float32))

    # A whole number is the middle of a pixel, in the photo, the drawing and the fine photo alike.
    half = 0.5
    scale = DRAWING_PX_PER_MM
    drawing_to_sheet = np.array(
        [[1 / scale, 0, half / scale], [0, 1 / scale, half / scale], [0, 0, 1]]
    )
    fine = SUPERSAMPLING
    to_fine = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1]])
    grey = cv2.warpPerspective(
        drawing_of(paper, hidden),
        to_fine @ sheet_to_photo @ drawing_to_sheet,
        (PHOTO_WIDTH * fine, PHOTO_HEIGHT * fine),
        flags=cv2.INTER_LINEAR,
        borderValue=120,
    )
    grey = cv2.resize(grey, (PHOTO_WIDTH, PHOTO_HEIGHT), interpolation=cv2.INTER_AREA)
    camera = -rotation.T @ shift
    sight = camera - middle
    tilt = np.degrees(np.arccos(abs(sight[2]) / np.linalg.norm(sight)))
    return Scene(
        rgb=np.repeat(grey[..., None], 3, axis=2),
        sheet_to_photo=sheet_to_photo,
        tilt_deg=float(tilt),
        # Ours has z out of the card, OpenCV's goes into it.
        camera_mm=camera * (1, 1, -1),
    )


def through(homography: np.ndarray, points: np.ndarray) -> np.ndarray:
    return cv2.perspectiveTransform(points[None].astype(np.float64), homography)[0]


def places_on(paper: str) -> np.ndarray:
    """Return a grid over the bar field, where the reading is taken [mm]."""
    field = card_layout(paper).bar_field
    x, y = np.meshgrid(
        np.linspace(field.x_mm, field.right_mm, 7), np.linspace(field.y_mm, field.bottom_mm, 6)
    )
    return np.c_[x.ravel(), y.ravel()]


POSES = [
    pytest.param(0.0, 0.0, id="square"),
    pytest.param(17.0, 6.0, id="from-the-side"),
    pytest.param(-9.0, 21.0, id="from-above"),
]


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize(("yaw_deg", "pitch_deg"), POSES)
def test_card_is_found_where_opencv_put_it(paper, yaw_deg, pitch_deg):
    truth = scene(paper, yaw_deg=yaw_deg, pitch_deg=pitch_deg)
    fix = find_card(truth.rgb, focal_35mm=FOCAL_35MM)
    assert fix.layout == card_layout(paper)
    assert fix.marker_ids == tuple(m.id for m in fix.layout.markers)
    places = places_on(paper)
    off = through(fix.sheet_to_photo, places) - through(truth.sheet_to_photo, places)
    # Marker corners are found to about a quarter of a pixel rms; 44 of them average below that.
    assert np.abs(off).max() < 0.15
    # OpenCV's own fit to the true corners is the truth itself: the yardstick is sound.
    corners = np.array(
        [
            (x, y)
            for m in fix.layout.markers
            for x in (m.rect.x_mm, m.rect.right_mm)
            for y in (m.rect.y_mm, m.rect.bottom_mm)
        ]
    )
    yardstick, _ = cv2.findHomography(corners, through(truth.sheet_to_photo, corners))
    np.testing.assert_allclose(
        through(yardstick, places), through(truth.sheet_to_photo, places), rtol=0, atol=1e-3
    )


@pytest.mark.parametrize("told_mm", [None, FOCAL_35MM / 1.5])
@pytest.mark.parametrize(("yaw_deg", "pitch_deg"), [(17.0, 6.0), (-9.0, 21.0)])
def test_seen_at_an_angle_the_card_tells_the_distance_itself(yaw_deg, pitch_deg, told_mm):
    # A picture that was cropped to two thirds, or says nothing: taken at its word, the camera
    # would stand a third nearer.
    truth = scene("a4", yaw_deg=yaw_deg, pitch_deg=pitch_deg)
    fix = find_card(truth.rgb, focal_35mm=told_mm)
    np.testing.assert_allclose(fix.camera_mm, truth.camera_mm, rtol=0.02, atol=2.0)
    assert fix.tilt_deg == pytest.approx(truth.tilt_deg, rel=0, abs=0.5)


@pytest.mark.parametrize(("yaw_deg", "pitch_deg"), POSES)
def test_pose_is_the_one_the_card_was_seen_from(yaw_deg, pitch_deg):
    truth = scene("a4", yaw_deg=yaw_deg, pitch_deg=pitch_deg)
    fix = find_card(truth.rgb, focal_35mm=FOCAL_35MM)
    assert fix.tilt_deg == pytest.approx(truth.tilt_deg, rel=0, abs=0.05)
    # The camera stands some 300 mm away: within 1 in 1000 of that in every direction.
    np.testing.assert_allclose(fix.camera_mm, truth.camera_mm, rtol=0, atol=0.3)
    # Scale over the bar field, from OpenCV's area of the projected field.
    field = fix.layout.bar_field
    quad = through(
        truth.sheet_to_photo,
        np.array(
            [
                (field.x_mm, field.y_mm),
                (field.right_mm, field.y_mm),
                (field.right_mm, field.bottom_mm),
                (field.x_mm, field.bottom_mm),
            ]
        ),
    )
    area = cv2.contourArea(quad.astype(np.float32))
    scale = np.sqrt(area / (field.width_mm * field.height_mm))
    assert fix.px_per_mm == pytest.approx(scale, rel=1e-3, abs=0)


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_a_turned_photo_gives_the_same_places(quarter_turns):
    truth = scene("a4", yaw_deg=11.0, pitch_deg=-8.0)
    fix = find_card(np.rot90(truth.rgb, quarter_turns).copy(), focal_35mm=FOCAL_35MM)
    expected = through(truth.sheet_to_photo, places_on("a4"))
    width, height = PHOTO_WIDTH, PHOTO_HEIGHT
    for _ in range(quarter_turns):  # numpy turns counter-clockwise
        expected = np.c_[expected[:, 1], width - 1 - expected[:, 0]]
        width, height = height, width
    off = through(fix.sheet_to_photo, places_on("a4")) - expected
    assert np.abs(off).max() < 0.15


def test_three_markers_in_a_corner_are_enough_but_less_sharp():
    # Those left stand in a triangle, and still hold the bars to a sixth of a millimetre.
    hidden = (1, 2, 3, 5, 6, 8, 9, 10)
    truth = scene("a4", yaw_deg=11.0, pitch_deg=-8.0, hidden=hidden)
    fix = find_card(truth.rgb, focal_35mm=FOCAL_35MM)
    assert len(fix.marker_ids) == 3
    places = places_on("a4")
    off = through(fix.sheet_to_photo, places) - through(truth.sheet_to_photo, places)
    assert np.abs(off).max() / fix.px_per_mm < 0.16


@pytest.mark.parametrize(
    ("flag", "yaw_deg", "change"),
    [
        ("tilted", 40.0, lambda rgb: rgb),
        ("mirrored", 5.0, lambda rgb: rgb[:, ::-1].copy()),
        ("blurred", 5.0, lambda rgb: cv2.GaussianBlur(rgb, None, 12.0)),
        ("card-cut", 5.0, lambda rgb: rgb[: PHOTO_HEIGHT * 3 // 5].copy()),
        (
            "too-small",
            5.0,
            lambda rgb: cv2.resize(rgb, None, fx=0.36, fy=0.36, interpolation=cv2.INTER_AREA),
        ),
    ],
)
def test_a_card_that_cannot_be_read_is_refused_by_name(flag, yaw_deg, change):
    truth = scene("a4", yaw_deg=yaw_deg, pitch_deg=0.0)
    with pytest.raises(PhotoRefusedError, match=r"\.") as refusal:
        find_card(change(truth.rgb), focal_35mm=FOCAL_35MM)
    assert refusal.value.flag == flag


def test_bars_without_markers_are_no_card():
    truth = scene("a4", yaw_deg=5.0, pitch_deg=0.0, hidden=tuple(range(2, 11)))
    with pytest.raises(PhotoRefusedError, match="2 of 3 needed") as refusal:
        find_card(truth.rgb, focal_35mm=FOCAL_35MM)
    assert refusal.value.flag == "no-card"
