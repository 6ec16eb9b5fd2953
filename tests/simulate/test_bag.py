"""Lines of sight through a soft hanging bag against textbook optics."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from densitycam.simulate import Scene, render
from densitycam.simulate.bag import BAGS, trace_bag, with_wrinkles
from densitycam.simulate.cells import SEAWATER_INDEX

BACK_MM, LEVEL_MM = 12.0, 150.0
#: Where a bag is as thick as its record says [mm].
MIDDLE_MM = LEVEL_MM / 2.0


def trace_at(bag, *, x_mm, y_mm=MIDDLE_MM, across=0.0):
    """Follow level lines that meet the bag's middle plane near x, turned sideways by `across`."""
    x = np.atleast_1d(np.asarray(x_mm, dtype=float))
    direction = np.tile([np.sin(across), 0.0, -np.cos(across)], (x.size, 1))
    paths = []
    for at in x:  # one line each, all level, as if the camera were far away
        camera = np.array([at, y_mm, 2000.0])
        paths.append(
            trace_bag(
                bag,
                camera=camera,
                direction=direction[:1],
                x_mm=0.0,
                back_mm=BACK_MM,
                level_mm=LEVEL_MM,
            )
        )
    return paths


@pytest.mark.parametrize("name", BAGS)
def test_the_middle_is_as_thick_as_the_record_says_and_stands_on_its_line(name):
    bag = BAGS[name]
    (rays,) = trace_at(bag, x_mm=0.0)
    assert rays.path_mm[0] == pytest.approx(bag.path_mm, rel=2e-3)
    assert rays.point[0, 2] == pytest.approx(BACK_MM, abs=0.3)


@pytest.mark.parametrize("name", BAGS)
def test_a_bag_is_a_lens_of_the_focal_length_that_the_lensmaker_says(name):
    # 1/f = (n - 1) (2/R - (n - 1) t / (n R^2)), thick lens of equal faces (Hecht, Optics, 4th ed.,
    # eq. 6.2, from memory); a line near the axis at x leaves at the angle x / f.
    bag = BAGS[name]
    half, sagitta = bag.width_mm / 2.0 - 4.0, bag.path_mm / 2.0  # welds of 4 mm hold no fluid
    radius = (half**2 + sagitta**2) / (2.0 * sagitta)
    n = SEAWATER_INDEX
    power = (n - 1) * (2 / radius - (n - 1) * bag.path_mm / (n * radius**2))
    for x in (1.5, 3.0):
        (rays,) = trace_at(bag, x_mm=x)
        angle = -rays.direction[0, 0] / -rays.direction[0, 2]
        assert angle == pytest.approx(x * power, rel=0.02)


def test_its_pear_shape_is_a_prism():
    # Thin prism: the line is bent by (n - 1) times its wedge (Hecht, Optics, 4th ed., sec. 5.5.1,
    # from memory), towards the thicker foot; the bag is 10 % thinner at the surface than there.
    bag = BAGS["bag-60"]
    (rays,) = trace_at(bag, x_mm=0.0)
    wedge = 0.10 * bag.path_mm / LEVEL_MM
    bent = rays.direction[0, 1] / -rays.direction[0, 2]
    assert bent == pytest.approx(-(SEAWATER_INDEX - 1) * wedge, rel=0.03)


def test_it_thins_towards_its_welds_and_its_foot_and_is_empty_above_the_fluid():
    bag = BAGS["bag-60"]
    paths = [r.path_mm[0] for r in trace_at(bag, x_mm=[0.0, 10.0, 25.0, 40.0, 53.0])]
    assert paths == sorted(paths, reverse=True)
    assert paths[1] > 0.95 * bag.path_mm  # what the reading's middle columns see
    assert paths[3] < 0.6 * bag.path_mm
    assert paths[4] < 1e-6
    low, foot, above = (trace_at(bag, x_mm=0.0, y_mm=y)[0].path_mm[0] for y in (35.0, 8.0, 165.0))
    assert low > bag.path_mm > foot
    assert above == 0.0


def test_wrinkles_are_thin_and_few_and_the_shots_own():
    scene = Scene(seed=8, vessel=BAGS["bag-60"], size_px=(640, 480))
    bag = BAGS["bag-60"]
    columns, rows = np.meshgrid(np.linspace(-56, 56, 200), np.linspace(175, -2, 300))
    direction = np.tile([0.0, 0.0, -1.0], (columns.size, 1))
    entry = np.stack([columns.ravel(), rows.ravel(), np.full(columns.size, 70.0)], axis=1)
    rays = replace(trace_at(bag, x_mm=0.0)[0], entry=entry, direction=direction)
    folds = [with_wrinkles(bag, rays, rows.shape, seed=s, x_mm=0.0) for s in (1, 1, 2)]
    np.testing.assert_array_equal(folds[0], folds[1])
    assert not np.array_equal(folds[0], folds[2])
    assert 0.01 < np.mean(np.abs(folds[0] - 1.0) > 0.03) < 0.15
    assert 0.6 < folds[0].min() < folds[0].max() < 1.3
    picture, truth = render(scene)
    assert truth.path_mm == bag.path_mm
    # The fluid is seen: the middle of the bag is greener than the paper beside it.
    left, _, right, _ = (int(v) for v in truth.vessel_box_px)
    inside = picture[240, (left + right) // 2].astype(float)
    assert inside[1] > inside[0]
