"""Lamps, phones, prints and vessels of another make, and shots spoilt in each way."""

from dataclasses import replace

import numpy as np
import pytest

from densitycam.simulate import (
    LAMPS,
    PHONES,
    PRINTS,
    VESSELS,
    Print,
    Scene,
    phone_of,
    random_scene,
    render,
    spoilt,
)
from densitycam.simulate.phones import colour_matrix, encode, sensitivities
from densitycam.simulate.prints import bands, weights

SMALL = Scene(seed=3, size_px=(400, 300), fill=0.75, gradient=(0.0, 0.0), hollow=0.0)


def test_an_object_draws_the_same_picture_as_its_name():
    objects = replace(
        SMALL,
        lamp=LAMPS["daylight"],
        phone=PHONES["heron"],
        print_name=PRINTS["inkjet"],
        vessel=VESSELS["flat-20"],
    )
    np.testing.assert_array_equal(render(objects)[0], render(SMALL)[0])


def test_a_measured_camera_takes_the_place_of_the_invented_one():
    curves = np.eye(61)[[40, 28, 10]]
    tone = tuple(float(v) ** 2 for v in np.linspace(0, 1, 101))
    matrix = ((1.2, -0.2, 0.0), (0.0, 1.0, 0.0), (0.0, -0.1, 1.1))
    phone = replace(
        PHONES["heron"],
        curves=tuple(tuple(row) for row in curves.tolist()),
        matrix=matrix,
        tone=tone,
        s_curve=0.0,
    )
    np.testing.assert_array_equal(sensitivities(phone), curves)
    np.testing.assert_array_equal(colour_matrix(phone), np.array(matrix))
    np.testing.assert_allclose(
        encode(phone, np.array([0.0, 0.25, 1.0])), [0.0, 0.5, 1.0], rtol=0, atol=1e-3
    )
    assert phone_of(phone) is phone


def test_a_print_of_its_own_bands_still_shows_nominal_colours():
    shifted = np.roll(bands(), 2, axis=1)
    shifted[:, :2] = shifted[:, 2:3]
    made = Print("other", (1.0,) * 3, (0.035,) * 3, (1.0,) * 3, (0.9,) * 5,
                 tuple(tuple(row) for row in shifted.tolist()))  # fmt: skip
    # Grey has no colour, so its weights are its reflectance whatever the bands are.
    np.testing.assert_allclose(weights(made, (0.4, 0.4, 0.4)), 0.4, rtol=0, atol=1e-9)
    green = weights(made, (0.3, 0.5, 0.2))
    assert np.abs(green - weights(PRINTS["nominal"], (0.3, 0.5, 0.2))).max() > 0.01


def test_scenes_are_drawn_over_objects():
    rng = np.random.default_rng(8)
    some = (PHONES["slate"], PHONES["ember"])
    drawn = {random_scene(rng, phone=some).phone for _ in range(12)}
    assert drawn == set(some)
    assert random_scene(rng, lamp=LAMPS["shade"]).lamp == LAMPS["shade"]


def test_a_misspelt_name_is_still_refused():
    with pytest.raises(ValueError, match="lamp must be one of"):
        Scene(seed=1, lamp="candle")


def light(how, **changes):
    """Return a spoilt picture's green channel beside the good one's, as linear numbers."""
    good = replace(SMALL, **changes)
    return tuple(render(s)[0][..., 1].astype(float) for s in (spoilt(good, how), good))


def test_a_shadow_darkens_one_side_alone():
    bad, good = light("shadow", vessel=None)
    change = (bad / np.maximum(good, 1.0))[40:60]  # above the bars, paper and wall
    assert change[:, 60:90].mean() < 0.93
    assert change[:, 320:350].mean() == pytest.approx(1.0, abs=0.03)


def test_flicker_lays_bands_across_the_picture():
    bad, good = light("flicker", vessel=None, defect="no-card")
    by_row = (bad / np.maximum(good, 1.0))[:, 20:380].mean(axis=1)
    assert by_row.max() > 1.05
    assert by_row.min() < 0.92


def test_a_moved_phone_smears_edges():
    bad, good = (picture[60:240, 60:340] for picture in light("moved", vessel=None))
    softer = [
        np.abs(np.diff(bad, axis=a)).max() / np.abs(np.diff(good, axis=a)).max() for a in (0, 1)
    ]
    assert min(softer) < 0.6  # edges along the way it moved stay sharp


def test_a_mirrored_picture_is_the_picture_in_a_mirror():
    bad, good = light("mirrored")
    card = slice(60, 240)  # clear of the mark, which is written upright on both
    np.testing.assert_array_equal(bad[card, ::-1], good[card])


def test_a_second_vessel_hides_more_of_the_bars():
    dense, clear = (light("two", vessel="cylinder-40", cells_per_ml=c) for c in (4e8, 0.0))
    hidden = [np.mean(np.abs(d - c) > 40) for d, c in zip(dense, clear, strict=True)]
    assert hidden[0] > 1.7 * hidden[1]


@pytest.mark.parametrize("how", ["cut", "tilted", "forward", "beside", "bare", "glare"])
def test_every_other_way_of_spoiling_changes_the_picture(how):
    bad, good = light(how)
    assert np.mean(np.abs(bad - good) > 10) > 0.02
