"""The rule: harvest, wait, overdue, rescue, hold or cannot tell, with its reasons.

To change the rule, change `Rule` (the numbers) or the order of `_STEPS` (what comes first).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from densitycam.calibration.estimate import Estimate
from densitycam.calibration.species import SpeciesFacts
from densitycam.culture.advice import Advice, Growth, SplitPlan
from densitycam.culture.forecast import ReadyForecast
from densitycam.culture.logistic import days_between
from densitycam.culture.nutrient import F2_NITROGEN_MG_PER_L, LABEL_TOP_ML_PER_L
from densitycam.culture.series import DensityPoint
from densitycam.culture.split import KEPT_SHARE, TEMPERATURE_RANGE_C, split_plan
from densitycam.culture.warning import EarlyWarning
from densitycam.flags import FLAGS
from densitycam.vessel.record import VesselRecord
from densitycam.wording import days_words, density_words, interval_words, significant

__all__ = ["RULE", "Rule", "decide", "harvest_goal"]


def _number(value: float, unit: str, least: float, most: float, meaning: str, source: str) -> float:
    """Give a number of the rule its meaning, limits and source, which the settings file shows."""
    about = {"unit": unit, "least": least, "most": most, "meaning": meaning, "source": source}
    number: float = field(default=value, metadata=about)
    return number


@dataclass(frozen=True)
class Rule:
    """The rule's own numbers; the harvest band and the longest batch are the species' facts.

    Each field's metadata holds its meaning, unit, limits and source. All are settable per species
    and vessel in a file, `densitycam.culture.settings`.
    """

    ceiling_share: float = _number(
        0.7,
        "share",
        0.1,
        0.95,
        "Of the density a culture levels off at: from here it is harvested, even below its band.",
        "computed: with a quarter kept, the yield of a logistic culture is flat and highest near "
        "it (0.193, 0.219, 0.197 at 0.5, 0.7, 0.9; logistic.split_cycle)",
    )
    thin_share: float = _number(
        0.1,
        "share",
        0.0,
        1.0,
        "Of the band's lower edge: a culture that stands still below this is too thin to split.",
        "our own choice",
    )
    usual_days: float = _number(
        7.0,
        "day",
        0.5,
        60.0,
        "After a split: from then on a batch is usually ripe.",
        "common practice, no source",
    )
    stale_days: float = _number(
        2.0,
        "day",
        0.25,
        14.0,
        "Age from which a photo no longer speaks for today.",
        "our own choice: a healthy culture nearly doubles in two days",
    )
    longest_forecast_days: float = _number(
        30.0, "day", 1.0, 90.0, "Longest forecast that is worth a date.", "our own choice"
    )
    kept_share: float = _number(
        KEPT_SHARE,
        "share",
        0.02,
        0.98,
        "Of the culture: kept back at a split.",
        "common practice, no source: a quarter, which two doublings bring back",
    )
    temperature_c: float = _number(
        20.0,
        "degree C",
        TEMPERATURE_RANGE_C[0],
        TEMPERATURE_RANGE_C[1],
        "Of the new salt water when its specific gravity is measured.",
        "our own choice: a room's",
    )
    label_ml_per_l: float = _number(
        0.0,
        "mL/L",
        0.0,
        LABEL_TOP_ML_PER_L,
        "What the nutrient's label gives of each of its two parts per litre of new water; 0 leaves "
        "it to the label.",
        "yours to enter; common practice for a small bottle is half a millilitre of each, no "
        "source",
    )
    nitrogen_mg_per_l: float = _number(
        round(F2_NITROGEN_MG_PER_L, 2),
        "mg/L",
        0.0,
        1000.0,
        "Nitrogen in the new water once it is dosed.",
        "Guillard 1975, f/2: 75 mg/L of sodium nitrate, as a university's recipe gives it",
    )


#: The rule in use.
RULE = Rule()

_NARROW = FLAGS["too-dense"].advice
_COUNT = "Count one slide."
_TOMORROW = "Take another photo tomorrow."
_TODAY = "Take a photo today."


@dataclass(frozen=True)
class _Case:
    """All that the steps of the rule look at."""

    estimate: Estimate | None
    flags: frozenset[str]
    growth: Growth
    facts: SpeciesFacts
    vessel: VesselRecord
    now: datetime
    last: DensityPoint | None
    kept_share: float
    rule: Rule
    seen_at: datetime | None
    ready: ReadyForecast | None

    @property
    def age_days(self) -> float:
        """Age of the newest density; 0 where there is none.

        A photo of which only a bound is known has no point of its own: `last` is an earlier one,
        and the age is known only where it was told.
        """
        bound = self.estimate is not None and self.estimate.status != "measured"
        seen = self.seen_at
        if seen is None and self.last is not None and not bound:
            seen = self.last.when
        return 0.0 if seen is None else max(0.0, _days(self.now - seen))

    @property
    def stale(self) -> bool:
        return self.age_days > self.rule.stale_days

    @property
    def ceiling(self) -> float:
        """Density the batch levels off at [cells/mL]; nan where none is shown."""
        return _ceiling(self.growth)

    @property
    def past_days(self) -> bool:
        # Whole days, as the keeper counts them: day 10 is not yet past 10 days.
        return self.growth.days_since_split >= self.facts.max_days_without_split + 0.5


def _days(span: timedelta) -> float:
    return span.total_seconds() / 86400.0


def _ceiling(growth: Growth) -> float:
    ceiling, rate = growth.ceiling_cells_per_ml, growth.max_rate_per_day
    return ceiling if 0 < ceiling < math.inf and rate > 0 else math.nan


def harvest_goal(*, facts: SpeciesFacts, growth: Growth, rule: Rule = RULE) -> float:
    """Return the density from which a batch is harvested [cells/mL].

    That is the lower edge of its species' band, or, where the batch levels off below, the rule's
    share of its ceiling.

    Parameters
    ----------
    facts : SpeciesFacts
        The harvest band that holds for the vessel [cells/mL].
    growth : Growth
        Where the batch levels off, as far as its photos tell.
    rule : Rule, default RULE
        The share of the ceiling at which a batch counts as grown out.
    """
    top = rule.ceiling_share * _ceiling(growth)
    return top if top < facts.harvest_low else facts.harvest_low  # False for nan


def decide(
    *,
    estimate: Estimate | None,
    flags: Sequence[str],
    growth: Growth,
    facts: SpeciesFacts,
    vessel: VesselRecord,
    now: datetime,
    last_point: DensityPoint | None = None,
    kept_share: float | None = None,
    rule: Rule = RULE,
    warnings: Sequence[EarlyWarning] = (),
    seen_at: datetime | None = None,
    ready: ReadyForecast | None = None,
) -> Advice:
    """Decide what to do with one vessel today.

    Parameters
    ----------
    estimate : Estimate or None
        Of the newest photo; None where it was refused or there is none.
    flags : sequence of str
        Gates and signs of the newest photo, ids in `densitycam.flags.FLAGS`.
    growth : Growth
        Of the running batch.
    facts : SpeciesFacts
        Of the vessel's species.
    vessel : VesselRecord
        The vessel.
    now : datetime
        The moment asked about, local, naive.
    last_point : DensityPoint or None
        The newest density of the running batch: that of `estimate`, or an earlier one where the
        newest photo was refused. Its age tells whether the photo still speaks for today.
    kept_share : float, optional
        Share kept back in the plan, 0 < share < 1; the rule's, a quarter, if None.
    rule : Rule
        The rule's numbers.
    warnings : sequence of EarlyWarning
        What the vessel's series warns of. They join the reasons and ask for a look at the
        culture; they decide nothing, since about one a vessel in two months is false.
    seen_at : datetime or None
        When the photo of `estimate` was taken; that of `last_point` if None.
    ready : ReadyForecast or None
        When the batch reaches `harvest_goal`, from `densitycam.culture.forecast`; reckoned from
        the present growth rate if None.

    Returns
    -------
    Advice
        Action, reasons (most decisive first), what would settle it, forecast, plan.

    Raises
    ------
    DensitycamError
        For a kept share outside 0 to 1.

    Notes
    -----
    In order: signs of trouble (milky, pale, settled), a falling or bleached culture, an odd
    colour, a photo without density, a photo too old to speak for today, then density against the
    harvest band and the ceiling, days since the split, and the forecast. All else equal, a denser
    culture is never told to wait where a thinner one is told to harvest.
    """
    case = _Case(
        estimate=estimate,
        flags=frozenset(flags),
        growth=growth,
        facts=facts,
        vessel=vessel,
        now=now,
        last=last_point,
        kept_share=rule.kept_share if kept_share is None else kept_share,
        rule=rule,
        seen_at=seen_at,
        ready=ready,
    )
    for step in _STEPS:
        advice = step(case)
        if advice is not None:
            return _warned(_with_doubts(advice, case), warnings)
    raise AssertionError("the last step always decides")


def _with_doubts(advice: Advice, case: _Case) -> Advice:
    """Say which of the reasons are doubts."""
    doubts = _doubts(case)
    return replace(advice, uncertain=tuple(r for r in advice.reasons if r in doubts))


def _warned(advice: Advice, warnings: Sequence[EarlyWarning]) -> Advice:
    """Add what the series warns of, where the decision does not rest on trouble already."""
    if not warnings or advice.action in ("hold", "rescue"):
        return advice
    said = [f"Early warning: {w.sentence} {w.evidence}" for w in warnings]
    return replace(
        advice,
        reasons=(*advice.reasons[:1], *said, *advice.reasons[1:]),
        warnings=tuple(said),
        # Where no density is known, what would bring one comes first.
        would_settle=advice.would_settle
        if advice.action == "cannot-tell"
        else "Look at a drop under the microscope before you split or feed.",
    )


def _advice(
    action: str,
    headline: str,
    reasons: Sequence[str],
    settle: str = "",
    *,
    wait_days: float = math.nan,
    ready_on: datetime | None = None,
    ready_earliest: datetime | None = None,
    ready_latest: datetime | None = None,
    plan: SplitPlan | None = None,
) -> Advice:
    return Advice(
        action=action,
        headline=headline,
        reasons=tuple(r for r in reasons if r),
        would_settle=settle,
        wait_days=wait_days,
        ready_on=ready_on,
        plan=plan,
        ready_earliest=ready_earliest,
        ready_latest=ready_latest,
    )


def _hold_for_sign(case: _Case) -> Advice | None:
    """Milky, pale or settled: no density means anything before that is looked into."""
    if "milky" in case.flags:
        return _advice(
            "hold",
            "Do not feed from it, and do not split it.",
            (
                FLAGS["milky"].meaning,
                "Bacteria look like that. Keep no starter from it before you have looked; use "
                "separate tools for your other bottles.",
            ),
            "Look at a drop under the microscope, and smell it.",
        )
    if "pale" in case.flags:
        return _advice(
            "hold",
            "Do not feed from it before you have looked at it.",
            (
                FLAGS["pale"].meaning,
                "Either something else makes it cloudy, as bacteria do, or the cells have lost "
                "pigment; too few photos of this batch tell which.",
            ),
            "Look at a drop under the microscope, and smell it.",
        )
    if "settled" in case.flags:
        return _advice(
            "hold",
            "Swirl it gently until it is even, then take the photo again.",
            (
                FLAGS["settled"].meaning,
                "No one density fits it as it stands.",
                "Diatoms settle when the air is weak; give it more air."
                if case.facts.settles
                else f"{case.facts.title} should not settle by itself: if it does so again, look "
                "at it under the microscope.",
            ),
            "Swirl, let the bubbles leave, retake.",
        )
    return None


def _rescue(case: _Case) -> Advice | None:
    """Answer a culture that falls or loses its pigment."""
    bleached, falling = "bleached" in case.flags, case.growth.phase == "decline"
    if not (bleached or falling):
        return None
    what = "falling and bleached" if bleached and falling else "falling" if falling else "bleached"
    return _advice(
        "rescue",
        f"Save the starter: the culture is {what}.",
        (
            case.growth.evidence if falling else "",
            FLAGS["bleached"].meaning if bleached else "",
            "Go back to your second starter and begin afresh in new salt water with nutrient; "
            "do not feed from this one and keep no starter from it unless it looks healthy under "
            "the microscope.",
            "Check light, temperature, nutrient and the air.",
        ),
        "Look at a drop under the microscope: grazers, clumps, empty cells.",
    )


def _hold_for_colour(case: _Case) -> Advice | None:
    """Answer a colour that is not the species' own."""
    if "colour-shift" not in case.flags:
        return None
    return _advice(
        "hold",
        "Look at it before you harvest or feed.",
        (
            f"Its colour is not that of healthy {case.facts.title} ({case.facts.group}).",
            "The density is read as if it were; the wrong species, another alga or an odd lamp "
            "can all do this.",
        ),
        "Look at a drop under the microscope, or retake in daylight.",
    )


