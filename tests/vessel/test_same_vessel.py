"""A flat bottle is known by its width on the card."""

from __future__ import annotations

import math

import pytest

from densitycam.vessel.reading import Outline
from densitycam.vessel.same_vessel import WIDTH_STRAY, strays_from_earlier


def outlines(*widths):
    return [Outline(150 - w / 2, 150 + w / 2, 40.0, 186.0) for w in widths]


@pytest.mark.parametrize("sign", [-1, 1])
def test_a_width_beyond_the_limit_is_another_vessel(sign):
    earlier = outlines(91.0, 92.0, 93.0)
    near, far = (92 * math.exp(sign * x) for x in (WIDTH_STRAY - 1e-6, WIDTH_STRAY + 1e-6))
    assert strays_from_earlier(outlines(near)[0], earlier) == ""
    assert strays_from_earlier(outlines(far)[0], earlier) == "wrong-vessel"


def test_with_fewer_than_two_earlier_photos_nothing_is_known():
    assert strays_from_earlier(outlines(60.0)[0], outlines(92.0)) == ""
    assert strays_from_earlier(outlines(60.0)[0], []) == ""


def test_one_odd_photo_among_the_earlier_ones_does_not_mislead():
    assert strays_from_earlier(outlines(92.0)[0], outlines(91.0, 60.0, 92.0, 93.0)) == ""


def test_a_new_bottle_is_believed_once_most_of_the_latest_photos_show_it():
    old = outlines(*[92.0] * 9)
    assert strays_from_earlier(outlines(60.0)[0], [*old, *outlines(60.0, 60.0)]) == "wrong-vessel"
    assert strays_from_earlier(outlines(60.0)[0], [*old, *outlines(60.0, 60.0, 60.0)]) == ""
