"""A slide photo becomes counts by the two-edge rule, or a refusal with its reason."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from densitycam.counting.poisson import poisson_limits
from densitycam.counting.slide_photo import corrected, count_squares, read_slide_photo
from densitycam.errors import DensitycamError, PhotoRefusedError
from densitycam.photo.decode import linear
from densitycam.simulate.slide import SlideScene, render_slide, write_slide

SCENE = SlideScene(
    seed=21, size_px=(1060, 860), centre_um=(1600.0, 1600.0), px_per_um=1.6, species="isochrysis",
    diameter_um=5.5, cells_per_square=32.0, rotation_deg=-8.0,
)  # fmt: skip


@cache
def counted(**changes: object):
    scene = replace(SCENE, **changes)
    rgb, truth = render_slide(scene)
    return count_squares(linear(rgb)), truth


def refusal(**changes: object) -> PhotoRefusedError:
    rgb, _ = render_slide(replace(SCENE, **changes))
    with pytest.raises(PhotoRefusedError) as caught:
        count_squares(linear(rgb))
    return caught.value


def test_counts_of_a_good_slide():
    photo, truth = counted()
    assert (photo.chamber, photo.unit) == ("improved-neubauer", "group")
    assert len(photo.squares) == len(truth.squares) >= 3
    true = [square.cells for square in truth.squares]
    # Squares are numbered as one reads; so are those of the truth here.
    off = [abs(a - b) for a, b in zip(sorted(photo.counts), sorted(true), strict=True)]
    assert max(off) <= 2
    # Garwood 1936, exact limits of the count.
    low, high = poisson_limits(sum(photo.counts))
    assert low <= sum(true) <= high
    assert photo.diameter_um == pytest.approx(5.5, rel=0.25, abs=0)


def test_cells_lie_where_they_were_drawn():
    photo, truth = counted()
    found = np.array([(c.x_px, c.y_px) for c in photo.cells if c.square is not None])
    away = np.hypot(*(truth.cells_px[:, None] - found[None]).transpose(2, 0, 1)).min(axis=0)
    assert (away < 0.5 * SCENE.diameter_um * SCENE.px_per_um).mean() > 0.95


def test_the_two_edge_rule_in_numbers():
    photo, _ = counted()
    for square in photo.squares:
        homed = [c for c in photo.cells if c.square == square.number]
        assert len(homed) == square.found
        assert sum(c.on_line for c in homed) == square.on_lines
        # None that counts touches the bottom or the right line: measured from the corners.
        (x2, y2), (x3, y3) = square.corners_px[2], square.corners_px[3]
        length = np.hypot(x3 - x2, y3 - y2)
        for c in homed:
            to_bottom = ((x3 - x2) * (c.y_px - y2) - (y3 - y2) * (c.x_px - x2)) / length
            assert to_bottom > c.diameter_px / 2 - 1


def test_the_other_half_turn_gives_the_other_edges():
    # The same picture upside down: top becomes bottom, and cells on lines change squares.
    rgb, _ = render_slide(SCENE)
    upright = count_squares(linear(rgb))
    turned = count_squares(linear(np.ascontiguousarray(rgb[::-1, ::-1])))
    assert len(turned.squares) == len(upright.squares)
    inside = [s.found - s.on_lines for s in upright.squares]
    again = [s.found - s.on_lines for s in turned.squares][::-1]
    assert np.abs(np.array(inside) - again).max() <= 1
    lines = [s.on_lines + s.left_out for s in upright.squares]
    lines_again = [s.on_lines + s.left_out for s in turned.squares][::-1]
    assert np.abs(np.array(lines) - lines_again).max() <= 2


def test_an_empty_slide_counts_zero():
    photo, truth = counted(cells_per_square=0.0, debris_per_mm2=0.0)
    assert len(truth.cells_px) == 0
    assert sum(photo.counts) == 0
    assert np.isnan(photo.diameter_um)


@pytest.mark.parametrize(
    ("flags", "changes"),
    [
        ({"no-ruling"}, {"line_contrast": 0.0}),
        ({"slide-blurred", "no-ruling"}, {"blur_um": 3.2}),
        ({"slide-moved", "no-square", "slide-blurred"}, {"motion_px": 13.0, "motion_deg": 30.0}),
        ({"cells-small"}, {"species": "nannochloropsis", "diameter_um": 2.0, "px_per_um": 1.1}),
        ({"no-square", "no-ruling"}, {"px_per_um": 5.5}),
        (
            {"cells-crowded"},
            {"species": "tetraselmis", "diameter_um": 10.0, "cells_per_square": 210.0},
        ),
    ],
    ids=["no lines", "blurred", "moved", "far", "near", "crowded"],
)
def test_what_cannot_be_counted_is_refused(flags, changes):
    error = refusal(**changes)
    assert error.flag in flags
    assert error.advice


def test_a_crowd_is_told_how_far_to_dilute():
    error = refusal(
        species="chlorella", diameter_um=8.0, cells_per_square=290.0, line_contrast=0.6,
        debris_per_mm2=0.0, touching=0.0,
    )  # fmt: skip
    assert error.flag == "cells-crowded"
    assert "--dilution" in error.advice


def test_cells_of_another_species_size_are_noticed():
    rgb, _ = render_slide(SCENE)
    assert count_squares(linear(rgb), size_um=(4.0, 7.0)).squares
    with pytest.raises(PhotoRefusedError, match="25 to 30 um") as caught:
        count_squares(linear(rgb), size_um=(25.0, 30.0))
    assert caught.value.flag == "cells-odd"


def test_corrections_by_number():
    photo, _ = counted()
    mended = corrected(photo, {2: 41})
    assert mended.counts[1] == 41
    assert mended.squares[1].found == photo.squares[1].found
    assert mended.counts[0] == photo.counts[0]
    with pytest.raises(DensitycamError, match="no square 99"):
        corrected(photo, {99: 3})
    with pytest.raises(DensitycamError, match="cannot hold -1"):
        corrected(photo, {1: -1})


def test_a_file_is_read_at_full_size(tmp_path):
    # Twice the size at which other photos are shrunk: small cells would be lost.
    scene = replace(
        SCENE, size_px=(4000, 700), px_per_um=2.4, centre_um=(1500.0, 1500.0),
        species="nannochloropsis", diameter_um=3.4,
        rotation_deg=2.0,
    )  # fmt: skip
    truth = write_slide(scene, tmp_path / "slide.jpg")
    photo, rgb = read_slide_photo(tmp_path / "slide.jpg")
    assert rgb.shape == (700, 4000, 3)
    assert photo.file_name == "slide.jpg"
    assert len(photo.sha256) == 64
    assert photo.px_per_um == pytest.approx(2.4, rel=0.01, abs=0)
    true, found = sum(s.cells for s in truth.squares), sum(photo.counts)
    assert len(photo.squares) == len(truth.squares)
    low, high = poisson_limits(found)
    assert low <= true <= high