def _no_density(case: _Case) -> Advice | None:
    """Refused photo, no photo, or an estimate without a number."""
    e = case.estimate
    if e is not None and (e.status != "measured" or e.cells_per_ml > 0):
        return None
    gates = [FLAGS[f] for f in FLAGS if f in case.flags and FLAGS[f].refuses]
    last = case.last
    if "too-dense" in case.flags and last is not None and last.low >= case.facts.harvest_low:
        return _in_band_before(case, last)
    known = "" if gates else "Nothing of this batch has been measured yet."
    if last is not None and last.cells_per_ml > 0:
        known = (
            f"The last density, {days_words(case.age_days)} old, was "
            f"{density_words(last.cells_per_ml)}."
        )
        known += f" {_expected(case, last.cells_per_ml)}".rstrip()
    return _advice(
        "cannot-tell",
        "No density could be measured." if gates else "There is no photo to judge by.",
        (*(g.meaning for g in gates), known),
        gates[0].advice if gates else _TODAY,
    )


def _in_band_before(case: _Case, last: DensityPoint) -> Advice:
    """Too dense to see through, after a density of this batch that was ready already."""
    return _harvest(
        case,
        density=last.cells_per_ml,
        low=last.low,
        high=math.inf,
        first="Too dense to see through now, and the last density measured lay inside its "
        f"band already ({interval_words(last.low, last.high)}).",
        settle=_NARROW,
    )


