"""A tally of several fillings: its interval, its warnings, and what would make it better."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from densitycam.counting.precision import relative_half_width
from densitycam.counting.slide import DILUTION_SD, LOADING_SD, count_slide
from densitycam.counting.tally import Filling, Tally, judge_tally, more_to_count
from densitycam.wording import significant

EVEN = Filling((23, 31, 27, 25, 30), 5)
SECOND = Filling((29, 33, 25, 28, 24), 5)


def test_one_filling_is_what_count_slide_says():
    result = judge_tally(Tally((EVEN,)))
    assert result.slide == count_slide(cells=136, squares=5)
    assert result.warnings == ()
    assert result.half_width == relative_half_width(result.slide)
    assert not Tally((EVEN,)).machine_assisted  # people count unless it is said


def test_both_sides_are_one_volume_and_halve_the_loading_variance():
    slide = judge_tally(Tally((EVEN, SECOND))).slide
    assert slide.cells_per_ml == pytest.approx((136 + 139) / 10 * 1e4, rel=1e-12)
    assert slide.relative_sd == pytest.approx(
        math.hypot(1 / math.sqrt(275), LOADING_SD / math.sqrt(2)), rel=1e-12
    )


def test_a_total_weighs_by_its_squares():
    sides = Tally((Filling((136,), 5), Filling((400,), 15)), unit="group")
    assert judge_tally(sides).slide.cells_per_ml == pytest.approx(536 / 20 * 2.5e5, rel=1e-12)
    assert judge_tally(sides).spread.verdict == "too few"


def test_a_chain_of_dilutions_multiplies_and_each_step_adds_its_error():
    once = judge_tally(Tally((EVEN,), dilution_steps=(50.0,))).slide
    twice = judge_tally(Tally((EVEN,), dilution_steps=(10.0, 5.0))).slide
    assert once.dilution == twice.dilution == 50.0
    assert once.cells_per_ml == pytest.approx(twice.cells_per_ml, rel=1e-12)
    assert twice.relative_sd**2 - once.relative_sd**2 == pytest.approx(DILUTION_SD**2, rel=1e-9)
    assert twice.high > once.high


def test_a_fresh_dilution_for_every_filling_evens_its_error_out():
    shared = judge_tally(Tally((EVEN, SECOND), dilution_steps=(10.0,))).slide
    fresh = judge_tally(Tally((EVEN, SECOND), dilution_steps=(10.0,), fresh_dilutions=True)).slide
    assert shared.relative_sd**2 - fresh.relative_sd**2 == pytest.approx(
        DILUTION_SD**2 / 2, rel=1e-9
    )


def test_clumping_is_said_and_widens_the_interval():
    clumped = judge_tally(Tally((Filling((12, 41, 9, 33, 20), 5),)))
    plain = count_slide(cells=115, squares=5)
    # D = 32.609 on 4 degrees: variance 8.15 times the mean (computed by hand).
    assert clumped.slide.relative_sd == pytest.approx(
        math.sqrt(32.609 / 4 / 115 + LOADING_SD**2), rel=1e-4
    )
    assert clumped.slide.low < plain.low < plain.high < clumped.slide.high
    assert "badly loaded" in clumped.warnings[0]
    assert "start over" in more_to_count(Tally((Filling((12, 41, 9, 33, 20), 5),))).sentence


def test_a_denser_second_side_is_no_clumping_but_fillings_that_differ():
    sides = Tally((Filling((100, 96, 110, 102), 4), Filling((160, 150, 149, 170), 4)))
    result = judge_tally(sides)
    assert result.spread.verdict == "random"
    assert not result.replicates.agree
    assert any("fillings differ" in w for w in result.warnings)
    agreeing = replace(sides, fillings=(sides.fillings[0], Filling((105, 91, 112, 99), 4)))
    assert result.half_width > 1.5 * judge_tally(agreeing).half_width


def test_fillings_that_differ_widen_the_loading_error_by_the_root_of_chi_square_over_degrees():
    # By hand: 120 expected in each of three; chi-square 2 x 30^2 / (120 + (0.046 x 120)^2) = 11.963
    # on two degrees, so loading errs sqrt(11.963 / 2) times 4.6 %, over three fillings.
    thirds = Tally(tuple(Filling((n,), 4) for n in (90, 120, 150)))
    expected = math.sqrt(1 / 360 + 0.046**2 * 11.963 / 2 / 3)
    assert judge_tally(thirds).slide.relative_sd == pytest.approx(expected, rel=1e-4)


def test_squares_that_agree_too_well_are_spoken_of():
    assert (
        "better than chance" in judge_tally(Tally((Filling((24, 26, 25, 23, 27), 5),))).warnings[0]
    )


def test_the_interval_holds_the_truth_with_two_sides_and_a_dilution():
    rng = np.random.default_rng(7)
    held = []
    for _ in range(800):
        thinned = 28.0 * math.exp(rng.normal(0, DILUTION_SD))
        sides = tuple(
            Filling(tuple(int(n) for n in rng.poisson(thinned * f, 5)), 5)
            for f in np.exp(rng.normal(0, LOADING_SD, 2))
        )
        slide = judge_tally(Tally(sides, dilution_steps=(10.0,))).slide
        held.append(slide.low <= 28.0 * 1e4 * 10 <= slide.high)
    # 95 % less three binomial standard deviations of 800 draws; wider is allowed, a little.
    assert 0.927 <= np.mean(held) <= 0.99


def test_zero_is_less_than():
    result = judge_tally(Tally((Filling((0, 0, 0, 0), 4),)))
    assert (result.slide.cells_per_ml, result.slide.low) == (0.0, 0.0)
    assert result.slide.high > 3.6889 / 4 * 1e4  # Garwood 1936, from memory
    assert "No cell was counted" in result.warnings[0]
    assert "Count on until" in more_to_count(Tally((Filling((0, 0), 2),))).sentence


def test_live_and_dead():
    result = judge_tally(Tally((EVEN,), dead=34))
    # Live share 102 of 136; the limits against statsmodels in tests/reference.
    assert result.live[0] == pytest.approx(0.75, rel=1e-12)
    assert result.live[1] < 0.75 < result.live[2]
    assert judge_tally(Tally((EVEN,))).live is None
    assert judge_tally(Tally((EVEN,), dead=0)).live[0] == 1.0
    assert judge_tally(Tally((EVEN,), dead=136)).live[0] == 0.0
    # One of one: Clopper and Pearson's lower limit is 0.025^(1/1).
    assert judge_tally(Tally((Filling((1,), 1),), dead=0)).live == pytest.approx((1.0, 0.025, 1.0))
    assert judge_tally(Tally((Filling((0,), 1),), dead=0)).live is None


def test_clumps_and_crowded_squares_are_warned_of():
    assert any("8 clumps" in w for w in judge_tally(Tally((EVEN,), clumps=8)).warnings)
    assert judge_tally(Tally((EVEN,), clumps=6)).warnings == ()
    assert judge_tally(Tally((EVEN,), clumps=0)).warnings == ()
    # More than one thing in twenty (common practice, no source): five of a hundred are not.
    hundred = Filling((18, 22, 20, 25, 15), 5)
    assert judge_tally(Tally((hundred,), clumps=5)).warnings == ()
    assert any("6 clumps" in w for w in judge_tally(Tally((hundred,), clumps=6)).warnings)
    # One square of one filling is enough; 200 can be kept count of.
    full, other = Filling((200, 176), 2), Filling((187, 180), 2)
    assert judge_tally(Tally((full, other))).warnings == ()
    crowded = Tally((replace(full, counts=(201, 176)), other))
    assert any("Up to 201 cells" in w for w in judge_tally(crowded).warnings)


@pytest.mark.parametrize("half_width", [0.10, 0.15, 0.3])
@pytest.mark.parametrize("steps", [(), (10.0,)])
def test_the_advised_count_reaches_the_wanted_precision(half_width, steps):
    # The advice is carried out: that many more cells, spread evenly over the advised fillings.
    tally = Tally((EVEN,), dilution_steps=steps)
    more = more_to_count(tally, half_width=half_width)
    mean = 27
    squares = math.ceil(more.cells / mean)
    if more.cells == 0:
        assert judge_tally(tally).half_width <= half_width
        return
    if more.fillings:
        each = math.ceil(squares / more.fillings)
        added = tuple(Filling((mean,) * each, each) for _ in range(more.fillings))
    else:
        added = ()
        tally = replace(tally, fillings=(Filling((*EVEN.counts, *(mean,) * squares), 5 + squares),))
    after = replace(tally, fillings=(*tally.fillings, *added), fresh_dilutions=bool(added))
    assert judge_tally(after).half_width <= half_width * 1.005
    assert f"+/-{significant(100 * half_width)} %" in more.sentence
    assert f"Count {more.cells} more cells" in more.sentence


def _told_with(cells, *, fillings=1, dilutions=None, short=0.5):
    """Return a half-width that so many cells just reach, by scipy's chi-square (Garwood 1936)."""

    def width(n):
        low, high = chi2.ppf(0.025, 2 * n) / 2, chi2.ppf(0.975, 2 * n + 2) / 2
        other = LOADING_SD**2 / fillings + (DILUTION_SD**2 / dilutions if dilutions else 0.0)
        down, up = (
            math.hypot(math.log(r), 1.959964 * math.sqrt(other)) for r in (n / low, high / n)
        )
        return (math.exp(up) - math.exp(-down)) / 2

    return short * width(cells) + (1 - short) * width(cells - 1)


