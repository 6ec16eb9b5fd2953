"""Paleness and hue against a culture's own usual, by arithmetic on made-up pigments."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from densitycam.calibration.pigment import Pigment, pigment_line, pigment_of, pigment_signs

USUAL = [Pigment(x=x, pigment=-1.45 - 0.05 * x, hue=0.3) for x in (-0.6, -0.1, 0.3, 0.7)]


def now(*, share=1.0, hue=0.3, x=0.1):
    return Pigment(x=x, pigment=-1.45 - 0.05 * x + math.log(share), hue=hue)


def test_a_usual_culture_shows_no_sign_and_without_slides_nothing_is_said():
    assert pigment_signs(now(), USUAL) == ()
    assert pigment_signs(now(share=0.1), []) == ()
    assert pigment_signs(None, USUAL) == ()


@pytest.mark.parametrize(("share", "signs"), [(0.35, ("pale",)), (0.85, ()), (2.0, ())])
def test_pale_is_far_less_pigment_for_the_turbidity_and_never_more(share, signs):
    assert pigment_signs(now(share=share), USUAL) == signs


def test_a_hue_of_another_pigment_is_a_colour_shift_either_way():
    assert pigment_signs(now(hue=-0.3), USUAL) == ("colour-shift",)
    assert pigment_signs(now(hue=0.9), USUAL) == ("colour-shift",)
    assert pigment_signs(now(hue=0.45), USUAL) == ()


def test_slides_under_many_lamps_make_it_slower_to_judge():
    mixed = [Pigment(x=p.x, pigment=p.pigment + d, hue=p.hue) for p, d in
             zip(USUAL, (0.5, -0.5, 0.5, -0.5), strict=True)]  # fmt: skip
    assert pigment_signs(now(share=0.4), USUAL) == ("pale",)
    assert pigment_signs(now(share=0.4), mixed) == ()


def test_a_red_cultures_ln_says_little_and_is_not_taken_for_a_shift():
    # Blue less green is noise there: its share of blue less red goes from 0.1 to 0.4 by the
    # camera alone, while a green stranger shows more than 1.
    red = [Pigment(x=p.x, pigment=p.pigment, hue=math.log(h)) for p, h in
           zip(USUAL, (0.10, 0.16, 0.08, 0.14), strict=True)]  # fmt: skip
    assert pigment_signs(now(hue=math.log(0.40)), red) == ()
    assert pigment_signs(now(hue=math.log(1.1)), red) == ("colour-shift",)


def test_slides_of_one_lamp_do_not_make_another_lamps_photo_bleached():
    # 0.64 of the usual pigment is the least that another lamp and camera showed of 99 of 100
    # healthy cultures in simulated photos.
    alike = [Pigment(x=p.x, pigment=-1.45 - 0.05 * p.x, hue=0.3) for p in USUAL * 3]
    assert pigment_signs(now(share=0.64), alike) == ()
    assert pigment_signs(now(share=0.55), alike) == ("pale",)


def seen(depth, absorbance):
    """Return what `pigment_of` looks at of a reading."""
    return SimpleNamespace(
        usable=(True, True, True), attenuation=(depth, depth, depth), absorbance=absorbance
    )


def test_hue_is_told_only_where_blue_and_red_differ():
    warm = seen(3.2, (1.03, 0.69, 1.25))  # a healthy green culture under a warm lamp
    assert pigment_of(warm).hue is None
    alike = [Pigment(x=p.x, pigment=p.pigment, hue=None) for p in USUAL]
    assert pigment_signs(now(hue=-2.0), alike) == ()
    assert pigment_signs(now(hue=None), USUAL) == ()
    assert pigment_of(seen(3.2, (0.5, 0.69, 1.25))).hue == pytest.approx(math.log(0.56 / 0.75))


def test_scatter_without_pigment_to_be_told_is_pale_and_no_yardstick_for_others():
    faded = seen(2.5, (0.25, 0.20, 0.30))
    assert pigment_signs(pigment_of(faded, at_most=True), USUAL) == ("pale",)
    assert pigment_of(seen(0.5, (0.03, 0.02, 0.04))) is None
    # A thin culture has as little, and is not pale for that.
    thin = seen(0.2, (0.03, 0.04, 0.07))
    assert pigment_signs(pigment_of(thin, at_most=True), USUAL) == ()
    assert pigment_of(seen(0.05, (0.0, 0.0, 0.02)), at_most=True) is None


def test_the_usual_pigment_is_bayesian_regression_flat_in_level():
    # Normal equations with a prior on the slope alone; the photos' scatter pulls at what one strays
    # (four photos' worth of 0.2), with n - 1 degrees.
    x, y = np.array([-0.6, -0.1, 0.3, 0.7]), np.array([-1.3, -1.5, -1.38, -1.62])
    told = pigment_line(list(zip(x, y, strict=True)), stray=0.2, slope=0.1, slope_sd=0.15)
    rows = np.column_stack([np.ones(4), x])
    precision = rows.T @ rows / 0.2**2 + np.diag([0.0, 0.15**-2])
    best = np.linalg.solve(precision, rows.T @ y / 0.2**2 + [0.0, 0.1 / 0.15**2])
    left = y - rows @ best
    sd = math.sqrt((4 * 0.2**2 + left @ left) / (4 + 3))
    # Taken for known before any photo: a slope of 0, give or take 0.12.
    data = list(zip(x, y, strict=True))
    plain, said = (pigment_line(data, stray=0.2, **more) for more in ({}, {"slope_sd": 0.12}))
    assert plain(1.3) == said(1.3)
    for at in (-1.0, 0.2, 1.3):
        row = np.array([1.0, at])
        spread = sd * math.sqrt(1 + row @ np.linalg.inv(precision) @ row / 0.2**2)
        assert told(at) == pytest.approx((row @ best, spread), rel=1e-9)
    # No surer than it is told to be, and one photo alone strays as was taken for it.
    wide = pigment_line(list(zip(x, y, strict=True)), stray=0.2, slope_sd=0.15, least=0.5)
    assert wide(0.075)[1] == pytest.approx(0.5 * math.sqrt(1.25), rel=1e-9)
    assert pigment_line([(0.1, -1.4)], stray=0.2)(0.1) == pytest.approx((-1.4, 0.2 * math.sqrt(2)))
    two = pigment_line([(0.1, -1.2), (0.1, -1.6)], stray=0.2)
    sd = math.sqrt((4 * 0.2**2 + 2 * 0.2**2) / 5)
    assert two(0.1) == pytest.approx((-1.4, sd * math.sqrt(1.5)), rel=1e-9)


def test_pigment_is_the_share_of_blue_and_red_in_what_bars_lose():
    told = pigment_of(seen(2.0, (0.5, 0.6, 0.9)))
    assert told.x == pytest.approx(math.log(2.0))
    assert told.pigment == pytest.approx(math.log(1.4 / 6.0))
    assert told.hue == pytest.approx(math.log(0.3 / 0.4))
    # Blue that is no less than green by 0.02 is taken to be so; blue bars that are lost have lost
    # as much as green.
    assert pigment_of(seen(2.0, (0.5, 0.895, 0.9))).hue == pytest.approx(math.log(0.02 / 0.4))
    lost = SimpleNamespace(
        usable=(True,) * 3, attenuation=(2.0, 2.5, math.nan), absorbance=(0.5, 0.6, 0.9)
    )
    assert pigment_of(lost) is None
    assert pigment_of(lost, at_most=True).pigment == pytest.approx(math.log(1.4 / 7.0))
    assert pigment_of(lost, at_most=True).x == pytest.approx(math.log(2.0))
    # Too faint to be told, it is no more than 0.08.
    assert pigment_of(seen(2.0, (0.03, 0.02, 0.04)), at_most=True).pigment == pytest.approx(
        math.log(0.08 / 6.0)
    )
    assert pigment_of(seen(0.08, (0.04, 0.02, 0.04))) is not None
    crushed = SimpleNamespace(**vars(seen(2.0, (0.5, 0.6, 0.9))) | {"usable": (True, True, False)})
    assert pigment_of(crushed) is None
    assert pigment_of(seen(2.0, (0.5, math.nan, 0.9))) is None


@pytest.mark.parametrize(
    ("red", "told"),
    # Blue 0.9 takes more than red by 0.12 and by a fifth of both: 0.9 - r > 0.2 (0.9 + r).
    [(0.59, True), (0.61, False)],
)
def test_hue_wants_a_fifth_of_both_between_blue_and_red(red, told):
    assert (pigment_of(seen(2.0, (red, 0.5, 0.9))).hue is not None) == told
    # Where both are faint, 0.12.
    faint = seen(2.0, (0.10 if told else 0.16, 0.1, 0.25))
    assert (pigment_of(faint).hue is not None) == told


def test_a_shift_of_hue_is_beyond_045_or_27_standard_deviations_whichever_is_more():
    # One photo strays 0.13 with four photos' worth; four alike leave 0.13 sqrt(4/7) sqrt(1.25).
    usual = [replace(p, hue=math.log(1.2)) for p in USUAL]
    for hue, signs in ((1.2 + 0.46, ("colour-shift",)), (1.2 + 0.44, ()), (0.76, ()),
                       (0.74, ("colour-shift",))):  # fmt: skip
        assert pigment_signs(now(hue=math.log(hue)), usual) == signs
    # Hues 0.4 to either side stray sqrt((4 x 0.13^2 + 4 x 0.4^2) / 7) = 0.318, with the mean's own
    # 0.356: 0.96 and more away.
    mixed = [replace(p, hue=math.log(h)) for p, h in zip(USUAL, (0.8, 1.6) * 2, strict=True)]
    assert pigment_signs(now(hue=math.log(1.2 + 0.94)), mixed) == ()
    assert pigment_signs(now(hue=math.log(1.2 + 0.98)), mixed) == ("colour-shift",)


def test_paleness_is_judged_by_27_standard_deviations_wider_in_thin_cultures():
    # Twelve alike: 0.18 at least, sqrt(1 + 1/12 + ...); a thin culture's brightness errs by 0.04
    # over what its cells took away.
    alike = [Pigment(x=0.0, pigment=-1.45, hue=None)] * 12
    for x in (0.0, -1.5):
        taken = 3 * math.exp(x - 1.45)
        line = 0.18 * math.sqrt(1 + 1 / 12 + x**2 / (0.17 / 0.08) ** 2)
        sd = math.hypot(line, 0.04 / taken)
        for times, signs in ((2.65, ()), (2.75, ("pale",))):
            seen_now = Pigment(x=x, pigment=-1.45 - times * sd, hue=None)
            assert pigment_signs(seen_now, alike) == signs
