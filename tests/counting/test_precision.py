"""Half-width, clumping, and how many cells to count."""

from __future__ import annotations

import math

import pytest

from densitycam.counting.precision import (
    cells_needed,
    compare_fillings,
    dispersion_within,
    relative_half_width,
)
from densitycam.counting.slide import count_slide


def test_half_width_is_about_two_over_root_n():
    for cells in (100, 400, 1600):
        count = count_slide(cells=cells, squares=1, loading_sd=0.0)
        assert relative_half_width(count) == pytest.approx(2 / math.sqrt(cells), rel=0.03)
    assert math.isinf(relative_half_width(count_slide(cells=0, squares=1)))


@pytest.mark.parametrize("wanted", [0.3, 0.1, 0.05])
def test_cells_needed_is_the_fewest(wanted):
    fewest = cells_needed(half_width=wanted)

    def width(cells):
        return relative_half_width(count_slide(cells=cells, squares=1, loading_sd=0.0))

    assert width(fewest) <= wanted < width(fewest - 1)
    assert isinstance(fewest, int)


def test_cells_needed_says_when_counting_more_cannot_help():
    assert cells_needed(half_width=0.1, other_sd=0.046) > cells_needed(half_width=0.1)
    assert cells_needed(half_width=0.1, other_sd=0.066) is None
    assert cells_needed(half_width=0.1, other_sd=0.05102) is None
    for half_width in (0.0, 1.0, 1.5):
        with pytest.raises(ValueError, match="between 0 and 1"):
            cells_needed(half_width=half_width)


def test_ten_percent_is_what_is_asked_for_unless_told_otherwise():
    assert cells_needed() == cells_needed(half_width=0.10)


@pytest.mark.parametrize(
    ("counts", "statistic", "verdict"),
    [
        # Computed by hand from D = (k - 1) s2 / mean.
        ([12, 41, 9, 33, 20], 32.609, "clumped"),
        ([20, 31, 22, 27, 25, 19, 30, 26, 23], 5.632, "random"),
        ([24, 26, 25, 23, 27], 0.40, "too regular"),
        ([0, 1, 0], 2.0, "random"),
    ],
)
def test_dispersion(counts, statistic, verdict):
    result = dispersion_within([counts])
    assert result.statistic == pytest.approx(statistic, abs=6e-4)
    assert result.verdict == verdict


def test_dispersion_limits_are_chi_square_ones():
    # Chi-square tables, 4 degrees of freedom: 0.484 and 11.143.
    result = dispersion_within([[24, 26, 25, 23, 27]])
    assert (result.low, result.high) == pytest.approx((0.484, 11.143), abs=6e-4)


def test_dispersion_of_too_little():
    for counts in ([], [5], [0, 0, 0]):
        assert dispersion_within([counts]).verdict == "too few"
        assert math.isnan(dispersion_within([counts]).index)
    with pytest.raises(ValueError, match="negative"):
        dispersion_within([[3, -1]])


def test_usual_loading_error_excuses_fillings_that_chance_does_not():
    # By hand: 130 expected in each; (30^2 / (130 + (0.046 x 130)^2)) x 2 = 10.859, where chance
    # alone would make it 13.846. Chi-square tables, 1 degree, 95 %: 3.841.
    found = compare_fillings([100, 160], [4, 4])
    assert found.statistic == pytest.approx(10.859, abs=5e-4)
    assert found.high == pytest.approx(3.841, abs=5e-4)
    assert not found.agree
    assert compare_fillings([1, 0], [4, 4]).statistic == pytest.approx(0.9989, abs=5e-5)


@pytest.mark.parametrize(
    ("cells", "squares"), [([3, -1], [4, 4]), ([3, 5], [4, 0]), ([3, 5], [4, -2])]
)
def test_fillings_that_cannot_be_are_refused(cells, squares):
    with pytest.raises(ValueError, match="squares must be above 0"):
        compare_fillings(cells, squares)
    with pytest.raises(ValueError, match="do not go with"):
        compare_fillings(cells, squares[:1])
    assert compare_fillings([3, 5], [0.5, 0.5]).agree  # half a square is one
