"""Signals of a reading: ln depth, its error by hand, and which ones are seen."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from test_model import NAN, reading

from densitycam.calibration.signals import Signal, signals_of

SEEN = replace(
    reading(1e6), attenuation=(3.0, 0.75, 9.0), attenuation_se=(0.05, 0.13, 0.01), blank_se=0.03,
    contrast_t=(0.06, 0.4, 0.5), contrast_t_se=(0.005, 0.02, 0.01), absorbance=(0.6, NAN, 0.7),
    absorbance_se=(0.05, 0.05, 0.05), mean_t=(0.5, 0.5, 0.5), mean_t_se=(0.01, 0.01, 0.01),
    straying=1.7,
)  # fmt: skip


def test_depth_and_error_by_hand():
    red, green, mean = signals_of(SEEN)
    assert [s.name for s in (red, green, mean)] == ["contrast red", "contrast green", "mean red"]
    # The photo's own part of the error, sqrt(0.05^2 - 0.03^2) = 0.04, over the depth, and over what
    # is left of 1 once three standard errors of the contrast are taken off it: 3 x 0.005 / 0.06.
    assert (red.x, red.sd, red.blank_sd) == pytest.approx(
        (math.log(2.0), 0.04 / 3.0 / (1 - 0.25), 0.03 / 3.0), rel=1e-12
    )
    own = math.sqrt(0.13**2 - 0.03**2)
    assert (green.x, green.sd, green.blank_sd) == pytest.approx(
        (math.log(0.5), own / 0.75 / (1 - 0.15), 0.03 / 0.75), rel=1e-12
    )
    assert (mean.x, mean.sd) == pytest.approx((math.log(0.4), 0.04 / 0.6 / (1 - 0.06)), rel=1e-12)
    assert {s.straying for s in (red, green, mean)} == {1.7}
    assert Signal("mean red", 0.0, 0.1, 0.0).straying == 1.0  # as usual where nothing is said


def test_an_error_no_larger_than_the_blanks_leaves_a_ten_thousandth():
    sure = replace(SEEN, attenuation_se=(0.03, 0.13, 0.01))
    assert signals_of(sure)[0].sd == pytest.approx(1e-4 / 3.0 / 0.75, rel=1e-9)


@pytest.mark.parametrize(
    "lost",
    [
        {"attenuation": (0.0, 0.75, 9.0)},
        {"attenuation": (-0.1, 0.75, 9.0)},
        {"attenuation": (NAN, 0.75, 9.0)},
        {"attenuation_se": (NAN, 0.13, 0.01)},
        {"contrast_t_se": (0.02, 0.02, 0.01)},  # three standard errors reach down to nothing
        {"contrast_t_se": (0.03, 0.02, 0.01)},
        {"contrast_t": (0.0, 0.4, 0.5)},
    ],
)
def test_what_is_not_seen_is_left_out(lost):
    names = [s.name for s in signals_of(replace(SEEN, **lost))]
    assert names == ["contrast green", "mean red"]
