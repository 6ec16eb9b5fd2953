"""Cells drawn by hand on a grey ground are found where they are, and dirt is not."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from densitycam.counting.cells import cell_diameter_um, find_cells

PX_PER_UM = 2.3


def ground(height: int = 420, width: int = 560) -> np.ndarray:
    noise = np.random.default_rng(5).normal(1.0, 0.01, (height, width, 3))
    return noise.astype(np.float32)


def draw(picture, x, y, *, diameter, dark=(0.45, 0.25, 0.5), hollow=0.0, stretch=1.0, turn=0.0):
    """Draw a disc, an ellipse or a ring whose middle is brighter by `hollow`."""
    v, u = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    c, s = math.cos(turn), math.sin(turn)
    along, side = (u - x) * c + (v - y) * s, -(u - x) * s + (v - y) * c
    rho = np.hypot(along / stretch, side * stretch) / (diameter / 2)
    cover = np.clip((1 - rho) * diameter / 2 + 0.5, 0, 1)
    cover = cover - hollow * np.clip((0.62 - rho) * diameter / 2 + 0.5, 0, 1)
    picture *= (1 - np.array(dark) * cover[..., None]).astype(np.float32)


def found_in(picture, diameter_px):
    where = np.ones(picture.shape[:2], bool)
    cells = find_cells(
        picture, where, origin_um=(0.0, 0.0), px_per_um=PX_PER_UM,
        diameter_um=diameter_px / PX_PER_UM,
    )  # fmt: skip
    return cells.at_um * PX_PER_UM - 0.5, cells


def spread_out(n: int, *, apart: float, seed: int = 2) -> np.ndarray:
    rng = np.random.default_rng(seed)
    at: list[np.ndarray] = []
    while len(at) < n:
        new = rng.uniform((20, 20), (540, 400))
        if all(np.hypot(*(new - old)) > apart for old in at):
            at.append(new)
    return np.array(at)


@pytest.mark.parametrize("diameter", [7.0, 12.5, 21.0])
def test_diameter_and_places_of_lone_cells(diameter):
    picture, at = ground(), spread_out(24, apart=1.6 * diameter)
    for x, y in at:
        draw(picture, x, y, diameter=diameter)
    where = np.ones(picture.shape[:2], bool)
    measured = cell_diameter_um(picture, where, px_per_um=PX_PER_UM) * PX_PER_UM
    assert measured == pytest.approx(diameter, rel=0.15, abs=0)
    middles, cells = found_in(picture, measured)
    assert len(middles) == len(at)
    away = np.hypot(*(at[:, None] - middles[None]).transpose(2, 0, 1)).min(axis=1)
    assert away.max() < 0.12 * diameter
    assert cells.typical_um * PX_PER_UM == pytest.approx(diameter, rel=0.12, abs=0)
    assert cells.smear < 1.15


def test_cells_that_touch_are_told_apart():
    picture, at = ground(), spread_out(14, apart=60.0)
    for k, (x, y) in enumerate(at):
        angle = 0.7 * k
        for t in (-0.5, 0.5):  # edge to edge
            draw(picture, x + 14 * t * math.cos(angle), y + 14 * t * math.sin(angle), diameter=14.0)
    middles, _ = found_in(cv2.GaussianBlur(picture, (0, 0), 1.2), 14.0)
    assert len(middles) == 28


def test_rings_with_bright_middles_and_long_cells_are_one_cell_each():
    picture, at = ground(), spread_out(20, apart=45.0)
    for k, (x, y) in enumerate(at):
        if k % 2:
            draw(picture, x, y, diameter=18.0, hollow=1.2)
        else:
            draw(picture, x, y, diameter=18.0, stretch=1.2, turn=k)
    middles, _ = found_in(picture, 18.0)
    assert len(middles) == 20


def test_specks_fibres_bubbles_and_flakes_are_left_out():
    picture, at = ground(), spread_out(20, apart=40.0)
    cells, dirt = at[:14], at[14:]
    for x, y in cells:
        draw(picture, x, y, diameter=13.0)
    brown = (0.2, 0.26, 0.3)
    for x, y in dirt[:3]:
        draw(picture, x, y, diameter=5.0, dark=brown)
    draw(picture, *dirt[3], diameter=34.0, dark=brown)
    before, _ = found_in(picture, 13.0)
    cv2.line(picture, (30, 30), (500, 380), (0.6, 0.6, 0.6), 4, cv2.LINE_AA)
    cv2.circle(picture, (300, 210), 60, (0.3, 0.25, 0.2), 8, cv2.LINE_AA)
    after, _ = found_in(picture, 13.0)
    assert len(before) == len(cells)
    # What a fibre or a bubble covers may be lost, but neither is counted.
    assert len(cells) - 3 <= len(after) <= len(cells)


def test_a_movement_shows_in_the_mean_shape():
    picture, at = ground(), spread_out(20, apart=40.0)
    for x, y in at:
        draw(picture, x, y, diameter=13.0)
    kernel = np.zeros((15, 15), np.float32)
    cv2.line(kernel, (1, 3), (13, 11), 1.0, 1)
    _, moved = found_in(cv2.filter2D(picture, -1, kernel / kernel.sum()), 13.0)
    _, still = found_in(picture, 13.0)
    assert still.smear < 1.1
    assert moved.smear > 1.3


def test_an_empty_ground_holds_no_cells():
    picture = ground()
    where = np.ones(picture.shape[:2], bool)
    assert math.isnan(cell_diameter_um(picture, where, px_per_um=PX_PER_UM))
    middles, cells = found_in(picture, 12.0)
    assert len(middles) == 0
    assert math.isnan(cells.typical_um)