def _old_photo(case: _Case) -> Advice | None:
    """Answer a photo that no longer speaks for today, whatever it showed then."""
    e = case.estimate
    if e is None or not case.stale:
        return None
    bound = {"less-than": "less than ", "more-than": "more than "}.get(e.status, "")
    density = {"less-than": e.high, "more-than": e.low}.get(e.status, e.cells_per_ml)
    held = f"{bound}{density_words(density)}"
    if not bound:
        held = f"{held} ({interval_words(e.low, e.high, unit=False)})"
    return _advice(
        "cannot-tell",
        f"Take a photo today: the last one is {days_words(case.age_days)} old.",
        (
            f"It held {held} then; its band is {_band(case.facts)}.",
            "" if bound else _expected(case, density),
        ),
        _TODAY,
    )


def _too_thin(case: _Case) -> Advice | None:
    """Less than can be seen."""
    e = case.estimate
    if e is None or e.status != "less-than":
        return None
    band = case.facts.harvest_low
    if e.high < band:
        return _advice(
            "wait",
            "Wait: it is still too thin to measure.",
            (
                f"It holds less than {density_words(e.high)}; harvest begins at "
                f"{density_words(band)}.",
                *_doubts(case),
            ),
            "Take another photo in two days.",
        )
    return _advice(
        "cannot-tell",
        "This vessel is too narrow to tell.",
        (
            "The bars look the same through it as beside it: all that is known is less than "
            f"{density_words(e.high)}, and harvest begins at {density_words(band)}.",
        ),
        "Snap it in a wider vessel, or count one slide.",
    )


