"""The rule: every action is reached, denser never turns harvest into wait, reasons are said."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from datetime import datetime, timedelta

import pytest
from exactly import exactly

from densitycam.calibration.estimate import Estimate
from densitycam.calibration.species import load_species
from densitycam.culture.advice import Growth
from densitycam.culture.forecast import ReadyForecast
from densitycam.culture.readiness import RULE, decide, harvest_goal
from densitycam.culture.series import DensityPoint
from densitycam.culture.warning import EarlyWarning
from densitycam.errors import DensitycamError
from densitycam.flags import FLAGS
from densitycam.vessel.record import VesselRecord

NOW = datetime(2024, 3, 9, 19, 0)
FACTS = load_species("tetraselmis")  # band 0.7 to 2 million
VESSEL = VesselRecord("shelf", "tetraselmis", 1800.0, 92.0)
NAN = math.nan

EXPONENTIAL = Growth(0.45, 0.35, 0.55, 0.65, "exponential", 5, 5.0, "It rises.")
UNKNOWN = Growth(NAN, NAN, NAN, NAN, "unknown", 1, 0.5, "One photo.")
SLOWING = replace(
    EXPONENTIAL, phase="slowing", ceiling_cells_per_ml=9e5, max_rate_per_day=0.6,
    rate_per_day=0.2, low=0.1, high=0.3, evidence="It slows.",
)  # fmt: skip
STATIONARY = replace(UNKNOWN, phase="stationary", points=6, rate_per_day=0.0, low=-0.1, high=0.1)
DECLINE = replace(UNKNOWN, phase="decline", rate_per_day=-0.3, low=-0.4, high=-0.2, points=5)
LAG = replace(UNKNOWN, phase="lag", rate_per_day=0.0, low=-0.2, high=0.2, points=3)
GROWTHS = {
    "exponential": EXPONENTIAL, "unknown": UNKNOWN, "slowing": SLOWING, "lag": LAG,
    "stationary": STATIONARY, "late": replace(EXPONENTIAL, days_since_split=12.0),
    "late slowing": replace(SLOWING, days_since_split=12.0, ceiling_cells_per_ml=5e6),
    "decline": DECLINE, "inferred": replace(UNKNOWN, split_inferred=True),
}  # fmt: skip


def measured(density, *, sd=0.1, counts=3):
    half = math.exp(1.96 * sd)
    return Estimate("measured", density, density / half, density * half, sd, "t", counts, True)


def point(density, days_ago=0.0):
    return DensityPoint(NOW - timedelta(days=days_ago), density, density / 1.2, density * 1.2, 0.1)


def ask(estimate, growth=EXPONENTIAL, flags=(), last=None, **kwargs):
    return decide(
        estimate=estimate, flags=flags, growth=growth, facts=FACTS, vessel=VESSEL, now=NOW,
        last_point=last, **kwargs,
    )  # fmt: skip


MORE = Estimate("more-than", NAN, 9e5, math.inf, NAN, "t", 2, False)
LESS = Estimate("less-than", NAN, 0.0, 5e4, NAN, "t", 2, False)

CASES = {
    "in the band": (lambda: ask(measured(1.2e6)), "harvest"),
    "below it": (lambda: ask(measured(3e5)), "wait"),
    "above it": (lambda: ask(measured(3e6)), "overdue"),
    "too long in it": (lambda: ask(measured(1.2e6), GROWTHS["late"]), "overdue"),
    "stationary in it": (lambda: ask(measured(1.2e6), STATIONARY), "overdue"),
    "stationary below it": (lambda: ask(measured(3e5), STATIONARY), "overdue"),
    "stationary and thin": (lambda: ask(measured(3e4), STATIONARY), "wait"),
    "near a low ceiling": (lambda: ask(measured(6.5e5), SLOWING), "harvest"),
    "far from a low ceiling": (lambda: ask(measured(3e5), SLOWING), "wait"),
    "slowing too long": (lambda: ask(measured(6e5), GROWTHS["late slowing"]), "overdue"),
    "falling": (lambda: ask(measured(1.2e6), DECLINE), "rescue"),
    "bleached": (lambda: ask(measured(1.2e6), flags=("bleached",)), "rescue"),
    "settled": (lambda: ask(measured(1.2e6), flags=("settled",)), "hold"),
    "settled hides a fall": (lambda: ask(measured(1.2e6), DECLINE, ("settled",)), "hold"),
    "milky": (lambda: ask(measured(1.2e6), flags=("milky",)), "hold"),
    "milky and bleached": (lambda: ask(measured(1.2e6), flags=("bleached", "milky")), "hold"),
    "odd colour": (lambda: ask(measured(1.2e6), flags=("colour-shift",)), "hold"),
    "nothing": (lambda: ask(None, UNKNOWN), "cannot-tell"),
    "refused": (lambda: ask(None, UNKNOWN, ("blurred",)), "cannot-tell"),
    "nan": (lambda: ask(measured(NAN)), "cannot-tell"),
    "more than the band's edge": (lambda: ask(MORE), "harvest"),
    "more than a little": (lambda: ask(replace(MORE, low=2e5)), "cannot-tell"),
    "more, for too long": (lambda: ask(MORE, GROWTHS["late"]), "overdue"),
    "less than a little": (lambda: ask(LESS), "wait"),
    "less than something dense": (lambda: ask(replace(LESS, high=2e6)), "cannot-tell"),
    "an old photo": (lambda: ask(measured(5e5), last=point(5e5, 4.0)), "cannot-tell"),
}


@pytest.mark.parametrize("case", CASES)
def test_action(case):
    asked, action = CASES[case]
    advice = asked()
    assert advice.action == action
    assert advice.headline.endswith(".")
    assert advice.reasons
    assert all(r.endswith((".", ")")) and "nan" not in r for r in advice.reasons)
    assert (advice.plan is not None) == (action in ("harvest", "overdue"))


def test_every_action_is_reached():
    assert {a for _, a in CASES.values()} == {
        "harvest", "wait", "overdue", "rescue", "hold", "cannot-tell",
    }  # fmt: skip


@pytest.mark.parametrize("name", GROWTHS)
@pytest.mark.parametrize("sd", [0.05, 0.3, 0.9])
@pytest.mark.parametrize("age", [0.0, 1.5])
def test_denser_never_turns_harvest_into_wait(name, sd, age):
    reached = False
    for step in range(121):
        density = 1e4 * 10 ** (step / 30)  # 1e4 to 1e8
        advice = ask(measured(density, sd=sd), GROWTHS[name], last=point(density, age))
        ready = advice.action in ("harvest", "overdue")
        assert ready or not reached, (name, density)
        reached = reached or ready
    assert reached != (name == "decline")


@pytest.mark.parametrize("name", GROWTHS)
@pytest.mark.parametrize("density", [3e4, 5e5, 1.2e6, 3e6])
def test_an_old_photo_does_not_speak_for_today(name, density):
    old = RULE.stale_days + 0.1
    advice = ask(measured(density), GROWTHS[name], last=point(density, old))
    if name == "decline":  # what looked like a crash is to be seen to all the more
        assert advice.action == "rescue"
        return
    assert advice.action == "cannot-tell"
    assert advice.headline == "Take a photo today: the last one is 2 days old."
    assert advice.would_settle == "Take a photo today."
    assert advice.plan is None


@pytest.mark.parametrize(
    ("estimate", "said"),
    [(MORE, "more than 0.90 million cells/mL"), (LESS, "less than 50 thousand cells/mL")],
)
def test_the_age_of_a_bound_is_told_by_its_photo(estimate, said):
    assert ask(estimate).action in ("harvest", "wait")
    old = ask(estimate, seen_at=NOW - timedelta(days=3))
    assert old.action == "cannot-tell"
    assert said in old.reasons[0]


def test_a_forecast_of_its_own_growth_goes_before_the_present_rate():
    ready = ReadyForecast(*(NOW + timedelta(days=d) for d in (3.0, 2.0, 4.4)))
    advice = ask(measured(3e5), last=point(3e5), ready=ready)
    assert advice.wait_days == pytest.approx(3.0, abs=1e-9)
    for told, given in zip(
        (advice.ready_on, advice.ready_earliest, advice.ready_latest),
        (ready.day, ready.earliest, ready.latest),
        strict=True,
    ):
        assert abs(told - given) < timedelta(seconds=1)
    assert advice.reasons[1] == (
        "It should reach its band in about 3 days at this vessel's usual growth (95 %: 2 to 4 "
        "days)."
    )
    never = ask(measured(3e5), last=point(3e5), ready=replace(ready, latest=None))
    assert "(2 days at the earliest; it may not get there)" in never.reasons[1]
    lost = ask(measured(3e5), last=point(3e5), ready=ReadyForecast(None, None, None))
    assert math.isnan(lost.wait_days)
    assert lost.headline == "Wait."
    assert lost.ready_earliest is None


def test_the_goal_is_the_band_or_below_it_where_it_levels_off():
    assert harvest_goal(facts=FACTS, growth=EXPONENTIAL) == FACTS.harvest_low
    assert harvest_goal(facts=FACTS, growth=SLOWING) == pytest.approx(0.7 * 9e5, rel=1e-12)
    high = replace(SLOWING, ceiling_cells_per_ml=5e6)
    assert harvest_goal(facts=FACTS, growth=high) == FACTS.harvest_low


BAND = FACTS.harvest_low, FACTS.harvest_high


def bordering(density, low=None, high=None):
    """An estimate that stands on the border it is asked about."""
    return replace(measured(density), low=low or density / 1.1, high=high or density * 1.1)


@pytest.mark.parametrize(
    ("asked", "action"),
    [
        # The band's edges belong to it, and so does the share of the ceiling.
        (lambda: ask(bordering(BAND[0])), "harvest"),
        (lambda: ask(bordering(BAND[1])), "harvest"),
        (lambda: ask(measured(0.7 * 9e5), SLOWING), "harvest"),
        (lambda: ask(replace(MORE, low=BAND[0])), "harvest"),
        (lambda: ask(replace(MORE, low=2e5), last=replace(point(9e5), low=BAND[0])), "harvest"),
        (lambda: ask(None, flags=("too-dense",), last=replace(point(9e5), low=BAND[0])), "harvest"),
        # A tenth of the band is not too thin to split, where nothing grows any more.
        (lambda: ask(measured(0.1 * BAND[0]), STATIONARY), "overdue"),
        (lambda: ask(measured(0.15 * BAND[0]), STATIONARY), "overdue"),
        (lambda: ask(measured(0.099 * BAND[0]), STATIONARY), "wait"),
        # Ten days and a half are past ten days.
        (lambda: ask(measured(1e6), replace(EXPONENTIAL, days_since_split=10.49)), "harvest"),
        (lambda: ask(measured(1e6), replace(EXPONENTIAL, days_since_split=10.5)), "overdue"),
        # A photo of two days ago speaks for today, a moment later it does not.
        (lambda: ask(measured(1e6), last=point(1e6, 2.0)), "harvest"),
        (lambda: ask(measured(1e6), last=point(1e6, 2.001)), "cannot-tell"),
        # A limit on the edge itself leaves it open.
        (lambda: ask(replace(LESS, high=BAND[0])), "cannot-tell"),
        (lambda: ask(replace(LESS, high=0.999 * BAND[0])), "wait"),
        # No cells are no density.
        (lambda: ask(measured(0.0)), "cannot-tell"),
    ],
)  # fmt: skip
def test_on_the_border(asked, action):
    assert asked().action == action


def test_an_interval_that_only_touches_the_edge():
    assert ask(bordering(8e5, low=BAND[0])).reasons[0].startswith("It holds")
    assert "may be ready already" in ask(bordering(6e5, high=BAND[0])).reasons[0]


def test_a_ceiling_that_is_not_known_moves_no_goal():
    for ceiling, rate in ((0.0, 0.6), (math.inf, 0.6), (9e5, 0.0), (9e5, NAN)):
        growth = replace(EXPONENTIAL, ceiling_cells_per_ml=ceiling, max_rate_per_day=rate)
        assert harvest_goal(facts=FACTS, growth=growth) == FACTS.harvest_low
        # And the forecast is at the present rate.
        assert ask(measured(3e5), growth).wait_days == pytest.approx(math.log(7 / 3) / 0.45)


def test_the_dates_of_a_forecast_end_at_now_and_in_a_month():
    def waits(days):
        when = NOW + timedelta(days=days)
        return ask(measured(3e5), last=point(3e5), ready=ReadyForecast(when, when, when))

    assert waits(0.0).wait_days == 0.0
    assert waits(30.0).wait_days == pytest.approx(30.0, rel=1e-12)
    assert math.isnan(waits(30.01).wait_days)
    late = waits(-0.1)
    assert late.headline == "Wait: it should be ready any time now."
    assert math.isnan(late.wait_days)
    # Without a density of today, the moment itself has come.
    told = ask(None, flags=("blurred",), last=point(3e5), ready=ReadyForecast(NOW, NOW, NOW))
    assert "It should have reached its band by now" in told.reasons[-1]


def test_a_forecast_counts_from_the_photo():
    # ln(7/3) at 0.45 (0.35 to 0.55) a day are 1.9 (1.5 to 2.4) days from the photo.
    old = ask(measured(3e5), last=point(3e5, 1.6))
    assert old.ready_earliest == NOW  # it cannot be ready before today
    assert old.ready_latest == NOW + timedelta(days=math.log(7 / 3) / 0.35 - 1.6)
    slowing = replace(SLOWING, ceiling_cells_per_ml=8e5)
    days = math.log(0.7 / 0.3) / 0.6 - 1.0
    assert ask(measured(4e5), slowing, last=point(4e5, 1.0)).wait_days == pytest.approx(days)


def test_the_span_is_told_where_it_is_more_than_a_day():
    told = ask(measured(3e5)).reasons
    assert any(r.endswith("at its present 0.65 doublings a day.") for r in told)
    told = ask(measured(3e5), replace(EXPONENTIAL, low=0.25)).reasons
    assert any("doublings a day (2 to 3 days after the photo)" in r for r in told)


def test_the_usual_rate_is_the_middle_of_the_species_own_on_the_log_scale():
    # Where the own rate may be nothing: sqrt(0.4 x 0.8) = 0.566 a day, from 0.4 to 0.8.
    for growth in (UNKNOWN, replace(EXPONENTIAL, low=0.0)):
        advice = ask(measured(3e5), growth)
        assert advice.wait_days == pytest.approx(math.log(7 / 3) / math.sqrt(0.32), rel=1e-12)
        assert advice.ready_earliest == NOW + timedelta(days=math.log(7 / 3) / 0.8)
        assert advice.ready_latest == NOW + timedelta(days=math.log(7 / 3) / 0.4)


def test_a_culture_without_density_is_told_what_was_known():
    nothing = ask(None, UNKNOWN)
    assert nothing.reasons == ("Nothing of this batch has been measured yet.",)
    assert nothing.headline == "There is no photo to judge by."
    blurred = ask(None, UNKNOWN, ("blurred",))
    assert blurred.reasons == (FLAGS["blurred"].meaning,)
    assert blurred.headline == "No density could be measured."
    empty = ask(None, UNKNOWN, ("blurred",), last=point(0.0))
    assert empty.reasons == (FLAGS["blurred"].meaning,)
    # ln(7/5) at 0.45 a day are 0.75 days, a quarter of a day has passed.
    soon = ask(None, flags=("blurred",), last=point(5e5, 0.25))
    assert "It should reach its band in less than a day at its present" in soon.reasons[-1]
    level = ask(None, STATIONARY, ("blurred",), last=point(5e5, 1.0))
    assert level.reasons[-1] == "The last density, 1 day old, was 0.50 million cells/mL."


def test_an_old_photo_is_quoted_with_its_interval_and_forecast_a_bound_without():
    old = ask(measured(5e5), last=point(5e5, 3.0))
    assert old.reasons[0].startswith("It held 0.50 million cells/mL (0.41 to 0.61 million) then")
    assert "reached its band by now" in old.reasons[1]
    bound = ask(MORE, seen_at=NOW - timedelta(days=3))
    assert bound.reasons == (
        "It held more than 0.90 million cells/mL then; its band is 0.70 to 2.0 million cells/mL.",
    )


def test_a_rescue_names_what_is_wrong():
    falling, bleached = (DECLINE, ()), (EXPONENTIAL, ("bleached",))
    for (growth, flags), what in ((falling, "falling"), (bleached, "bleached"),
                                  ((DECLINE, ("bleached",)), "falling and bleached")):  # fmt: skip
        advice = ask(measured(1.2e6), growth, flags)
        assert advice.headline == f"Save the starter: the culture is {what}."
        assert (DECLINE.evidence in advice.reasons) == (growth is DECLINE)
        assert (FLAGS["bleached"].meaning in advice.reasons) == ("bleached" in flags)


def test_only_diatoms_are_expected_to_settle():
    # FAO Fisheries Technical Paper 471, sec. 3.4.5: settled diatoms want more air, flagellates
    # should not settle.
    assert "should not settle" in ask(measured(1.2e6), flags=("settled",)).reasons[2]
    diatom = decide(
        estimate=measured(1.2e6), flags=("settled",), growth=EXPONENTIAL, now=NOW,
        facts=load_species("chaetoceros"), vessel=VESSEL,
    )  # fmt: skip
    assert "give it more air" in diatom.reasons[2]


def test_a_culture_too_thin_to_measure_is_told_to_wait_for_that_reason():
    assert ask(LESS).headline == "Wait: it is still too thin to measure."
    wide = ask(replace(LESS, high=2e6))
    assert wide.headline == "This vessel is too narrow to tell."


def test_what_is_late_says_why():
    dense = ask(measured(3e6))
    assert dense.headline == "Harvest today: it is past its best."
    assert "It is past the top of its band, 2.0 million cells/mL." in dense.reasons
    level = ask(measured(3e5), STATIONARY)
    assert level.headline == "Split it today: it has all but stopped growing."
    assert STATIONARY.evidence in level.reasons
    assert ask(bordering(BAND[0]), STATIONARY).headline == dense.headline
    assert ask(measured(1.2e6)).headline == "Harvest now."
    assert EXPONENTIAL.evidence in ask(measured(1.2e6)).reasons
    assert UNKNOWN.evidence not in ask(measured(1.2e6), UNKNOWN).reasons
    waiting = ask(measured(3e5), GROWTHS["late"])
    assert any("past the usual 10 days" in r for r in waiting.reasons)
    assert not any("past the usual" in r for r in ask(measured(3e5)).reasons)


def test_a_week_is_the_usual_time_for_a_split_until_it_is_too_long():
    # 7 to 10 days: common practice, no source.
    for days, usual in ((6.9, False), (7.0, True), (10.4, True), (12.0, False)):
        told = ask(measured(1.2e6), replace(EXPONENTIAL, days_since_split=days)).reasons
        assert any("the usual time" in r for r in told) == usual


def test_a_plan_from_a_density_of_days_ago_asks_for_a_photo():
    advice = ask(None, flags=("too-dense",), last=point(1.5e6, 3.0))
    assert advice.action == "harvest"
    assert "The photo is 3 days old." in advice.reasons
    assert advice.would_settle == "Take a photo today."


def test_growth_that_is_not_known_yet_asks_for_another_photo():
    assert ask(measured(3e5), UNKNOWN).would_settle == "Take another photo tomorrow."
    assert ask(measured(3e5)).would_settle == ""
    inferred = replace(EXPONENTIAL, split_inferred=True)
    assert ask(measured(3e5), inferred).would_settle == ""


def test_new_water_has_twenty_degrees_and_the_nitrogen_of_f2_unless_set():
    assert ask(measured(1.2e6)).plan.temperature_c == 20.0
    # 75 mg/L of sodium nitrate: 84.995 g/mol, 14.007 of it nitrogen (atomic weights from memory).
    assert RULE.nitrogen_mg_per_l == round(75 * 14.007 / 84.995, 2)


@pytest.mark.parametrize("flag", FLAGS)
def test_every_flag_is_answered(flag):
    advice = ask(None if FLAGS[flag].refuses else measured(1.2e6), flags=(flag,))
    if FLAGS[flag].refuses:
        assert advice.action == "cannot-tell"
        assert advice.would_settle == FLAGS[flag].advice
    elif flag in ("too-thin", "bars-lost", "foam", "bubbles", "film"):  # its density stands
        assert advice.action == "harvest"
    else:
        assert advice.action in ("hold", "rescue")


def test_an_interval_across_the_edge_is_said():
    advice = ask(measured(8e5, sd=0.2))
    assert advice.action == "harvest"
    assert advice.reasons[0].startswith("Probably ready: ")
    assert advice.would_settle == "Count one slide."
    below = ask(measured(6e5, sd=0.2))
    assert below.action == "wait"
    assert "may be ready already" in below.reasons[0]
    assert below.would_settle == "Count one slide."
    assert ask(measured(1.2e6, sd=0.1)).would_settle == ""


def test_forecast_at_the_own_rate():
    advice = ask(measured(3e5), last=point(3e5))
    days = math.log(7e5 / 3e5) / 0.45
    assert advice.wait_days == pytest.approx(days, rel=1e-12)
    assert advice.ready_on == NOW + timedelta(days=days)
    assert advice.headline == "Wait about 2 days."
    assert advice.ready_earliest == NOW + timedelta(days=math.log(7 / 3) / 0.55)
    assert advice.ready_latest == NOW + timedelta(days=math.log(7 / 3) / 0.35)
    # The photo's age counts against it.
    older = ask(measured(3e5), last=point(3e5, 1.0))
    assert older.wait_days == pytest.approx(days - 1.0, rel=1e-12)


def test_forecast_slows_towards_a_ceiling():
    slowing = replace(SLOWING, ceiling_cells_per_ml=1.1e6)
    advice = ask(measured(4e5), slowing)
    # Logistic time from 0.4 to the band's edge at 0.7 million under 1.1 million at 0.6 a day.
    days = (math.log(0.7 / 0.4) - math.log(0.4 / 0.7)) / 0.6
    assert advice.wait_days == pytest.approx(days, rel=1e-12)


def test_forecast_under_a_low_ceiling_aims_at_its_best_share():
    advice = ask(measured(4e5), replace(SLOWING, ceiling_cells_per_ml=8e5))
    # From half of the ceiling to 0.7 of it: logits 0 and ln(0.7/0.3), at 0.6 a day.
    assert advice.wait_days == pytest.approx(math.log(0.7 / 0.3) / 0.6, rel=1e-12)


def test_forecast_without_an_own_rate_says_so():
    advice = ask(measured(3e5), UNKNOWN)
    assert advice.action == "wait"
    assert any("usual rate of Tetraselmis" in r for r in advice.reasons)
    assert 1 < advice.wait_days < 3


def test_no_date_beyond_a_month():
    crawling = replace(EXPONENTIAL, rate_per_day=0.02, low=0.01, high=0.03)
    advice = ask(measured(3e5), crawling)
    assert advice.action == "wait"
    assert math.isnan(advice.wait_days)
    assert advice.ready_on is None


def test_too_dense_to_see_through_counts_with_the_least():
    advice = ask(MORE)
    assert advice.plan.harvest_cells == pytest.approx(9e5 * 1350, rel=1e-12)
    assert math.isinf(advice.plan.harvest_cells_high)
    assert "narrow flat bottle" in advice.would_settle
    # Refused as too dense, but the last density lay in the band.
    assert ask(None, flags=("too-dense",), last=point(1.5e6, 1.0)).action == "harvest"
    assert ask(None, flags=("too-dense",), last=point(4e5, 1.0)).action == "cannot-tell"


def test_more_than_a_little_after_a_density_in_the_band_is_ready():
    little = replace(MORE, low=4e5)
    advice = ask(little, flags=("too-dense",), last=point(1.5e6, 1.0))
    assert advice.action == "harvest"
    assert "lay inside its band already" in advice.reasons[0]
    assert advice.would_settle == FLAGS["too-dense"].advice
    unready = ask(little, flags=("too-dense",), last=point(5e5, 1.0))
    assert (unready.action, unready.would_settle) == ("cannot-tell", FLAGS["too-dense"].advice)


def test_a_bound_on_the_edge_counts_by_itself_and_not_by_an_earlier_density():
    advice = ask(replace(MORE, low=BAND[0]), last=point(1.5e6, 1.0))
    assert advice.plan.harvest_cells == pytest.approx(BAND[0] * 1350, rel=1e-12)


def test_brightness_alone_decides_but_asks_for_a_narrow_bottle():
    flags = ("bars-lost",)
    ready = ask(measured(1.2e6), flags=flags)
    assert ready.action == "harvest"
    assert "may stand on" not in " ".join(ready.reasons)  # it may be denser than it looks
    for density, action in ((8e5, "harvest"), (6e5, "wait")):
        unsure = ask(measured(density, sd=0.2), flags=flags)
        assert unsure.action == action
        assert unsure.would_settle == FLAGS["bars-lost"].advice


def test_a_bound_does_not_take_its_age_from_an_earlier_point():
    for estimate in (MORE, LESS):
        advice = ask(estimate, last=point(5e5, 5.0))
        assert not any("days old" in r for r in advice.reasons)
        assert advice.would_settle != "Take a photo today."


def test_a_refused_photo_falls_back_on_the_forecast():
    advice = ask(None, flags=("blurred",), last=point(5e5, 2.0))
    assert advice.action == "cannot-tell"
    assert any("reached its band by now" in r for r in advice.reasons)


def test_doubts_are_said():
    fresh = ask(measured(1.2e6, counts=0))
    assert any("not yet checked" in r for r in fresh.reasons)
    assert fresh.would_settle == "Count one slide."
    weak = decide(
        estimate=measured(5e7), flags=(), growth=EXPONENTIAL, now=NOW,
        facts=load_species("nannochloropsis"), vessel=VESSEL,
    )  # fmt: skip
    assert any("rests on little" in r for r in weak.reasons)
    inferred = ask(measured(3e5), GROWTHS["inferred"])
    assert any("nobody logged" in r for r in inferred.reasons)
    assert inferred.would_settle.startswith("Log the split")
    noted = ask(replace(measured(1.2e6), notes=("Other light path.",)))
    assert "Other light path." in noted.reasons


def test_a_growing_culture_in_its_band_may_stand_on():
    assert "may stand on" in " ".join(ask(measured(1.2e6)).reasons)
    for advice in (ask(measured(1.2e6), GROWTHS["late"]), ask(measured(1.2e6), SLOWING), ask(MORE)):
        assert "may stand on" not in " ".join(advice.reasons)


def test_days_since_the_split_are_a_reason():
    week = ask(measured(1.2e6), replace(EXPONENTIAL, days_since_split=8.0))
    assert (week.action, "usual time" in " ".join(week.reasons)) == ("harvest", True)
    assert ask(measured(1.2e6), replace(EXPONENTIAL, days_since_split=10.2)).action == "harvest"
    assert ask(measured(1.2e6), replace(EXPONENTIAL, days_since_split=10.6)).action == "overdue"


@pytest.mark.parametrize("broken", [NAN, math.inf, -math.inf, 0.0, -5.0])
def test_no_number_breaks_it(broken):
    for name in ("cells_per_ml", "low", "high", "relative_sd"):
        for status in ("measured", "less-than", "more-than"):
            estimate = replace(measured(5e5), status=status, **{name: broken})
            for growth in GROWTHS.values():
                assert ask(estimate, growth, last=point(5e5, 1.0)).action
    for name in (f.name for f in fields(Growth)):
        if isinstance(getattr(EXPONENTIAL, name), float):
            for density in (3e5, 1.2e6):
                assert ask(measured(density), replace(EXPONENTIAL, **{name: broken})).action


def test_the_kept_share_is_the_keepers():
    assert ask(measured(1.2e6), kept_share=0.5).plan.keep_ml == 900.0
    with pytest.raises(DensitycamError, match="makes no split"):
        ask(measured(1.2e6), kept_share=1.0)


def test_the_rule_can_be_changed():
    assert ask(measured(5e5), SLOWING).action == "wait"
    assert ask(measured(5e5), SLOWING, rule=replace(RULE, ceiling_share=0.5)).action == "harvest"


def test_an_early_warning_joins_the_reasons_and_asks_for_a_look():
    warning = EarlyWarning("below-forecast", NOW, "It falls behind.", "It lost 20 %.", "Look.")
    calm, warned = (ask(measured(1.2e6), **kwargs) for kwargs in ({}, {"warnings": (warning,)}))
    assert (warned.action, exactly(warned.plan)) == (calm.action, exactly(calm.plan))
    assert warned.reasons[0] == calm.reasons[0]
    assert warned.reasons[1] == "Early warning: It falls behind. It lost 20 %."
    assert set(calm.reasons) < set(warned.reasons)
    assert "microscope" in warned.would_settle
    # Where there is no density, a photo settles more; where there is trouble, it is said already.
    for kwargs in ({"estimate": None}, {"estimate": measured(1.2e6), "flags": ("milky",)}):
        plain, said = (ask(**kwargs, warnings=w) for w in ((), (warning,)))
        assert said.would_settle == plain.would_settle


def test_doubts_are_told_apart():
    sure = ask(measured(1.2e6))
    assert sure.uncertain == ()
    unsure = ask(replace(measured(1.2e6, counts=0), notes=("Other light path.",)))
    assert unsure.uncertain == (
        "Other light path.",
        "The calibration is not yet checked by a slide count.",
    )
    assert set(unsure.uncertain) < set(unsure.reasons)
