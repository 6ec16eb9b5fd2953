"""The pieces of a reading, each against arithmetic of its own."""

from __future__ import annotations

import math

import numpy as np
import pytest

from densitycam.vessel.bars import SEA_WATER_INDEX, _refraction_shift
from densitycam.vessel.blank import GLASS_ATTENUATION
from densitycam.vessel.outline import fluid_rows
from densitycam.vessel.read import mean_chord_share, slant
from densitycam.vessel.signs import is_settled


def test_the_surface_is_the_jump_that_lasts_to_the_top():
    even = np.full(14, 0.2)
    assert fluid_rows(even) == 14
    assert fluid_rows(np.r_[even[:9], 0.6, 0.85, 0.9, 0.9, 0.88]) == 9
    # A settled culture clears step by step: no surface in it.
    assert fluid_rows(np.linspace(0.1, 0.5, 14)) == 14
    # One bubbly row in the middle is no surface.
    assert fluid_rows(np.r_[even[:5], 0.5, even[6:]]) == 14


def test_mean_chord_of_a_cylinder_is_the_integral_of_its_chords():
    # The chord at share u of the radius is sqrt(1 - u^2) of the diameter; by fine summation.
    u = (np.arange(20000) + 0.5) / 20000 * 0.30
    assert mean_chord_share("cylinder") == pytest.approx(np.mean(np.sqrt(1 - u**2)), abs=1e-7)
    assert mean_chord_share("flat") == 1.0


def test_shift_by_refraction_is_that_of_a_plane_slab():
    # Displacement along the card by ray tracing with Snell's law (Hecht, Optics, ch. 4; from
    # memory): the ray comes out t (tan phi - tan phi') short of where it aims.
    camera, path_mm = np.array([148.0, 100.0, 400.0]), 40.0
    for y in (30.0, 100.0, 180.0):
        phi = math.atan((y - 100.0) / 400.0)
        inner = math.asin(math.sin(phi) / SEA_WATER_INDEX)
        expected = -path_mm * (math.tan(phi) - math.tan(inner))
        assert _refraction_shift(np.array([y]), camera, path_mm)[0] == pytest.approx(expected)


def test_slant_lengthens_the_way_through_a_flat_bottle_only_sideways():
    ahead = np.array([148.5, 106.0, 400.0])
    aside = np.array([148.5 + 400.0 * math.tan(math.radians(25)), 106.0, 400.0])
    place = {"middle_mm": 148.5, "middle_y_mm": 106.0}
    assert slant(ahead, **place, shape="flat") == pytest.approx(1.0)
    inner = math.asin(math.sin(math.radians(25)) / SEA_WATER_INDEX)
    assert slant(aside, **place, shape="flat") == pytest.approx(1 / math.cos(inner))
    assert slant(aside, **place, shape="cylinder") == pytest.approx(1.0)


def test_glass_attenuation_is_fresnel_at_four_surfaces():
    # Reflectance at normal incidence ((n1 - n2) / (n1 + n2))^2 (Fresnel; Hecht, Optics, ch. 4.6,
    # from memory), glass 1.5, air 1, water 1.339; two surfaces of each kind.
    air = ((1.5 - 1.0) / 2.5) ** 2
    water = ((1.5 - 1.339) / 2.839) ** 2
    loss = -2 * math.log(1 - air) - 2 * math.log(1 - water)
    assert pytest.approx(loss, abs=0.002) == GLASS_ATTENUATION


def settled(contrast, mean=None):
    heights = np.arange(15.0, 15.0 + 10 * len(contrast), 10.0)
    level = np.array(contrast)
    return is_settled(
        heights_mm=heights, row_contrast=level, row_mean=level if mean is None else np.array(mean)
    )


def test_settled_is_denser_downward_by_contrast_or_where_that_is_lost_by_brightness():
    assert not settled([0.30] * 12)
    assert settled(np.exp(-np.linspace(1.5, 0.8, 12)))
    # Denser towards the top is foam or light, not settling; a step is the surface.
    assert not settled(np.exp(-np.linspace(0.8, 1.5, 12)))
    assert not settled([0.001] * 12, [0.3] * 12)
    assert settled([0.001] * 12, np.exp(-np.linspace(1.5, 0.8, 12)))