def _too_dense(case: _Case) -> Advice | None:
    """More than can be seen through."""
    e = case.estimate
    if e is None or e.status != "more-than":
        return None
    low, band = e.low, case.facts.harvest_low
    last = case.last
    if low < band and last is not None and last.low >= band:
        return _in_band_before(case, last)
    if low >= band:
        return _harvest(
            case,
            density=low,
            low=low,
            high=math.inf,
            first=f"Too dense to see through: more than {density_words(low)}, and its band begins "
            f"at {density_words(band)}. The plan counts with that least.",
            settle=_NARROW,
        )
    return _advice(
        "cannot-tell",
        "Too dense to see through in this vessel.",
        (
            f"All that is known is more than {density_words(low)}; harvest begins at "
            f"{density_words(band)}.",
            *_doubts(case),
        ),
        _NARROW,
    )


def _measured(case: _Case) -> Advice | None:
    """Density against the band, the ceiling, the days and the forecast."""
    e = case.estimate
    if e is None:
        return None
    facts, growth, rule = case.facts, case.growth, case.rule
    c, band = e.cells_per_ml, facts.harvest_low
    measured = f"{density_words(c)} ({interval_words(e.low, e.high, unit=False)})"
    straddles = e.low < band <= e.high
    # Brightness alone tells little: bars seen through a narrow bottle settle more than a count.
    surer = FLAGS["bars-lost"].advice if "bars-lost" in case.flags else _COUNT
    if c >= band:
        return _harvest(
            case,
            density=c,
            low=e.low,
            high=e.high,
            first=(
                f"Probably ready: {measured}, but the interval reaches below the "
                f"{density_words(band)} at which harvest begins."
                if straddles
                else f"It holds {measured}; its band is {_band(facts)}."
            ),
            settle=surer if straddles else "",
        )

    ceiling = case.ceiling
    if c >= rule.ceiling_share * ceiling:  # False for nan
        return _harvest(
            case,
            density=c,
            low=e.low,
            high=e.high,
            first=f"It holds {measured}, below its band of {_band(facts)}, but it levels off at "
            f"about {density_words(ceiling)}: splitting now yields more than waiting.",
        )
    levelled = growth.phase == "stationary" or (growth.phase == "slowing" and case.past_days)
    if levelled and c >= rule.thin_share * band:
        return _harvest(
            case,
            density=c,
            low=e.low,
            high=e.high,
            first=f"It holds {measured}, below its band of {_band(facts)}, but has all but "
            "stopped growing: a split with new salt water and nutrient starts it again.",
        )
    if growth.phase == "stationary":
        return _advice(
            "wait",
            "Too thin and not growing: check light, temperature, nutrient and air.",
            (
                f"It holds {measured}; harvest begins at {density_words(band)}.",
                growth.evidence,
                *_doubts(case),
            ),
            _settle(case, ""),
        )

    ahead = _forecast(case, c)
    left, basis = ahead.days, ahead.basis
    known = 0 <= left <= rule.longest_forecast_days
    when = case.now + timedelta(days=left) if known else None
    if known:
        headline = f"Wait {_about(left)}."
        outlook = f"It should reach its band in {_about(left)} {basis}."
    elif left < 0:
        headline = "Wait: it should be ready any time now."
        outlook = f"It should be reaching its band about now {basis}."
    else:
        headline = "Wait."
        outlook = "At its present rate no date can be given."
    return _advice(
        "wait",
        headline,
        (
            f"It holds {measured}; harvest begins at {density_words(band)}."
            + (" It may be ready already: the interval reaches into the band." * straddles),
            outlook,
            f"{_since(growth)}, past the usual {days_words(facts.max_days_without_split)}: check "
            "light and nutrient."
            if case.past_days
            else "",
            growth.evidence,
            *_doubts(case),
        ),
        _settle(case, surer if straddles else ""),
        wait_days=left if known else math.nan,
        ready_on=when,
        ready_earliest=_moment(case, ahead.low) if known else None,
        ready_latest=_moment(case, ahead.high) if known else None,
    )