@pytest.mark.parametrize(
    ("cells", "fresh", "advice"),
    [
        # EVEN holds 136 cells in 5 of the 9 squares of an improved Neubauer chamber.
        (137, 0, (1, 1, 0)),
        # 108 more lie in 3.97 of the 4 squares that are left; 109 would need a fifth, so that a
        # fresh filling takes their place, with half of the 136, which is its share.
        (136 + 108, 0, (108, 4, 0)),
        (136 + 109, 0, (68, 3, 1)),
        # 240 more lie in 8.8 squares: the whole of one fresh filling.
        (136 + 240, 1, (240, 9, 1)),
    ],
)
def test_the_advice_is_the_fewest_cells_and_no_more_squares_than_there_are(cells, fresh, advice):
    more = more_to_count(Tally((EVEN,)), half_width=_told_with(cells, fillings=1 + fresh))
    assert (more.cells, more.squares, more.fillings) == advice
    assert ("fresh filling" in more.sentence) == bool(more.fillings)


def test_a_fresh_filling_is_worth_a_hundred_and_fifty_cells():
    # To +/-9 %, 772 cells more in one fresh filling or 528 in two: 922 are more than 828.
    two = Tally((Filling((100, 100), 2),))
    for cells, fillings in ((200 + 528, 3), (200 + 772, 2)):
        least, most = (_told_with(cells, fillings=fillings, short=s) for s in (1.0, 0.0))
        assert least <= 0.09 < most
    more = more_to_count(two, half_width=0.09)
    assert (more.cells, more.squares, more.fillings) == (528, 6, 2)


