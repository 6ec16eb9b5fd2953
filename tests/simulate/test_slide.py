"""Drawn slides: what is said to lie in them lies there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from densitycam.simulate.slide import (
    RULED,
    SlideScene,
    random_slide,
    render_slide,
    write_slide,
)

SMALL = SlideScene(
    seed=3, size_px=(800, 600), px_per_um=1.1, species="chlorella", diameter_um=6.0, noise=0.005
)


def test_one_seed_draws_one_picture():
    scene = replace(SMALL, size_px=(300, 200))
    first, second = render_slide(scene), render_slide(scene)
    assert np.array_equal(first[0], second[0])
    assert np.array_equal(first[1].cells_px, second[1].cells_px)
    other, _ = render_slide(replace(scene, seed=4))
    assert not np.array_equal(first[0], other)


def test_cells_are_dark_where_they_are_said_to_lie():
    rgb, truth = render_slide(replace(SMALL, debris_per_mm2=0.0, line_contrast=0.0))
    grey = rgb.mean(axis=2)
    x, y = np.rint(truth.cells_px).astype(int).T
    inside = (x > 5) & (x < 794) & (y > 5) & (y < 594)
    assert inside.sum() > 50
    # A cell's middle is darker than the glass round it, in 98 of 100.
    ground = np.median(grey)
    assert (grey[y[inside], x[inside]] < 0.93 * ground).mean() > 0.98


def test_squares_of_a_ruling_count_each_cell_once():
    # Squares that tile the plane: by the two-edge rule a cell on a line between two counts once.
    scene = replace(
        SMALL, ruling="fuchs-rosenthal/group", centre_um=(2000.0, 2000.0), rotation_deg=0.0,
        px_per_um=0.5, size_px=(640, 640), barrel=0.0, cells_per_square=40.0,
    )  # fmt: skip
    _, truth = render_slide(scene)
    corners = np.array([square.corners_px for square in truth.squares])
    assert len(corners) == 16
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    # The same rule for the whole block, written another way: shifted by a cell's reach.
    reach = (truth.radii_px + 0.75 * scene.px_per_um)[:, None]
    ends = truth.cells_px + reach
    whole = ((ends >= low) & (truth.cells_px - reach > low - 2 * reach) & (ends < high)).all(axis=1)
    assert sum(square.cells for square in truth.squares) == whole.sum()
    assert any(square.on_lines for square in truth.squares)


def test_counts_scatter_round_the_density_asked_for():
    counts = []
    for seed in range(6):
        scene = replace(
            SMALL, seed=seed, size_px=(420, 420), px_per_um=0.5, diameter_um=4.0,
            cells_per_square=12.0,
        )  # fmt: skip
        counts += [square.cells for square in render_slide(scene)[1].squares]
    mean, error = np.mean(counts), np.std(counts) / np.sqrt(len(counts))
    assert len(counts) >= 30
    assert abs(mean - 12.0) < 3 * error


@pytest.mark.parametrize("turn", [0.0, 90.0, 180.0, 270.0])
def test_top_and_left_are_those_of_the_picture(turn):
    # Turning the slide by quarters changes which lines count, not where the corners are named.
    _, truth = render_slide(
        replace(SMALL, size_px=(400, 400), px_per_um=0.8, rotation_deg=turn + 7.0)
    )
    assert truth.squares
    for square in truth.squares:
        top_left, top_right, bottom_right, _ = square.corners_px
        assert top_left[0] < top_right[0]
        assert top_right[1] < bottom_right[1]


@pytest.mark.parametrize("name", RULED)
def test_every_ruling_draws_its_lines(name):
    plan = RULED[name](8.0)
    u0, v0, u1, v1 = plan.squares[len(plan.squares) // 2]
    scale = 150.0 / (u1 - u0)
    scene = SlideScene(
        seed=1, ruling=name, centre_um=((u0 + u1) / 2, (v0 + v1) / 2), px_per_um=scale,
        size_px=(260, 240), rotation_deg=0.0, cells_per_square=0.0, debris_per_mm2=0.0,
        barrel=0.0, chromatic=0.0, vignette=0.0, tilt=0.0, noise=0.0,
    )  # fmt: skip
    rgb, truth = render_slide(scene)
    assert truth.square_area_mm2 == pytest.approx((u1 - u0) * (v1 - v0) / 1e6, rel=1e-12)
    square = min(truth.squares, key=lambda s: abs(s.corners_px.mean(axis=0) - 125).sum())
    left, right = square.corners_px[0, 0], square.corners_px[1, 0]
    # Down the square, clear of the lines across it.
    profile = np.percentile(rgb[80:160].mean(axis=2), 90, axis=0)
    for place in (left, right):
        assert profile[round(place)] < profile[round((left + right) / 2 + 8)] - 5


def test_random_slides_show_a_whole_square_with_cells_of_five_pixels():
    for seed in range(12):
        scene = random_slide(np.random.default_rng(seed))
        side = np.ptp(np.array(RULED[scene.ruling](8.0).squares)[0, [0, 2]])
        assert scene.px_per_um * side < 0.63 * scene.size_px[1]
        assert scene.px_per_um * scene.diameter_um >= 4.9


def test_a_slide_file_says_that_it_is_simulated(tmp_path):
    write_slide(replace(SMALL, size_px=(200, 160)), tmp_path / "slide.jpg")
    with Image.open(tmp_path / "slide.jpg") as image:
        assert image.size == (200, 160)
        assert "simulated" in image.getexif()[0x010E]
