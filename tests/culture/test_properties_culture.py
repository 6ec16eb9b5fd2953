"""The keeper's arithmetic: what must hold for any numbers, not only for the examples."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import pytest
from grown import at, points
from hypothesis import given, settings
from hypothesis import strategies as st
from tried import tried

from densitycam.calibration.species import load_species
from densitycam.culture.advice import Growth
from densitycam.culture.dilution import Dilution, as_diluted
from densitycam.culture.feeding import feed_plan
from densitycam.culture.forecast import LONGEST_AHEAD_DAYS, forecast_ready
from densitycam.culture.nutrient import nitrogen_ceiling, two_part_dose_ml
from densitycam.culture.series import DensityPoint
from densitycam.culture.split import salt_water, split_plan
from densitycam.errors import DensitycamError
from densitycam.vessel.record import VesselRecord

FACTS = load_species("isochrysis")
GROWING = Growth(0.45, 0.35, 0.55, 0.65, "exponential", 5, 5.0, "")

SHARE = st.floats(0.02, 0.98)
DENSITY = st.floats(1e3, 1e9)
SALINITY = st.floats(0.0, 120.0)
WARMTH = st.floats(0.0, 40.0)


@given(SHARE, DENSITY, st.floats(50.0, 1e5), st.floats(0.6, 1.0), SALINITY, WARMTH)
def test_a_split_loses_neither_water_nor_cells(kept, density, full, filled, salinity, warmth):
    vessel = VesselRecord("shelf", "isochrysis", full, 92.0)
    plan = tried(
        split_plan,
        density=density, vessel=vessel, facts=FACTS, growth=GROWING, kept_share=kept,
        salinity_g_per_kg=salinity, temperature_c=warmth, present_ml=filled * full,
        refusal=DensitycamError,
    )  # fmt: skip
    if isinstance(plan, DensitycamError):
        assert plan.advice
        return
    assert plan.keep_ml + plan.top_up_ml == pytest.approx(full, rel=1e-9)
    # Cells that were there are in the vessel after it, in the harvest, or in the second starter.
    before = density * filled * full
    assert plan.density_after * full + plan.harvest_cells == pytest.approx(before, rel=1e-9)
    assert 0 <= plan.starter_ml < plan.harvest_ml <= filled * full
    assert 0 < plan.density_after < density


@given(SALINITY, SALINITY, WARMTH)
def test_saltier_water_is_heavier_and_fresh_water_is_the_measure(one, other, warmth):
    lower, upper = sorted((one, other))
    light, heavy = (salt_water(salinity_g_per_kg=s, temperature_c=warmth) for s in (lower, upper))
    assert light[0] <= heavy[0]
    assert 1.0 <= light[1] <= heavy[1] < 1.11
    # Over fresh water of the same warmth: the ratio of the densities, by its definition.
    fresh = salt_water(salinity_g_per_kg=0.0, temperature_c=warmth)[0]
    assert heavy[1] == pytest.approx(heavy[0] / fresh, rel=1e-12)


@given(st.floats(1.0, 60.0), st.floats(1.0, 60.0), st.floats(0.05, 0.95))
def test_salt_in_the_top_up_makes_mixed_water_of_one_salinity(salinity, warmth, kept):
    """Mixing conserves salt: kept culture and top-up of one salinity give that salinity again."""
    vessel = VesselRecord("shelf", "isochrysis", 2000.0, 92.0)
    told = tried(
        split_plan,
        density=1e7, vessel=vessel, facts=FACTS, growth=GROWING, kept_share=kept,
        salinity_g_per_kg=salinity, temperature_c=min(warmth, 40.0), refusal=DensitycamError,
    )  # fmt: skip
    if isinstance(told, DensitycamError):
        return
    kg_per_l, _ = salt_water(salinity_g_per_kg=salinity, temperature_c=min(warmth, 40.0))
    mass_g = told.top_up_ml * kg_per_l
    assert 1000.0 * told.salt_g / mass_g == pytest.approx(salinity, rel=1e-9)  # g a kilogram


@given(st.floats(0.0, 50.0), st.floats(0.0, 1e5), st.floats(0.0, 1e5))
def test_a_dose_is_for_each_millilitre_of_new_water(rate, one, other):
    each = [two_part_dose_ml(label_ml_per_l=rate, new_water_ml=w) for w in (one, other)]
    both = two_part_dose_ml(label_ml_per_l=rate, new_water_ml=one + other)
    assert both == pytest.approx(sum(each), rel=1e-12, abs=1e-12)
    assert 0 <= both <= 0.05 * (one + other) + 1e-9  # 50 mL a litre at most


@given(st.floats(allow_nan=True))
def test_no_dose_outside_the_labels_is_reckoned(rate):
    dose = tried(
        two_part_dose_ml, label_ml_per_l=rate, new_water_ml=1000.0, refusal=DensitycamError
    )
    assert isinstance(dose, DensitycamError) != (0 <= rate <= 50)


@given(st.floats(0, 1e9), SHARE, SHARE, st.floats(0.0, 100.0))
def test_more_new_water_feeds_more_cells(density, one, other, nitrogen):
    less, more = (
        nitrogen_ceiling(
            facts=FACTS, density_after=density, new_share=s, nitrogen_mg_per_l=nitrogen
        )
        for s in sorted((one, other))
    )
    assert density <= less[0] <= less[1]  # well fed before starved
    assert less[0] <= more[0]
    assert less[1] <= more[1]


POINT = st.builds(
    lambda day, density: DensityPoint(at(day), density, density / 1.3, density * 1.3, 0.13),
    st.floats(0, 30),
    DENSITY,
)
WATER = st.builds(
    lambda day, factor: Dilution(at(day), factor), st.floats(0, 30), st.floats(0.1, 5)
)


@given(st.lists(POINT, max_size=6), st.lists(WATER, max_size=5), st.randoms())
def test_dilutions_are_factors_in_any_order_and_end_in_the_last_water(seen, waters, chance):
    now = at(31)
    told = as_diluted(seen, waters, now)
    shuffled = list(waters)
    chance.shuffle(shuffled)
    for point, one, other in zip(seen, told, as_diluted(seen, shuffled, now), strict=True):
        factor = math.prod(w.factor for w in waters if point.when < w.when)
        assert one.cells_per_ml == pytest.approx(point.cells_per_ml * factor, rel=1e-9)
        assert one.cells_per_ml == pytest.approx(other.cells_per_ml, rel=1e-9)
        assert one.high / one.cells_per_ml == pytest.approx(1.3, rel=1e-9)  # as unsure as before
    # Told in the last water already, nothing changes any more.
    assert as_diluted(told, [], now) == told


@settings(max_examples=15)
@given(st.floats(0.05, 1.2), st.floats(1e4, 1e8), st.floats(0.3, 60.0), st.floats(1.0, 4.0))
def test_a_forecast_lies_in_its_interval_and_a_higher_goal_is_not_reached_sooner(
    rate, first, times, more
):
    def curve(day: float) -> float:
        return first * math.exp(rate * day)

    seen, now = points(curve, range(6)), at(5.2)
    goals = curve(5.0) * times, curve(5.0) * times * more
    near, far = (forecast_ready(seen, (), now, goal_cells_per_ml=g) for g in goals)
    for told in (near, far):
        moments = [m for m in (told.earliest, told.day, told.latest) if m is not None]
        assert moments == sorted(moments)
        assert all(now <= m <= now + timedelta(days=LONGEST_AHEAD_DAYS) for m in moments)
        assert told.day is None or told.earliest is not None
    if near.day is None:
        assert far.day is None
    elif far.day is not None:
        assert near.day <= far.day
    later = [replace(p, when=p.when + timedelta(days=100)) for p in seen]
    moved = forecast_ready(later, (), now + timedelta(days=100), goal_cells_per_ml=goals[0])
    assert (moved.day is None) == (near.day is None)
    if near.day is not None:  # the calendar does not matter
        assert abs(moved.day - near.day - timedelta(days=100)) < timedelta(seconds=1)


@given(st.floats(1.0, 1e4), st.floats(1e2, 1e6), st.floats(1e4, 1e9))
def test_a_feed_brings_the_tank_to_its_target_or_is_refused(tank_l, target, density):
    plan = tried(
        feed_plan,
        tank_l=tank_l, target_cells_per_ml=target, harvest_cells_per_ml=density,
        refusal=DensitycamError,
    )  # fmt: skip
    if isinstance(plan, DensitycamError):
        assert plan.advice
        return
    tank_ml = 1000.0 * tank_l
    # Cells in one feed, over all the water that they are then in.
    reached = plan.volume_ml * density / (tank_ml + plan.volume_ml)
    exact = pytest.approx(target, rel=1e-9)
    assert reached == exact or plan.volume_ml * density / tank_ml == exact
    assert 0 < plan.start_ml <= plan.volume_ml <= 0.25 * tank_ml * (1 + 1e-9)
