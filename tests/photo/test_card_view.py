"""Light and tone: what may vary between two photos of one culture and must not matter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from linear_camera import photo_of_slab

from densitycam.card.layout import card_layout
from densitycam.card.profile import nominal_profile
from densitycam.errors import PhotoRefusedError
from densitycam.vessel.blank import assumed_blank
from densitycam.vessel.read import read_photo

DEPTHS = (0.93, 1.31, 1.77)


def attenuation(path):
    return np.array(read_photo(path, path_mm=20, shape="flat").reading.attenuation)


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    path = tmp_path_factory.mktemp("plain") / "slab.jpg"
    return attenuation(photo_of_slab(path, depths=DEPTHS))


@pytest.mark.parametrize(
    "change",
    [
        {"exposure": 0.3},
        {"gradient": 0.6},
        {"noise": 0.01},
        {"paper": "letter"},
        {"turns": 1},
        {"turns": 2},
        {"blur_px": 3.0},
        {"quality": 70},
    ],
    ids=str,
)
def test_exposure_light_noise_paper_turn_and_focus_do_not_matter(tmp_path, plain, change):
    again = attenuation(photo_of_slab(tmp_path / "slab.jpg", depths=DEPTHS, **change))
    assert again == pytest.approx(plain, rel=0.025)


@pytest.mark.parametrize("registered", [False, True])
@pytest.mark.parametrize("exposure", [0.25, 0.5, 0.9])
@pytest.mark.parametrize("s_curve", [0.0, 0.2])
def test_an_s_curve_and_flare_do_not_matter(tmp_path, registered, exposure, s_curve):
    """Without JPEG, whose rounding of noiseless blocks moves the red by 3 %."""
    # This print is the layout's own, so its profile is known without a photo of it.
    known = replace(nominal_profile(card_layout("a4")), photos=2) if registered else None
    bent = photo_of_slab(
        tmp_path / "bent.png",
        depths=DEPTHS,
        exposure=exposure,
        s_curve=s_curve,
        flare=0.01,
        noise=0.004,
    )
    reading = read_photo(bent, path_mm=20, shape="flat", profile=known).reading
    blank = np.array(assumed_blank(20.0).attenuation)
    assert reading.attenuation == pytest.approx(np.array(DEPTHS) - blank, rel=0.025)


@pytest.mark.parametrize(
    ("flag", "change"),
    [
        ("dark", {"exposure": 0.015}),
        ("clipped", {"exposure": 1.6}),
        ("blurred", {"blur_px": 14.0}),
        ("no-card", {"crop": slice(850, 1150)}),
        ("card-cut", {"crop": slice(0, 1200)}),
        ("mirrored", {"mirror": True}),
    ],
)
def test_gates_refuse_with_their_own_flag_and_advice(tmp_path, flag, change):
    photo = photo_of_slab(tmp_path / "slab.jpg", depths=DEPTHS, **change)
    with pytest.raises(PhotoRefusedError, match=r"\w") as caught:
        read_photo(photo, path_mm=20, shape="flat")
    assert caught.value.flag == flag
    assert caught.value.advice


def test_a_bare_card_has_no_vessel(tmp_path):
    photo = photo_of_slab(tmp_path / "bare.jpg", depths=None)
    with pytest.raises(PhotoRefusedError, match="undisturbed") as caught:
        read_photo(photo, path_mm=20, shape="flat")
    assert caught.value.flag == "no-vessel"
