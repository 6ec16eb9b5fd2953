"""Slides against what photos foretold: what holds, what is one bad slide, what is a drift."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from test_model import NAN, SPECIES, points, reading, slide

from densitycam.calibration.drift import (
    SlideCheck,
    check_slide,
    control_chart,
    foretold_in_turn,
    run_rules,
)
from densitycam.calibration.model import estimate, fit_calibration, start_calibration
from densitycam.counting.slide import count_slide


def checks(*sigmas: float) -> list[SlideCheck]:
    """Slides that lie so many of their standard deviations (10 %) above what was foretold."""
    return [
        SlideCheck(f"day {n + 1}", 1e6 * math.exp(0.1 * s), 1e6, 0.1) for n, s in enumerate(sigmas)
    ]


@pytest.mark.parametrize(
    ("residuals", "rule"),
    [
        ([0.3, 3.1], "one beyond three sigma"),
        ([-2.1, 0.4, -2.2], "two of three beyond two sigma"),
        ([1.1, 1.4, 0.2, 1.2, 1.9], "four of five beyond one sigma"),
        ([-0.1, -0.3, -0.9, -0.2, -0.6, -0.8, -0.1, -0.4], "eight in a row on one side"),
    ],
)
def test_each_rule_is_broken_by_its_last_point_and_by_no_point_before(residuals, rule):
    found = run_rules(residuals)
    assert found[-1] == (rule,)
    assert not any(found[:-1])
    assert run_rules([-r for r in residuals]) == found


def test_a_slide_on_the_line_is_not_beyond_it():
    for beyond, times in ((3.0, 1), (2.0, 2), (1.0, 4)):
        assert not any(run_rules([beyond] * times))
        assert run_rules([beyond + 0.01] * times)[-1]
    # Nor does it complete a rule that others beyond the line began, or the other way round.
    for residuals in ([2.1, 2.2, 2.0], [2.0, 2.1], [0.0] * 7 + [0.1]):
        assert run_rules(residuals)[-1] == ()


def test_four_of_six_are_not_four_of_five():
    assert not any(run_rules([1.1, 1.2, -0.5, -0.4, 1.3, 1.4]))


def test_just_inside_breaks_no_rule():
    quiet = [2.9, -2.1, 0.4, -1.9, 0.9, 0.8, -1.1, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, -0.1]
    assert not any(run_rules(quiet))


def test_a_calibration_that_holds():
    chart = control_chart(checks(0.4, -1.2, 0.9, -0.3))
    assert (chart.state, chart.since, chart.off) == ("holds", "", 1.0)
    assert chart.sentence.startswith("The calibration holds: 4 slides")
    assert (control_chart([]).state, control_chart([]).off) == ("too few", 1.0)
    assert "so far: one slide" in control_chart(checks(0.4)).sentence


def test_one_slide_far_off_is_counted_again_first():
    chart = control_chart(checks(0.4, -1.2, 0.9, 6.9))
    assert (chart.state, chart.since) == ("one slide off", "day 4")
    assert chart.off == pytest.approx(math.exp(0.69), rel=1e-12)
    assert "The slide of day 4 counts 2.0 times what its photo foretold" in chart.sentence
    forgotten = SlideCheck("day 4", 1.0e8, 1e6, 0.1)  # a dilution of 100 was multiplied in twice
    assert "day 4 counts 100 times what" in control_chart([*checks(0.4), forgotten]).sentence
    off = control_chart([*checks(0.4, 0.2), replace(forgotten, foretold=2e6)]).off
    assert off == pytest.approx(50.0, rel=1e-12)
    twice = replace(forgotten, counted=1e6 / 400)
    assert "day 4 counts 0.0025 times what" in control_chart([*checks(0.4), twice]).sentence
    # Once a good one follows, it is past.
    assert control_chart(checks(0.4, -1.2, 0.9, 6.9, -0.2)).state == "holds"


def test_a_drift_names_its_first_slide_and_its_size():
    chart = control_chart(checks(0.4, 1.2, -0.1, -0.2, -2.4, -0.9, -2.9, -2.8))
    # Sums over root of length, back from the last: 2.8, 4.03, 3.81, 4.50, 4.11, ...
    assert (chart.state, chart.since) == ("drifted", "day 5")
    assert chart.off == pytest.approx(math.exp(-0.1 * np.mean([2.4, 0.9, 2.9, 2.8])))
    assert "since day 5, 4 slides count 20 % below" in chart.sentence
    # It may begin with the very first slide, however little each one strays.
    for sigmas in (2.5, 0.3):
        assert control_chart(checks(*[sigmas] * 8)).since == "day 1"
    # By hand, from the last: 2.9, 2.4 / sqrt(2), 4.45 / sqrt(3) = 2.57; the last stands highest.
    alone = control_chart(checks(2.05, -0.5, 2.9))
    assert (alone.state, alone.since) == ("drifted", "day 3")
    assert "since day 3, one slide counts 34 % above what its photo foretold (" in alone.sentence
    assert "since day 2, 2 slides count" in control_chart(checks(-1.0, 2.2, 2.4)).sentence
    # Slides weigh by their errors: half the error, four times the weight.
    sure = [replace(c, sd=0.05) if c.label == "day 5" else c for c in chart.checks]
    expected = -(4 * 0.24 + 0.09 + 0.29 + 0.28) / 7
    assert math.log(control_chart(sure).off) == pytest.approx(expected, rel=1e-9)
    assert "two of three beyond two sigma, a Western Electric rule" in chart.sentence


def test_an_alarm_is_told_for_as_long_as_its_slides_weigh():
    alarmed = (2.2, 2.4, 0.3)
    assert control_chart(checks(*alarmed, 0.2)).state == "drifted"
    assert control_chart(checks(*alarmed, -0.2)).state == "holds"
    assert control_chart(
        checks(*alarmed, *[0.1, 0.2, -0.1, 0.1, 0.3, -0.2, 0.2, 0.1, 0.1])
    ).state == ("holds")


def test_wide_scatter_is_said():
    chart = control_chart(checks(*[1.9, -1.9] * 5))
    assert chart.state == "holds"
    assert chart.scatter == pytest.approx(3.8 / 1.128, rel=1e-3)
    assert "3.4 times as much" in chart.sentence
    # From eight slides on, beyond 1.6 times.
    assert "scatter" not in control_chart(checks(*[1.9, -1.9] * 3, 1.9)).sentence
    assert "scatter" in control_chart(checks(*[1.9, -1.9] * 4)).sentence
    for times, said in ((1.58, False), (1.62, True)):
        half = times * 1.128 / 2
        assert ("scatter" in control_chart(checks(*[half, -half] * 4)).sentence) == said
    assert math.isnan(control_chart(checks(0.4)).scatter)
    assert control_chart(checks(1.0, 0.2)).scatter == pytest.approx(0.8 / 1.128, rel=1e-3)


def test_a_count_of_zero_or_a_mere_limit_has_no_ratio():
    start = start_calibration(SPECIES)
    told = estimate(reading(1e6), start)
    assert check_slide("a", counted=count_slide(cells=0, squares=4), foretold=told) is None
    assert check_slide("a", counted=slide(1e6), foretold=replace(told, status="more-than")) is None
    both = check_slide("a", counted=slide(1e6), foretold=told)
    assert both.sd == pytest.approx(math.hypot(slide(1e6).relative_sd, told.relative_sd), rel=1e-12)
    assert both.sigmas == pytest.approx(
        math.log(slide(1e6).cells_per_ml / told.cells_per_ml) / both.sd, rel=1e-12
    )


def test_slides_are_foretold_from_those_before_and_a_drift_is_found():
    rng = np.random.default_rng(21)
    start = start_calibration(SPECIES)
    good = points(np.exp(rng.uniform(math.log(4e5), math.log(2.5e6), 6)), rng)
    held = foretold_in_turn(start, good)
    assert [c.label for c in held] == [p.label for p in good[1:]]
    alone = estimate(good[1].reading, fit_calibration(start, good[:1]))
    assert held[0].foretold == alone.cells_per_ml
    assert control_chart(held).state == "holds"
    drifted = [
        replace(p, label=f"new {n + 1}")
        for n, p in enumerate(
            points(np.exp(rng.uniform(math.log(4e5), math.log(1.8e6), 3)), rng, gain=1.5)
        )
    ]
    chart = control_chart(foretold_in_turn(start, [*good, *drifted]))
    assert chart.state == "drifted"
    assert chart.since == "new 1"
    # Counts lie below what photos say by the gain's change, to within three times what three
    # slides (10 % each) and the six before them (4 %) are unsure of.
    assert chart.off == pytest.approx(1 / 1.5, rel=0.2)


def test_slides_that_cannot_calibrate_foretell_nothing():
    start = start_calibration(SPECIES)
    blind, *good = points([1e6, 1.5e6, 8e5])
    lost = replace(blind.reading, usable=(False,) * 3, contrast_t=(NAN,) * 3, mean_t=(NAN,) * 3)
    unseen = replace(blind, reading=replace(lost, attenuation=(NAN,) * 3, absorbance=(NAN,) * 3))
    zero = replace(blind, slide=count_slide(cells=0, squares=4))
    assert foretold_in_turn(start, [unseen, zero, *good]) == foretold_in_turn(start, good)
    assert foretold_in_turn(start, [unseen, zero]) == ()
