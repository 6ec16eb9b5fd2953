"""The split plan: volumes add up, cautions stand, and plans that cannot work are refused."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from densitycam.calibration.species import load_species
from densitycam.culture.advice import Growth
from densitycam.culture.split import salt_water, split_plan
from densitycam.errors import DensitycamError
from densitycam.vessel.record import VesselRecord

VESSEL = VesselRecord("shelf", "isochrysis", 1730.0, 92.0)
FACTS = load_species("isochrysis")
NAN = math.nan
GROWING = Growth(0.45, 0.35, 0.55, 0.65, "exponential", 5, 5.0, "")


def plan(**kwargs):
    given = {"density": 1.1e7, "vessel": VESSEL, "facts": FACTS, "growth": GROWING}
    return split_plan(**(given | kwargs))


@pytest.mark.parametrize("share", [0.07, 0.25, 1 / 3, 0.6, 0.93])
def test_volumes_and_cells_add_up(share):
    p = plan(kept_share=share, density_low=9e6, density_high=1.3e7)
    assert p.keep_ml + p.top_up_ml == pytest.approx(1730.0, rel=1e-12)
    assert p.harvest_ml == p.top_up_ml
    assert p.keep_ml / 1730.0 == pytest.approx(share, rel=1e-12)
    # Cells before = cells kept + cells harvested.
    assert p.density_after * 1730.0 + p.harvest_cells == pytest.approx(1.1e7 * 1730.0, rel=1e-12)
    assert p.density_after * 2**p.doublings_needed == pytest.approx(1.1e7, rel=1e-12)
    assert p.harvest_cells_low == pytest.approx(9e6 * p.harvest_ml, rel=1e-12)
    assert p.harvest_cells_high == pytest.approx(1.3e7 * p.harvest_ml, rel=1e-12)


def test_salt_is_for_the_top_up_only():
    assert plan(kept_share=0.5).salt_g == pytest.approx(plan(kept_share=0.75).salt_g * 2, rel=1e-12)
    assert plan(salinity_g_per_kg=0.0).salt_g == 0.0
    assert plan().salinity_g_per_kg == FACTS.salinity_g_per_kg


def test_nutrient_needs_a_label():
    assert math.isnan(plan().nutrient_ml_each)
    assert plan(label_ml_per_l=0.4).nutrient_ml_each == pytest.approx(0.4 * 1.2975, rel=1e-12)


def test_next_date():
    assert plan().days_to_next == pytest.approx(math.log(4) / 0.45, rel=1e-12)
    unsure = replace(GROWING, low=-0.1)
    assert math.isnan(plan(growth=unsure).days_to_next)
    assert any("this species usually needs" in n for n in plan(growth=unsure).notes)
    # A rate that may be nothing foretells nothing; needs are in the note: two doublings, ln 4, at
    # the species' 0.4 to 0.9 a day.
    slow = plan(growth=replace(GROWING, low=0.0))
    assert math.isnan(slow.days_to_next)
    assert any("needs 2 to 3 days for 2.0 doublings" in n for n in slow.notes)


def test_next_date_under_a_ceiling():
    # Logistic, by hand: from 0.2 to 0.8 of the ceiling the logit rises from ln(1/4) to ln 4, by
    # 2 ln 4, at 0.7 a day.
    under = replace(GROWING, ceiling_cells_per_ml=1.25e7, max_rate_per_day=0.7)
    assert plan(density=1e7, growth=under).days_to_next == pytest.approx(
        2 * math.log(4) / 0.7, rel=1e-12
    )
    # At or over it the next harvest is at 0.9 of it: from logit(0.225) to logit(0.9).
    days = (math.log(9) - math.log(0.225 / 0.775)) / 0.7
    assert plan(density=1.5e7, growth=under).days_to_next == pytest.approx(days, rel=1e-12)


@pytest.mark.parametrize(
    ("ceiling", "best"), [(0.0, 0.7), (math.inf, 0.7), (NAN, 0.7), (1.3e7, 0.0), (1.3e7, NAN)]
)
def test_a_ceiling_that_says_nothing_leaves_the_present_rate(ceiling, best):
    unknown = replace(GROWING, ceiling_cells_per_ml=ceiling, max_rate_per_day=best)
    assert plan(growth=unknown).days_to_next == pytest.approx(math.log(4) / 0.45, rel=1e-12)


def test_an_empty_vessel_under_a_ceiling_is_planned_at_the_present_rate():
    under = replace(GROWING, ceiling_cells_per_ml=1.3e7, max_rate_per_day=0.7)
    assert plan(density=0.0, growth=under).days_to_next == pytest.approx(
        math.log(4) / 0.45, rel=1e-12
    )


def test_a_millilitre_in_the_well_of_a_plate_is_planned_as_well():
    p = plan(vessel=replace(VESSEL, working_volume_ml=1.0))
    assert (p.keep_ml, p.harvest_ml, p.starter_ml) == (0.25, 0.75, 0.05)
    assert any("Starter first" in step for step in p.checklist)


def test_the_steady_state_is_no_washout():
    # Kept half and split daily, a culture that doubles daily just holds (the border itself).
    doubling = replace(GROWING, rate_per_day=math.log(2), max_rate_per_day=NAN)
    assert plan(kept_share=0.5, every_days=1.0, growth=doubling).keep_ml == 865.0
    # Two rounds a day want twice that rate.
    twice = replace(doubling, rate_per_day=2 * math.log(2))
    assert plan(kept_share=0.5, every_days=0.5, growth=twice).keep_ml == 865.0


def test_salt_water_is_planned_to_the_ends_of_teos10():
    # TEOS-10's Gibbs function holds to 120 g/kg (IOC, SCOR and IAPSO 2010) at 0 to 40 C. Fresh
    # water at 0 and 40 C: 0.99984 and 0.99222 kg/L (CRC Handbook of Chemistry and Physics, from
    # memory).
    for temperature, fresh in ((0.0, 0.99984), (40.0, 0.99222)):
        density, gravity = salt_water(salinity_g_per_kg=0.0, temperature_c=temperature)
        assert density == pytest.approx(fresh, abs=2e-5)
        assert gravity == 1.0
        assert salt_water(salinity_g_per_kg=120.0, temperature_c=temperature)[1] > 1.08
    for salinity, temperature in ((120.1, 20.0), (-0.1, 20.0), (35.0, 40.1), (35.0, -0.1)):
        with pytest.raises(DensitycamError, match="cannot be planned for"):
            salt_water(salinity_g_per_kg=salinity, temperature_c=temperature)


def test_cautions_name_what_can_hurt():
    said = " ".join(plan().cautions).lower()
    for word in ("tank", "oxygen", "people", "bleach", "alcohol", "mains", "local rules"):
        assert word in said
    for word in ("hydrometer", "fresh water", "weigh"):
        assert any(word in n for n in plan().notes)


def test_diatoms_get_silicate():
    assert "silicate" in plan(facts=load_species("chaetoceros")).notes[0]
    assert not any("silicate" in n for n in plan().notes)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"kept_share": 0.0}, "makes no split"),
        ({"kept_share": 1.2}, "makes no split"),
        ({"kept_share": NAN}, "makes no split"),
        ({"label_ml_per_l": -1.0}, "nutrient dose of -1"),
        ({"every_days": 0.0}, "A split every 0 days is not possible"),
        ({"every_days": -2.0}, "A split every -2 days is not possible"),
        ({"every_days": math.inf}, "A split every inf days is not possible"),
        ({"every_days": 2.0}, "that needs 3.1 days"),
        ({"every_days": 2.0, "growth": replace(GROWING, rate_per_day=-0.1)}, "growth to start"),
        ({"every_days": 2.0, "growth": replace(GROWING, rate_per_day=0.0)}, "growth to start"),
    ],
)
def test_plans_that_cannot_work_are_refused(change, match):
    with pytest.raises(DensitycamError, match=match):
        plan(**change)


def test_the_advised_share_works():
    with pytest.raises(DensitycamError, match="Keep at least 41 %"):
        plan(every_days=2.0)
    assert plan(every_days=2.0, kept_share=0.41).keep_ml == pytest.approx(0.41 * 1730, rel=1e-12)


def test_an_unknown_rate_speaks_against_nothing():
    unknown = Growth(NAN, NAN, NAN, NAN, "unknown", 1, 0.5, "")
    assert plan(every_days=2.0, growth=unknown).keep_ml == pytest.approx(432.5, rel=1e-12)


def test_a_vessel_that_is_not_full_gives_less_harvest_and_the_same_top_up():
    p = plan(kept_share=0.25, present_ml=1500.0, starter_ml=120.0)
    assert p.keep_ml + p.harvest_ml == pytest.approx(1500.0, rel=1e-12)
    assert p.keep_ml + p.top_up_ml == pytest.approx(1730.0, rel=1e-12)
    assert p.harvest_cells == pytest.approx(1.1e7 * (1500 - 432.5), rel=1e-12)
    assert p.starter_ml == 120.0


def test_a_starter_is_held_back_out_of_the_harvest():
    assert plan().starter_ml == pytest.approx(0.05 * 1730, rel=1e-12)
    assert plan(kept_share=0.93).starter_ml == pytest.approx(0.25 * 0.07 * 1730, rel=1e-12)
    assert not any("Starter" in step for step in plan(starter_ml=0.0).checklist)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"present_ml": 1800.0}, "holds 1730 mL when full, so it cannot hold 1800 mL"),
        ({"present_ml": 0.0}, "cannot hold 0 mL"),
        ({"present_ml": NAN}, "cannot hold nan mL"),
        ({"present_ml": 400.0}, "Keeping 432 mL leaves nothing to harvest of the 400 mL"),
        ({"present_ml": 432.5}, "Keeping 432 mL leaves nothing to harvest of the 432 mL"),
        ({"starter_ml": 1297.5}, "starter of 1297.5 mL cannot come out of a harvest of 1298 mL"),
        ({"starter_ml": 1300.0}, "starter of 1300 mL cannot come out of a harvest of 1298 mL"),
        ({"starter_ml": -1.0}, "starter of -1 mL"),
        ({"nitrogen_mg_per_l": -1.0}, "No nitrogen ceiling"),
        ({"label_ml_per_l": 80.0}, "nutrient dose of 80"),
    ],
)
def test_volumes_that_do_not_add_up_are_refused(change, match):
    with pytest.raises(DensitycamError, match=match):
        plan(**change)


def test_the_checklist_goes_in_order_and_holds_the_numbers():
    p = plan(label_ml_per_l=0.5, starter_ml=100.0)
    places = [
        next(n for n, step in enumerate(p.checklist) if word in step)
        for word in ("specific gravity", "smell first", "Pull the plugs", "alcohol", "the photo",
                     "Starter first", "Harvest:", "must be left", "Top up slowly", "Nutrient",
                     "log the split", "Rinse the tools")
    ]  # fmt: skip
    assert places == list(range(len(p.checklist)))
    said = " ".join(p.checklist)
    for number in (
        "100 mL",
        "432 mL",
        "1298 mL",
        "1198 mL",
        "0.649 mL",
        f"{p.specific_gravity:.4f}",
    ):
        assert number in said
    assert "nan" not in " ".join(plan().checklist)
    assert any("silicate" in s for s in plan(facts=load_species("chaetoceros")).checklist)


def test_a_dose_that_cannot_feed_the_culture_back_is_said():
    poor = plan(nitrogen_mg_per_l=2.0)
    assert poor.nitrogen_fed < poor.nitrogen_starved < 1.1e7
    assert any("grow pale before it is back" in n for n in poor.notes)
    rich = plan(nitrogen_mg_per_l=25.0)
    assert rich.nitrogen_starved > 1.1e7
    assert not any("grow pale" in n for n in rich.notes)
    assert math.isnan(plan(density=NAN).nitrogen_fed)
