"""What an answer adds to a photo's signs."""

from __future__ import annotations

import math

import pytest

from densitycam.calibration.estimate import Estimate, signs_with


def answer(status: str) -> Estimate:
    return Estimate(
        status=status,
        cells_per_ml=math.nan,
        low=1e6,
        high=math.inf,
        relative_sd=0.1,
        calibration_id="made-up",
        checked_by_counts=3,
        inside_range=False,
    )


@pytest.mark.parametrize("estimate", [None, answer("measured"), answer("less-than")])
def test_signs_stay_as_they_are_unless_only_a_lower_bound_is_known(estimate):
    assert signs_with(estimate, ["foam", "bars-lost"]) == ("foam", "bars-lost")


def test_a_lower_bound_is_told_once_and_in_place_of_lost_bars():
    signs = signs_with(answer("more-than"), ["bars-lost", "foam", "too-dense"])
    assert signs == ("too-dense", "foam")
