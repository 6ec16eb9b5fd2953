"""Lines of sight through glass and water against textbook optics."""

from dataclasses import replace

import numpy as np
import pytest

from densitycam.simulate.cells import SEAWATER_INDEX
from densitycam.simulate.vessels import (
    GLASS_INDEX,
    VESSELS,
    land,
    trace_cylinder,
    trace_flat,
)

BACK_MM = 12.0


def trace_at(vessel, *, x_mm, tilt_rad=0.0, level_mm=140.0):
    """Follow one line that meets the vessel's front at x, coming down at `tilt_rad`."""
    trace = trace_cylinder if vessel.shape == "cylinder" else trace_flat
    direction = np.array([[0.0, -np.sin(tilt_rad), -np.cos(tilt_rad)]])
    camera = np.array([x_mm, 80.0, BACK_MM + vessel.depth_mm]) - 400.0 * direction[0]
    return camera, direction, trace(
        vessel,
        camera=camera,
        direction=direction,
        x_mm=0.0,
        back_mm=BACK_MM,
        level_mm=level_mm,
    )  # fmt: skip


@pytest.mark.parametrize("name", ["cylinder-40", "cylinder-60", "cylinder-100"])
def test_a_level_line_through_the_axis_runs_the_diameter(name):
    vessel = VESSELS[name]
    _, _, rays = trace_at(vessel, x_mm=0.0)
    assert rays.path_mm[0] == pytest.approx(vessel.path_mm, rel=1e-6)
    assert rays.point[0, 2] == pytest.approx(BACK_MM, abs=1e-3)


@pytest.mark.parametrize("share", [0.13, 0.4, 0.71])
def test_the_chord_follows_bouguers_law(share):
    # Bouguer's formula (Born & Wolf, Principles of Optics, sec. 3.2.1): n x distance from the
    # axis is the same in every concentric layer, so the chord in water of a line that aims past
    # the axis at s is 2 sqrt(R^2 - (s/n)^2), whatever the glass.
    vessel = VESSELS["cylinder-60"]
    s = share * vessel.path_mm / 2.0
    _, _, rays = trace_at(vessel, x_mm=s)
    inner = vessel.path_mm / 2.0
    expected = 2.0 * np.sqrt(inner**2 - (s / SEAWATER_INDEX) ** 2)
    assert rays.path_mm[0] == pytest.approx(expected, rel=1e-6)


def test_a_cylinder_turns_the_card_left_to_right_but_keeps_bars_level():
    vessel = VESSELS["cylinder-100"]
    x, v = [], []
    for at in (-20.0, 0.0, 20.0):
        _, _, rays = trace_at(vessel, x_mm=at)
        landed = land(rays.point, rays.direction)
        x.append(landed[0][0])
        v.append(landed[1][0])
    assert x[0] > -20.0
    assert x[1] == pytest.approx(0.0, abs=1e-6)
    assert x[0] == pytest.approx(-x[2], abs=1e-6)
    assert x[2] < 20.0  # focused: moved towards or past the axis
    np.testing.assert_allclose(v, 80.0, rtol=0, atol=1e-6)


@pytest.mark.parametrize("degrees", [5.0, 17.0, 30.0])
@pytest.mark.parametrize("name", ["flat-20", "flat-30"])
def test_a_slab_shifts_a_line_as_the_textbook_says(name, degrees):
    # d = t sin(th) (1 - cos(th) / sqrt(n^2 - sin^2(th))), lateral displacement by a plane
    # parallel plate (Hecht, Optics, 4th ed., problem 4.15 [from memory]); plates add.
    vessel = VESSELS[name]
    theta = np.deg2rad(degrees)
    camera, direction, rays = trace_at(vessel, x_mm=3.7, tilt_rad=theta)

    def shift(thickness, n):
        return thickness * np.sin(theta) * (1 - np.cos(theta) / np.sqrt(n**2 - np.sin(theta) ** 2))

    expected = shift(vessel.path_mm, SEAWATER_INDEX) + shift(2 * vessel.wall_mm, GLASS_INDEX)
    np.testing.assert_allclose(rays.direction, direction, rtol=0, atol=1e-9)
    off = rays.point[0] - camera
    found = np.linalg.norm(off - np.dot(off, direction[0]) * direction[0])
    assert found == pytest.approx(expected, rel=1e-6)
    slant = np.cos(np.arcsin(np.sin(theta) / SEAWATER_INDEX))
    assert rays.path_mm[0] == pytest.approx(vessel.path_mm / slant, rel=1e-6)


def test_above_the_fluid_there_is_only_glass():
    _, _, rays = trace_at(VESSELS["flat-20"], x_mm=0.0, level_mm=70.0)
    assert rays.path_mm[0] == 0.0
    assert 0.80 < rays.glass[0] < 0.93
    _, _, full = trace_at(VESSELS["flat-20"], x_mm=0.0, level_mm=90.0)
    assert full.path_mm[0] == pytest.approx(20.0, rel=1e-9)
    assert full.glass[0] == pytest.approx(0.96**2, rel=1e-6)  # two faces at 4 % (Fresnel)


def test_lines_that_come_down_land_on_the_strip():
    point = np.array([[5.0, 30.0, 100.0], [5.0, 30.0, 100.0]])
    steep = np.array([0.0, -0.6, -0.8])
    shallow = np.array([0.0, -0.1, -np.sqrt(0.99)])
    x, v = land(point, np.array([steep, shallow]))
    np.testing.assert_allclose(x, 5.0, rtol=0, atol=1e-9)
    assert v[0] == pytest.approx(-(100.0 - 30.0 * 0.8 / 0.6), rel=1e-9)
    assert v[1] == pytest.approx(30.0 - 100.0 * 0.1 / np.sqrt(0.99), rel=1e-9)


def test_volumes_are_those_of_the_samples():
    assert VESSELS["cylinder-60"].volume_ml == pytest.approx(400.0, rel=0.01)
    assert VESSELS["flat-20"].volume_ml == pytest.approx(250.0, rel=0.01)
    wider = replace(VESSELS["flat-20"], width_mm=160.0)
    assert wider.volume_ml == pytest.approx(2.0 * VESSELS["flat-20"].volume_ml, rel=1e-9)
