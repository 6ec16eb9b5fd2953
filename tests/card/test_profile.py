"""A print's profile: measured from a bare card, averaged, kept, and used by a reading."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from linear_camera import photo_of_slab

from densitycam.card.layout import card_layout
from densitycam.card.profile import (
    mean_profile,
    nominal_profile,
    profile_from_json,
    profile_to_json,
)
from densitycam.errors import DensitycamError
from densitycam.photo.print_registration import register_print
from densitycam.simulate import Scene, write_photo
from densitycam.vessel.read import read_photo


def test_a_faultless_print_under_a_faultless_camera_measures_as_its_table(tmp_path):
    photo = photo_of_slab(tmp_path / "bare.png", depths=None, gradient=0.3)
    found = register_print(photo)
    for name, expected in nominal_profile(card_layout("a4")).reflectance.items():
        assert found.reflectance[name] == pytest.approx(expected, rel=0.03), name


def test_several_photos_average_and_tell_how_far_they_disagree():
    one = nominal_profile(card_layout("a4"))
    other = replace(
        one,
        photos=1,
        reflectance={k: tuple(1.1 * v for v in values) for k, values in one.reflectance.items()},
    )
    both = mean_profile([replace(one, photos=1), other])
    assert both.photos == 2
    # Two values 1 and 1.1: mean in the logarithm sqrt(1.1), deviation ln(1.1) / sqrt(2).
    name = "grey left 4"
    assert both.reflectance[name][0] == pytest.approx(one.reflectance[name][0] * math.sqrt(1.1))
    assert both.disagreement == pytest.approx(math.log(1.1) / math.sqrt(2))
    with pytest.raises(DensitycamError, match="different format"):
        mean_profile([one, nominal_profile(card_layout("letter"))])


def test_a_profile_comes_back_from_its_text_and_damage_is_told():
    profile = replace(nominal_profile(card_layout("a4")), photos=2, disagreement=0.02)
    assert profile_from_json(profile_to_json(profile)) == profile
    with pytest.raises(DensitycamError, match="cannot be read"):
        profile_from_json(profile_to_json(profile)[:200])
    with pytest.raises(DensitycamError, match="format 7"):
        profile_from_json(profile_to_json(profile).replace('"format": 1', '"format": 7'))


def test_a_registered_print_brings_two_prints_together(tmp_path):
    # The same culture before two home prints: registered, the readings agree better than not.
    scene = Scene(seed=9, species="nannochloropsis", cells_per_ml=8e6, vessel="flat-20")
    plain, registered = [], []
    for print_name in ("draft", "laser"):
        photo = tmp_path / f"{print_name}.jpg"
        write_photo(replace(scene, print_name=print_name), photo)
        write_photo(replace(scene, print_name=print_name, vessel=None), tmp_path / "bare.jpg")
        profile = register_print(tmp_path / "bare.jpg")
        for found, use in ((plain, None), (registered, profile)):
            reading = read_photo(photo, path_mm=20, shape="flat", profile=use).reading
            found.append(np.array(reading.attenuation[:2]))
    apart = np.abs(np.log(plain[0] / plain[1])).max()
    together = np.abs(np.log(registered[0] / registered[1])).max()
    assert together < 0.015
    assert apart > 0.05


def test_a_profile_of_another_edition_is_not_used(tmp_path):
    photo = photo_of_slab(tmp_path / "slab.png", depths=(0.9, 1.2, 1.5))
    other = replace(
        nominal_profile(card_layout("a4")),
        version=99,
        reflectance=dict.fromkeys(nominal_profile(card_layout("a4")).reflectance, (0.5, 0.5, 0.5)),
    )
    plain = read_photo(photo, path_mm=20, shape="flat").reading
    assert read_photo(photo, path_mm=20, shape="flat", profile=other).reading == plain