#: What is looked at, in this order; the first that decides wins.
_STEPS = (
    _hold_for_sign,
    _rescue,
    _hold_for_colour,
    _no_density,
    _old_photo,
    _too_thin,
    _too_dense,
    _measured,
)


def _harvest(
    case: _Case, *, density: float, low: float, high: float, first: str, settle: str = ""
) -> Advice:
    """Harvest, or overdue where it is past its best."""
    facts, growth = case.facts, case.growth
    late = []
    if density > facts.harvest_high:
        late.append(f"It is past the top of its band, {density_words(facts.harvest_high)}.")
    if growth.phase == "stationary":
        late.append(growth.evidence)
    if case.past_days:
        late.append(
            f"{_since(growth)}, past the {days_words(facts.max_days_without_split)} after which "
            "nutrients are usually used up."
        )
    headline = "Harvest now."
    if late:
        headline = (
            "Harvest today: it is past its best."
            if density >= facts.harvest_low
            else "Split it today: it has all but stopped growing."
        )
    days = ""
    if not case.past_days and growth.days_since_split >= case.rule.usual_days:
        days = f"{_since(growth)}, the usual time for a split."
    return _advice(
        "overdue" if late else "harvest",
        headline,
        (
            first,
            *late,
            days,
            growth.evidence if growth.phase in ("exponential", "slowing") else "",
            "It may stand on if that suits you better: it still grows, and its band reaches to "
            f"{density_words(facts.harvest_high)}."
            if growth.phase == "exponential"
            and not late
            and high < math.inf
            and "bars-lost" not in case.flags
            else "",
            *_doubts(case),
        ),
        _settle(case, settle),
        plan=split_plan(
            density=density,
            density_low=low,
            density_high=high,
            vessel=case.vessel,
            facts=facts,
            growth=growth,
            kept_share=case.kept_share,
            temperature_c=case.rule.temperature_c,
            label_ml_per_l=case.rule.label_ml_per_l or None,
            nitrogen_mg_per_l=case.rule.nitrogen_mg_per_l,
        ),
    )


