"""What a photo's answer adds to its signs."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from densitycam.calibration.estimate import Estimate, signs_with

TOLD = Estimate("measured", 1e6, 9e5, 1.1e6, 0.05, "t", 3, True)
BOUND = replace(TOLD, status="more-than", cells_per_ml=math.nan, low=9e5, high=math.inf)


@pytest.mark.parametrize(
    ("estimate", "signs", "told"),
    [
        (None, ("bars-lost", "foam"), ("bars-lost", "foam")),
        (TOLD, ("bars-lost", "foam"), ("bars-lost", "foam")),
        (replace(BOUND, status="less-than"), ("too-thin",), ("too-thin",)),
        # Where only a lower bound is known, brightness tells no density after all.
        (BOUND, ("bars-lost", "foam"), ("too-dense", "foam")),
        (BOUND, ("too-dense",), ("too-dense",)),
    ],
)
def test_only_a_lower_bound_is_too_dense(estimate, signs, told):
    assert signs_with(estimate, signs) == told
