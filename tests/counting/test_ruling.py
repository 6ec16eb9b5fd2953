"""The ruling is found at its scale and turn, and never where there is none."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from densitycam.counting.chambers import CHAMBERS, unit_by_name
from densitycam.counting.ruling import MOTIFS, find_ruling, flattened, squared_up
from densitycam.errors import PhotoRefusedError
from densitycam.photo.decode import linear
from densitycam.simulate.slide import RULED, SlideScene, render_slide


@cache
def drawn(name: str, **changes: object):
    plan = RULED[name](8.0)
    u0, v0, u1, v1 = plan.squares[len(plan.squares) // 3]
    scene = SlideScene(
        seed=11, ruling=name, centre_um=((u0 + u1) / 2 + 9.0, (v0 + v1) / 2 - 6.0),
        px_per_um=290.0 / (u1 - u0), size_px=(760, 620), diameter_um=5.0 * (u1 - u0) / 200,
        cells_per_square=18.0, rotation_deg=16.5, debris_per_mm2=20.0 * (200 / (u1 - u0)) ** 2,
        blur_um=0.5,
    )  # fmt: skip
    scene = replace(scene, **changes)
    rgb, truth = render_slide(scene)
    return scene, linear(rgb).mean(axis=2), truth


# Whole millimetres fill the field of the weakest objective only; there a groove is thin.
@pytest.mark.parametrize("name", [n for n in RULED if not n.startswith("sedgewick")])
def test_scale_turn_and_squares_of_every_ruling(name):
    scene, light, truth = drawn(name)
    found = find_ruling(light, chamber=name.partition("/")[0])
    assert found.motif.unit == name.partition("/")[2]
    # The middle of a lens of 0.6 % barrel at the corner.
    assert found.px_per_um == pytest.approx(scene.px_per_um, rel=0.006, abs=0)
    assert found.rotation_deg == pytest.approx(scene.rotation_deg, abs=0.15)
    assert len(found.squares) >= 1
    known = np.array([square.corners_px for square in truth.squares])
    for square in found.squares:
        corners = found.to_px(
            np.array(
                [
                    [square.left_um, square.top_um],
                    [square.right_um, square.top_um],
                    [square.right_um, square.bottom_um],
                    [square.left_um, square.bottom_um],
                ]
            )
        )
        # Every corner within a micrometre of where it was drawn.
        assert np.abs(known - corners).max(axis=(1, 2)).min() < 1.0 * scene.px_per_um


@pytest.mark.parametrize("turn", [-31.0, 95.0])
def test_any_turn_is_brought_within_an_eighth(turn):
    _, light, _ = drawn("improved-neubauer/group", rotation_deg=turn)
    found = find_ruling(light, chamber="improved-neubauer")
    assert found.rotation_deg == pytest.approx((turn + 45) % 90 - 45, abs=0.15)


def test_bright_lines_are_found_as_well():
    _, light, _ = drawn("improved-neubauer/group", line_contrast=-0.35)
    found = find_ruling(light, chamber="improved-neubauer")
    assert not found.dark
    assert found.squares


def test_small_squares_are_not_taken_for_large_ones():
    # The inner lines of a group, 0.05 mm apart, look like the 0.25 mm lines of the corners.
    _, light, _ = drawn("improved-neubauer/group")
    with pytest.raises(PhotoRefusedError) as caught:
        find_ruling(light, chamber="improved-neubauer", unit="sixteenth")
    assert caught.value.flag in ("no-ruling", "no-square")


def test_no_lines_no_ruling():
    _, light, _ = drawn("improved-neubauer/group", line_contrast=0.0)
    for chamber in ("improved-neubauer", "malassez"):
        with pytest.raises(PhotoRefusedError, match="not found") as caught:
            find_ruling(light, chamber=chamber)
        assert caught.value.flag == "no-ruling"


def test_a_ruling_that_no_photo_can_show_is_named():
    with pytest.raises(PhotoRefusedError, match="Count by eye"):
        find_ruling(np.ones((400, 400), np.float32), chamber="nageotte")
    with pytest.raises(PhotoRefusedError, match="sixteenth"):
        find_ruling(np.ones((400, 400), np.float32), chamber="improved-neubauer", unit="small")


def test_photographs_that_show_no_slide_are_refused():
    # What scikit-image ships: a chessboard, bricks, a page of text, coins, cells.
    import skimage.data

    folder = Path(skimage.data.__file__).parent
    # The most line-like of them; tests/benchmarks/slides.py goes through all.
    for name in ("chessboard_RGB.png", "brick.png", "page.png", "coins.png", "cell.png"):
        grey = cv2.imread(str(folder / name), cv2.IMREAD_GRAYSCALE)
        if min(grey.shape) < 300:
            grey = cv2.resize(grey, None, fx=2, fy=2)
        light = linear(cv2.merge([grey] * 3)).mean(axis=2)
        with pytest.raises(PhotoRefusedError) as caught:
            find_ruling(light, chamber="fuchs-rosenthal")
        assert caught.value.flag in ("no-ruling", "no-square"), name


@pytest.mark.parametrize("motif", MOTIFS, ids=lambda m: f"{m.chamber}/{m.unit}")
def test_lines_and_areas_agree_with_the_chambers_table(motif):
    # The table's nets are published geometry; only the places of double lines are from memory.
    chamber = CHAMBERS[motif.chamber]
    (a, b), (wide, narrow) = motif.square_um, motif.period_um
    area_mm2 = (b - a) * (b - a) * narrow / wide / 1e6
    assert area_mm2 == pytest.approx(unit_by_name(chamber, motif.unit).area_mm2, rel=1e-9, abs=0)
    pitches = {
        (1e3 * net.pitch_x_mm, 1e3 * net.pitch_y_mm) for net in chamber.rulings
    } | {
        (1e3 * net.pitch_x_mm * net.bold_every, 1e3 * net.pitch_y_mm * net.bold_every)
        for net in chamber.rulings
    }  # fmt: skip
    assert any(np.allclose(motif.period_um, pitch, rtol=1e-9, atol=0) for pitch in pitches)


def test_uneven_light_and_the_dark_surround_are_divided_out():
    y, x = np.mgrid[0:300, 0:400].astype(np.float32)
    inside = np.hypot(x - 190, y - 150) < 140
    light = (0.6 - 0.0008 * x) * inside + 0.01
    ratio, field = flattened(light.astype(np.float32), sigma_px=30.0)
    # One width of the ground from the surround's edge; nearer it the ground leans.
    calm = np.hypot(x - 190, y - 150) < 85
    assert field[calm].all()
    assert not field[0, 0]
    np.testing.assert_allclose(ratio[calm], 1.0, rtol=0, atol=0.02)


def test_squared_up_lines_stand_upright():
    _, light, _ = drawn("improved-neubauer/group")
    found = find_ruling(light, chamber="improved-neubauer")
    square = found.squares[0]
    box = (square.left_um, square.top_um, square.right_um, square.bottom_um)
    upright = squared_up(light, found, box_um=box, px_per_um=1.0)
    assert upright.shape == (200, 200)
    profile = np.percentile(upright, 75, axis=0)
    # The inner lines of a group stand at 50, 100 and 150 um.
    for place in (50, 100, 150):
        near = slice(place - 10, place + 10)
        assert abs(int(np.argmin(profile[near])) - 10 + 0.5) <= 1.5
