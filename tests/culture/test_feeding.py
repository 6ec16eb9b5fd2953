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
    assert mixed == pytest.approx(5e4, rel=1e-12)
    assert p.cells == pytest.approx(100e3 * (5e4 - 1.3e4) + p.volume_ml * 5e4, rel=1e-12)


def test_it_starts_low_and_says_what_to_watch():
    p = feed_plan(**TANK)
    assert p.start_ml == pytest.approx(p.volume_ml / 4, rel=1e-12)
    said = " ".join(p.cautions)
    for word in ("Start well below", "253 mL a day", "oxygen", "nitrate", "local rules", "people"):
        assert word in said


def test_nitrate_at_most():
    # f/2 holds 8.8241e-4 mol/L of nitrate (Guillard 1975), 54.71 mg/L at 62.004 g/mol; one litre
    # and 10 mL in 100 L dilute it to a hundredth.
    assert feed_plan(**TANK).nitrate_mg_per_l == pytest.approx(
        8.8241e-4 * 62004 * 1.0101 / 101.0101, rel=1e-4
    )


def test_a_feed_that_is_much_of_the_tank_is_said():
    assert not any("% of the tank" in c for c in feed_plan(**TANK).cautions)
    # 5e4 over the 1.72e6 that the harvest is denser by: 2.9 %, above the fiftieth that is said.
    fiftieth = feed_plan(**(TANK | {"harvest_cells_per_ml": 2.55e6}))
    assert fiftieth.volume_ml == 2000.0
    assert not any("% of the tank" in c for c in fiftieth.cautions)
    some = feed_plan(**(TANK | {"harvest_cells_per_ml": 1.77e6}))
    assert any("2.9 % of the tank" in c for c in some.cautions)
    thin = feed_plan(**(TANK | {"harvest_cells_per_ml": 1e6}))
    assert any("5.3 % of the tank" in c for c in thin.cautions)


def test_days_end_with_the_harvest_or_its_keeping():
    assert feed_plan(**TANK, harvest_ml=3030.3).days == pytest.approx(3.0, abs=1e-3)
    assert feed_plan(**TANK, harvest_ml=30303, keep_cold_days=5.0).days == 5.0
    assert feed_plan(**TANK, harvest_ml=30303, keep_cold_days=0.5).days == 0.5
    # At the very end of its keeping it serves no day more.
    assert feed_plan(**TANK, harvest_ml=30303, keep_cold_days=0.0).days == 0.0
    # A beaker of 50 mL wants half a millilitre a feed.
    small = feed_plan(**(TANK | {"tank_l": 0.05}), harvest_ml=5.0505)
    assert small.volume_ml == pytest.approx(0.50505, rel=1e-4)
    assert small.feeds == pytest.approx(10.0, rel=1e-4)
    assert math.isnan(feed_plan(**TANK).days)
    assert math.isnan(feed_plan(**TANK, keep_cold_days=5.0).days)


def test_the_interval_of_the_density_is_that_of_the_feed():
    p = feed_plan(**TANK, harvest_low=4e6, harvest_high=6e6)
    assert p.volume_low_ml == pytest.approx(100e3 * 5e4 / 5.95e6, rel=1e-12)
    assert p.volume_high_ml == pytest.approx(100e3 * 5e4 / 3.95e6, rel=1e-12)
    thin = feed_plan(**TANK, harvest_low=4e4, harvest_high=6e6)
    assert math.isnan(thin.volume_high_ml)  # it may be thinner than the target
    assert math.isnan(feed_plan(**TANK, harvest_low=5e4, harvest_high=6e6).volume_high_ml)
    assert math.isnan(feed_plan(**TANK).volume_low_ml)
    # The unit does not matter: in millions the harvest is denser than the target by less than one.
    millions = feed_plan(tank_l=100.0, target_cells_per_ml=5e-3, harvest_cells_per_ml=0.5)
    assert millions.volume_ml == pytest.approx(feed_plan(**TANK).volume_ml, rel=1e-12)


def test_a_feed_that_would_change_the_water_is_refused():
    with pytest.raises(DensitycamError, match="One feed would be 33 % of the tank"):
        feed_plan(**(TANK | {"harvest_cells_per_ml": 2e5}))
    # A quarter of the tank is the most: 25 L of a harvest that is four times the target denser.
    assert feed_plan(**(TANK | {"harvest_cells_per_ml": 2.5e5})).volume_ml == 25000.0


def test_a_full_tank_needs_nothing():
    assert feed_plan(**TANK, present_cells_per_ml=6e4).volume_ml == 0.0


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"tank_l": 0.0}, "tank's volume"),
        ({"target_cells_per_ml": -1.0}, "target density"),
        ({"harvest_cells_per_ml": math.nan}, "harvest's density"),
        ({"harvest_cells_per_ml": 4e4}, "no denser than the target"),
        ({"harvest_cells_per_ml": 5e4}, "no denser than the target"),
        ({"present_cells_per_ml": -3.0}, "present density"),
    ],
)
def test_refused(change, match):
    with pytest.raises(DensitycamError, match=match):
        feed_plan(**(TANK | change))
