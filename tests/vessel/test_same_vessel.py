"""A flat bottle is known by its width, from wherever the photo was taken."""

from __future__ import annotations

import math

import numpy as np
import pytest

from densitycam.vessel.same_vessel import (
    WIDTH_STRAY,
    flat_width_mm,
    strays_from_earlier,
    usual_width_mm,
)


@pytest.mark.parametrize(
    "camera", [(150.0, 80.0, 420.0), (310.0, 40.0, 390.0), (-60.0, 5.0, 700.0)]
)
def test_width_is_that_of_a_box_seen_from_anywhere(camera):
    # A box from back to front before the card; each corner thrown onto the card by hand.
    left, right, back, front = 108.3, 171.9, 15.0, 48.6
    across, _, distance = camera
    seen = [
        across + (x - across) * distance / (distance - z)
        for x in (left, right)
        for z in (back, front)
    ]
    width = flat_width_mm(
        left_mm=min(seen),
        right_mm=max(seen),
        back_mm=back,
        front_mm=front,
        camera_mm=np.array(camera),
    )
    assert width == pytest.approx(right - left, rel=1e-12, abs=0)


def test_simulated_bottle_photographed_aslant_has_its_width(tmp_path):
    from densitycam.simulate.photo_file import write_photo
    from densitycam.simulate.scene import Scene
    from densitycam.simulate.vessels import as_vessel
    from densitycam.vessel.read import read_photo

    truth = 2 * as_vessel("flat-30").half_width_mm
    # Seen square on, a photo that does not say its focal length leaves the distance open.
    for yaw, fill, rel in ((0.0, 0.75, 0.06), (20.0, 0.95, 0.015)):
        scene = Scene(seed=8, vessel="flat-30", yaw_deg=yaw, fill=fill, size_px=(1000, 750))
        write_photo(scene, tmp_path / "flat.jpg")
        reading = read_photo(tmp_path / "flat.jpg", path_mm=30, shape="flat").reading
        assert reading.outline.width_mm == pytest.approx(truth, rel=rel, abs=0)
        assert reading.outline.right_mm - reading.outline.left_mm > 1.1 * truth


def test_a_round_bottle_photographed_aslant_has_its_outer_diameter(tmp_path):
    from densitycam.simulate.photo_file import write_photo
    from densitycam.simulate.scene import Scene
    from densitycam.simulate.vessels import as_vessel
    from densitycam.vessel.read import read_photo

    scene = Scene(seed=8, vessel="cylinder-60", yaw_deg=-14.0, fill=0.9, size_px=(1000, 750))
    write_photo(scene, tmp_path / "round.jpg")
    reading = read_photo(tmp_path / "round.jpg", path_mm=60, shape="cylinder").reading
    truth = 2 * as_vessel("cylinder-60").half_width_mm
    assert reading.outline.width_mm == pytest.approx(truth, rel=0.02, abs=0)


@pytest.mark.parametrize("sign", [-1, 1])
def test_a_width_beyond_the_limit_is_another_vessel(sign):
    near, far = (92 * math.exp(sign * x) for x in (WIDTH_STRAY - 1e-6, WIDTH_STRAY + 1e-6))
    assert not strays_from_earlier(near, [91.0, 92.0, 93.0])
    assert strays_from_earlier(far, [91.0, 92.0, 93.0])


def test_with_fewer_than_two_earlier_photos_nothing_is_known():
    assert not strays_from_earlier(60.0, [92.0])
    assert not strays_from_earlier(60.0, [])
    assert strays_from_earlier(60.0, [92.0, 92.0])


def test_one_odd_photo_among_the_earlier_ones_does_not_mislead():
    assert not strays_from_earlier(92.0, [91.0, 60.0, 92.0, 93.0])


def test_a_new_bottle_is_believed_once_most_of_the_latest_photos_show_it():
    old = [92.0] * 9
    assert strays_from_earlier(60.0, [*old, 60.0, 60.0])
    assert not strays_from_earlier(60.0, [*old, 60.0, 60.0, 60.0])
    assert usual_width_mm([*old, 60.0, 60.0, 60.0]) == 60.0
