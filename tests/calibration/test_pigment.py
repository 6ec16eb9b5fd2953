"""Paleness and hue against a culture's own usual, by arithmetic on made-up pigments."""

from __future__ import annotations

import math
from types import SimpleNamespace

import pytest

from densitycam.calibration.pigment import Pigment, pigment_of, pigment_signs

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
