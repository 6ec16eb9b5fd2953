"""Feeding volume by mass balance."""

from __future__ import annotations

import math

import pytest

from densitycam.culture.feeding import feed_plan
from densitycam.errors import DensitycamError

TANK = {"tank_l": 100.0, "target_cells_per_ml": 5e4, "harvest_cells_per_ml": 5e6}


def test_worked_volume():
    # V = Vt (ct - c0)/(ch - ct): 100 L to 5e4 from 5e6 is 1.0101 L (computed).
    assert feed_plan(**TANK).volume_ml == pytest.approx(1010.1, abs=0.05)


def test_cells_balance():
    p = feed_plan(**TANK, present_cells_per_ml=1.3e4)
    litres = p.volume_ml / 1000
    mixed = (100 * 1.3e4 + litres * 5e6) / (100 + litres)
    # c0 is taken over the final volume, as the formula in the notes has it.
    assert mixed == pytest.approx(5e4, rel=0.01)


def test_days_end_with_the_harvest_or_its_keeping():
    assert feed_plan(**TANK, harvest_ml=3030.3).days == pytest.approx(3.0, abs=1e-3)
    assert feed_plan(**TANK, harvest_ml=30303, keep_cold_days=5.0).days == 5.0
    assert math.isnan(feed_plan(**TANK).days)
    assert math.isnan(feed_plan(**TANK, keep_cold_days=5.0).days)


def test_a_full_tank_needs_nothing():
    assert feed_plan(**TANK, present_cells_per_ml=6e4).volume_ml == 0.0


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"tank_l": 0.0}, "tank's volume"),
        ({"target_cells_per_ml": -1.0}, "target density"),
        ({"harvest_cells_per_ml": math.nan}, "harvest's density"),
        ({"harvest_cells_per_ml": 4e4}, "no denser than the target"),
        ({"present_cells_per_ml": -3.0}, "present density"),
    ],
)
def test_refused(change, match):
    with pytest.raises(DensitycamError, match=match):
        feed_plan(**(TANK | change))