def test_a_fresh_filling_gets_about_half_the_share_of_those_before():
    # Loading limits, not cells: 9001 in two fillings, half of 4500 in the third.
    dense = Tally((Filling((500,) * 8 + (501,), 9), Filling((500,) * 9, 9)))
    more = more_to_count(dense, half_width=0.06)
    assert (more.cells, more.squares, more.fillings) == (2250, 5, 1)
    assert isinstance(more.cells, int)


def test_more_than_eight_fresh_fillings_are_never_advised():
    # Loading alone, over nine fillings: 1.96 x 4.6 % / 3 = 3.005 %; over ten, 2.851 %.
    dense = Tally((Filling((1000,) * 9, 9),))
    assert more_to_count(dense, half_width=0.0318).fillings == 8
    never = more_to_count(dense, half_width=0.0300)
    assert (never.cells, never.squares, never.fillings) == (0, 0, 0)
    assert "average several slides" in never.sentence


def test_dilutions_of_their_own_are_counted_on():
    sides = Tally((EVEN, SECOND), dilution_steps=(10.0,))
    wanted = _told_with(275 + 78, fillings=2, dilutions=2)
    more = more_to_count(replace(sides, fresh_dilutions=True), half_width=wanted)
    assert (more.cells, more.squares, more.fillings) == (78, 3, 0)
    assert more_to_count(sides, half_width=wanted).fillings == 1


def test_what_asks_for_no_more_cells_counts_none():
    clumped = Tally((Filling((12, 41, 9, 33, 20), 5),))
    for tally, half_width, fillings in (
        (Tally((Filling((0, 0), 2),)), 0.1, 0),
        (Tally((EVEN,)), judge_tally(Tally((EVEN,))).half_width, 0),
        (clumped, 0.1, 1),
    ):
        more = more_to_count(tally, half_width=half_width)
        assert (more.cells, more.squares, more.fillings) == (0, 0, fillings)
    assert "+/-10 %" in more_to_count(Tally((EVEN,))).sentence
    for half_width in (0.0, 1.0, 1.5):
        for tally in (Tally((EVEN,)), Tally((Filling((0, 0), 2),))):
            with pytest.raises(ValueError, match="between 0 and 1"):
                more_to_count(tally, half_width=half_width)


def test_a_precision_that_no_count_reaches_is_said():
    tally = Tally((EVEN,), dilution_steps=(10.0, 10.0, 10.0))
    assert "average several slides" in more_to_count(tally, half_width=0.02).sentence
    easy = more_to_count(tally, half_width=0.999).sentence
    assert easy == "The count is within +/-100 % already."


@pytest.mark.parametrize(
    ("tally", "match"),
    [
        (Tally(()), "at least one"),
        (Tally((Filling((3, 4), 5),)), "filling 1 lists 2 counts for 5 squares"),
        (Tally((EVEN,), dead=137), "137 dead of 136"),
        (Tally((EVEN,), clumps=-1), "-1 clumps"),
        (Tally((EVEN,), clumps=10**9 + 1), "1000000001 clumps"),
        (Tally((Filling((3,) * 19, 19),)), "one improved Neubauer slide has 18 large squares"),
        (Tally((Filling((-3,), 1),)), "cells cannot be negative"),
        (Tally((EVEN,), dilution_steps=(0.5,)), "dilution is final over drawn"),
    ],
)
def test_impossible_tallies_are_refused(tally, match):
    with pytest.raises(ValueError, match=match):
        judge_tally(tally)


def test_a_billion_clumps_are_the_most_that_is_believed():
    assert judge_tally(Tally((EVEN,), clumps=10**9)).warnings


def test_more_than_two_fillings_may_hold_more_squares_than_one_slide():
    nine = Filling((20,) * 9, 9)
    assert judge_tally(Tally((nine, nine, nine))).slide.squares == 27
    with pytest.raises(ValueError, match="fillings of the improved Neubauer chamber have 27"):
        count_slide(cells=5, squares=28, fillings=3)
