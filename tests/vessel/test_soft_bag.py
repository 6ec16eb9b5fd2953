"""Soft hanging bags: read through the middle of their lens, and alike whatever their thickness."""

from __future__ import annotations

import numpy as np
import pytest

from densitycam.simulate import Scene, write_photo
from densitycam.simulate.bag import BAGS
from densitycam.vessel.bars import BAG_FOOT_MM, CENTRAL_SHARE
from densitycam.vessel.read import mean_chord_share, read_photo
from densitycam.vessel.record import VesselRecord


@pytest.mark.parametrize("thickness", [0.35, 0.55, 0.85])
def test_mean_path_of_the_middle_is_that_of_two_circular_arcs(thickness):
    # By fine summation over two arcs on a chord of 1: the parabola of the code against a circle.
    sagitta = thickness / 2
    radius = (0.25 + sagitta**2) / (2 * sagitta)
    x = (np.arange(20000) + 0.5) / 20000 * 0.5 * CENTRAL_SHARE["bag"]
    path = 2 * (np.sqrt(radius**2 - x**2) - (radius - sagitta))
    assert mean_chord_share("bag") == pytest.approx(np.mean(path) / thickness, abs=0.003)
    # "A few per cent": at the edge of what is read the bag is that much thinner than its middle.
    assert path[-1] / thickness > 0.95


def test_a_bag_is_a_shape_of_the_record():
    assert VesselRecord("bag", "isochrysis", 650.0, 60.0, "bag").shape == "bag"
    with pytest.raises(ValueError, match="cylinder, flat, bag"):
        VesselRecord("bag", "isochrysis", 650.0, 60.0, "pouch")


def test_the_same_culture_reads_alike_in_a_thin_and_in_a_thick_bag(tmp_path):
    density, found = 6e5, {}
    for name in ("bag-40", "bag-80"):
        bag = BAGS[name]
        scene = Scene(
            seed=31, vessel=bag, species="isochrysis", cells_per_ml=density, yaw_deg=4.0,
            grain=0.2, size_px=(1200, 900),
        )  # fmt: skip
        truth = write_photo(scene, tmp_path / "a.jpg")
        reading = read_photo(tmp_path / "a.jpg", path_mm=bag.path_mm, shape="bag").reading
        found[name] = np.array(reading.attenuation[:2]) / reading.path_mm
        # The bag's edges on the card: seen from the camera they are those of its own picture.
        width = reading.outline.right_mm - reading.outline.left_mm
        assert width == pytest.approx(bag.width_mm * 1.1, rel=0.08)
        assert reading.path_mm == pytest.approx(bag.path_mm, rel=0.02)
        assert min(row.height_mm for row in reading.rows) > BAG_FOOT_MM
        assert "settled" not in reading.flags
        assert truth.path_mm == bag.path_mm
    # A thicker bag stands nearer and blurs more: a few per cent.
    assert found["bag-80"] == pytest.approx(found["bag-40"], rel=0.1)


def test_clear_water_in_a_bag_seen_from_above_is_one_vessel(tmp_path):
    # Its middle shifts the bars by a bar's height, its thin edges do not: no gap between two.
    bag = BAGS["bag-60"]
    scene = Scene(
        seed=33, vessel=bag, species="isochrysis", cells_per_ml=0.0, pitch_deg=17.0, yaw_deg=3.0,
        grain=0.2, size_px=(1200, 900),
    )  # fmt: skip
    write_photo(scene, tmp_path / "a.jpg")
    reading = read_photo(tmp_path / "a.jpg", path_mm=bag.path_mm, shape="bag").reading
    # Two films lose what four faces of glass and air do, 4 % each (Fresnel), like a bottle.
    assert reading.attenuation[:2] == pytest.approx([0.0, 0.0], abs=0.03)
    assert "too-thin" in reading.flags
