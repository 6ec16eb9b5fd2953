"""The vessel is found by its walls, however clear what stands in it; another one is noticed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from densitycam.card.layout import card_layout
from densitycam.errors import PhotoRefusedError
from densitycam.simulate import VESSELS, Scene, write_photo
from densitycam.simulate.camera import hold
from densitycam.simulate.scene import Glare, Shadow
from densitycam.vessel.read import read_photo

CLEAR = Scene(seed=11, cells_per_ml=0.0, yaw_deg=9.0, pitch_deg=7.0, fill=0.8)


def read(folder, scene, *, path_mm, shape, width_mm=None):
    write_photo(scene, folder / "a.jpg")
    return read_photo(folder / "a.jpg", path_mm=path_mm, shape=shape, width_mm=width_mm).reading


def shadow_from_the_camera(scene):
    """Return where the vessel's outline falls on the card's plane, its wall followed by points."""
    layout, vessel = card_layout(scene.paper), VESSELS[scene.vessel]
    x, _, z = hold(scene, layout).place
    back = layout.gap_mm + scene.gap_error_mm
    turn = np.linspace(0, 2 * np.pi, 2000)
    half, deep = vessel.half_width_mm, vessel.depth_mm / 2
    wall_x = half * np.cos(turn)
    wall_z = deep * np.sin(turn)
    if vessel.shape == "flat":  # its four corners
        wall_x = half * np.array([-1, -1, 1, 1])
        wall_z = deep * np.array([-1, 1, -1, 1])
    wall_x, wall_z = wall_x + scene.x_mm, wall_z + back + deep
    on_card = x + (wall_x - x) * z / (z - wall_z) + layout.width_mm / 2
    return on_card.min(), on_card.max()


@pytest.mark.parametrize(
    ("vessel", "path_mm", "shape", "glare"),
    [
        ("flat-20", 20.0, "flat", 0),
        ("flat-20", 20.0, "flat", 1),
        ("cylinder-60", 60.0, "cylinder", 0),
        ("cylinder-100", 100.0, "cylinder", 0),
    ],
)
def test_clean_water_is_found_between_its_walls(tmp_path, vessel, path_mm, shape, glare):
    stripe = Glare(facing=0.85, width=0.015, strength=1.0, low_mm=10.0, high_mm=130.0)
    scene = replace(CLEAR, vessel=vessel, x_mm=3.0, glare=(stripe,) * glare)
    found = read(tmp_path, scene, path_mm=path_mm, shape=shape)
    left, right = shadow_from_the_camera(scene)
    assert found.outline.left_mm == pytest.approx(left, abs=4.0)
    assert found.outline.right_mm == pytest.approx(right, abs=4.0)
    assert max(found.attenuation[:2]) < 0.12
    assert "too-thin" in found.flags


@pytest.mark.parametrize(("told_mm", "shown"), [(40.0, "cylinder-60"), (100.0, "cylinder-60")])
def test_a_cylinder_much_wider_or_narrower_than_its_record_is_refused(tmp_path, told_mm, shown):
    scene = replace(CLEAR, vessel=shown, cells_per_ml=1e6, species="isochrysis")
    assert read(tmp_path, scene, path_mm=60.0, shape="cylinder").path_mm < 62.0
    with pytest.raises(PhotoRefusedError, match=f"not {told_mm + 4:.0f} mm") as caught:
        read_photo(tmp_path / "a.jpg", path_mm=told_mm, shape="cylinder")
    assert caught.value.flag == "wrong-vessel"
    assert "ruler" in caught.value.advice


@pytest.mark.parametrize(
    ("vessel", "path_mm", "shape", "width_mm"),
    [
        ("flat-20", 20.0, "flat", 83.0),
        ("cylinder-60", 60.0, "cylinder", None),
        ("cylinder-100", 100.0, "cylinder", 104.0),
    ],
)
def test_a_vessel_before_the_gap_line_is_noticed_by_its_width(
    tmp_path, vessel, path_mm, shape, width_mm
):
    scene = replace(CLEAR, vessel=vessel, cells_per_ml=1e6, species="isochrysis")
    told = {"path_mm": path_mm, "shape": shape, "width_mm": width_mm}
    assert read(tmp_path, scene, **told).path_mm > 0
    with pytest.raises(PhotoRefusedError, match="before the gap line") as caught:
        read(tmp_path, replace(scene, gap_error_mm=30.0), **told)
    assert caught.value.flag == "wrong-vessel"


def test_a_wide_vessel_that_hides_an_end_of_the_bars_is_placed_by_its_other_edge(tmp_path):
    scene = replace(CLEAR, vessel="cylinder-100", cells_per_ml=1e6, species="isochrysis", fill=0.75)
    for yaw_deg in (-18.0, 22.0):
        aside = replace(scene, yaw_deg=yaw_deg)
        found = read(tmp_path, aside, path_mm=100.0, shape="cylinder").outline
        left, right = shadow_from_the_camera(aside)
        field = card_layout(aside.paper).bar_field
        assert left < field.x_mm or right > field.right_mm
        assert (found.left_mm, found.right_mm) == pytest.approx((left, right), abs=2.0)


def test_the_edge_of_a_shadow_on_the_card_is_refused_and_a_slope_of_light_is_not(tmp_path):
    good = replace(CLEAR, cells_per_ml=2e7, yaw_deg=0.0, gradient=(0.15, 0.1))
    assert "too-thin" not in read(tmp_path, good, path_mm=20.0, shape="flat").flags
    for edge_mm in (-35.0, 10.0):  # beside the vessel, and behind it
        shaded = replace(good, shadow=Shadow(x_mm=edge_mm, slope=-0.2, depth=0.4))
        with pytest.raises(PhotoRefusedError, match="light on the card") as caught:
            read(tmp_path, shaded, path_mm=20.0, shape="flat")
        assert caught.value.flag == "uneven-light"


def test_a_wide_vessel_seen_from_the_side_may_hide_grey_steps_and_a_hand_may_not(tmp_path):
    straight = replace(CLEAR, vessel="cylinder-100", cells_per_ml=1e6, species="isochrysis",
                       yaw_deg=0.0, fill=0.75)  # fmt: skip
    aside = replace(straight, yaw_deg=21.0)
    found = [read(tmp_path, s, path_mm=100.0, shape="cylinder") for s in (straight, aside)]
    assert found[1].attenuation[:2] == pytest.approx(found[0].attenuation[:2], rel=0.12)
    with pytest.raises(PhotoRefusedError, match="grey steps") as caught:
        read(tmp_path, replace(straight, defect="hand"), path_mm=100.0, shape="cylinder")
    assert caught.value.flag == "tone"


def test_glare_over_the_part_that_is_read_is_refused_and_a_stripe_is_left_out(tmp_path):
    good = replace(CLEAR, cells_per_ml=2e7, yaw_deg=0.0)
    plain = read(tmp_path, good, path_mm=20.0, shape="flat")
    assert plain.left_out == 0.0
    stripe = Glare(facing=0.1, width=0.02, strength=0.8, low_mm=0.0, high_mm=145.0)
    striped = read(tmp_path, replace(good, glare=(stripe,)), path_mm=20.0, shape="flat")
    assert 0.03 < striped.left_out < 0.3
    assert striped.attenuation[:2] == pytest.approx(plain.attenuation[:2], rel=0.03)
    wide = replace(good, glare=(replace(stripe, width=0.25),))
    with pytest.raises(PhotoRefusedError, match="mirrored") as caught:
        read(tmp_path, wide, path_mm=20.0, shape="flat")
    assert caught.value.flag == "glare"


def test_white_bars_burnt_out_beside_the_vessel_are_refused(tmp_path):
    # The light is brightest in the middle of the card; the paper at its edges keeps its tone.
    scene = replace(CLEAR, cells_per_ml=2e7, yaw_deg=0.0, pitch_deg=4.0, hollow=0.35)
    assert read(tmp_path, replace(scene, exposure=0.8), path_mm=20.0, shape="flat").attenuation
    with pytest.raises(PhotoRefusedError, match="white bars beside the vessel") as caught:
        read(tmp_path, replace(scene, exposure=1.08), path_mm=20.0, shape="flat")
    assert caught.value.flag == "clipped"