@dataclass(frozen=True)
class _Ahead:
    """Days from now to the harvest with their interval, and "on what that rests"; nan: unknown."""

    days: float
    basis: str
    low: float = math.nan
    high: float = math.nan


def _expected(case: _Case, density: float) -> str:
    """Say when a batch without a density of today should be ready; "" where not known."""
    ahead = _forecast(case, density)
    if not math.isfinite(ahead.days):
        return ""
    if ahead.days > 0:
        return f"It should reach its band in {_about(ahead.days)} {ahead.basis}."
    return f"It should have reached its band by now {ahead.basis}."


def _forecast(case: _Case, density: float) -> _Ahead:
    growth, facts = case.growth, case.facts
    if growth.phase in ("stationary", "decline"):
        return _Ahead(math.nan, "")
    if case.ready is not None:
        return _at_usual_growth(case, case.ready)
    goal = harvest_goal(facts=facts, growth=growth, rule=case.rule)
    ceiling, age = case.ceiling, case.age_days
    if ceiling > 0:
        whole = days_between(
            start=density, goal=goal, rate_per_day=growth.max_rate_per_day, ceiling=ceiling
        )
        return _Ahead(float(whole) - age, "as its growth slows towards its ceiling")

    def days_at(rate: float) -> float:
        days = days_between(start=density, goal=goal, rate_per_day=rate, ceiling=math.inf)
        return float(days)

    if growth.low > 0:
        rate, slow, fast = growth.rate_per_day, growth.low, growth.high
        basis = f"at its present {significant(growth.divisions_per_day)} doublings a day"
    else:
        slow, fast = facts.rate_low_per_day, facts.rate_high_per_day
        rate = math.sqrt(slow * fast)
        basis = f"at the usual rate of {facts.title}, its own not being known yet"
    low, high = days_at(fast), days_at(slow)
    span = ""
    if f"{low:.0f}" != f"{high:.0f}":
        span = f" ({low:.0f} to {high:.0f} days after the photo)"
    return _Ahead(days_at(rate) - age, f"{basis}{span}", max(low - age, 0.0), high - age)


def _at_usual_growth(case: _Case, ready: ReadyForecast) -> _Ahead:
    """Read a forecast in days from now."""

    def days(when: datetime | None) -> float:
        return math.nan if when is None else _days(when - case.now)

    if ready.day is None:
        return _Ahead(math.nan, "")
    low, high = days(ready.earliest), days(ready.latest)
    span = ""
    if math.isfinite(low) and math.isnan(high):
        span = f" ({days_words(low)} at the earliest; it may not get there)"
    elif f"{low:.0f}" != f"{high:.0f}":
        span = f" (95 %: {low:.0f} to {high:.0f} days)"
    return _Ahead(days(ready.day), f"at this vessel's usual growth{span}", low, high)


def _moment(case: _Case, days: float) -> datetime | None:
    return case.now + timedelta(days=days) if math.isfinite(days) else None


def _about(days: float) -> str:
    words = days_words(days)
    return words if words.startswith("less") else f"about {words}"


def _band(facts: SpeciesFacts) -> str:
    return interval_words(facts.harvest_low, facts.harvest_high)


def _since(growth: Growth) -> str:
    return f"Day {growth.days_since_split:.0f} of this batch"


def _doubts(case: _Case) -> tuple[str, ...]:
    """Say what makes the answer uncertain, for the end of the reasons."""
    e, growth = case.estimate, case.growth
    said = []
    if growth.split_inferred:
        said.append(
            "A fall in density was taken for a split that nobody logged; if you did not split it, "
            "the culture is failing."
        )
    if case.stale:
        said.append(f"The photo is {days_words(case.age_days)} old.")
    if e is not None:
        said.extend(e.notes)
        if e.checked_by_counts == 0:
            said.append("The calibration is not yet checked by a slide count.")
    if case.facts.harvest_is_weak:
        said.append(
            f"The harvest band of {case.facts.title} rests on little: note at which density yours "
            "does best."
        )
    return tuple(said)


def _settle(case: _Case, first: str) -> str:
    """Choose the one action that would help most."""
    if case.growth.split_inferred and case.growth.phase == "unknown":
        return "Log the split; if there was none, look at a drop under the microscope."
    if case.stale:
        return _TODAY
    if first:
        return first
    if case.estimate is not None and case.estimate.checked_by_counts == 0:
        return _COUNT
    return _TOMORROW if case.growth.phase == "unknown" else ""
