"""Splits are spread over days: who cannot wait goes today, and never all on one day."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest

from densitycam.calibration.estimate import Estimate
from densitycam.calibration.species import load_species
from densitycam.culture.advice import Advice, Growth
from densitycam.culture.stagger import Ripe, Turn, patience_days, stagger, urgency

FACTS = load_species("tetraselmis")  # band 0.7 to 2 million, 10 days
GROWING = Growth(0.45, 0.35, 0.55, 0.65, "exponential", 5, 5.0, "It rises.")
RIPE = Estimate("measured", 1e6, 8e5, 1.2e6, 0.1, "t", 3, True)
HARVEST = Advice("harvest", "", (), "", math.nan, None, None)


def patience(estimate=RIPE, advice=HARVEST, growth=GROWING, **kwargs):
    return patience_days(advice, estimate=estimate, growth=growth, facts=FACTS, **kwargs)


def test_patience_ends_where_the_band_or_the_batch_does():
    room = math.log(2e6 / 1.2e6) / 0.55
    assert patience() == pytest.approx(room, rel=1e-12)
    assert patience(age_days=0.4) == pytest.approx(room - 0.4, rel=1e-12)
    late = replace(GROWING, days_since_split=9.6)
    assert patience(growth=late) == pytest.approx(0.4, abs=1e-12)
    for high in (math.nan, 0.0):
        unknown = replace(GROWING, rate_per_day=math.nan, low=math.nan, high=high)
        assert patience(growth=unknown) == pytest.approx(
            math.log(2e6 / 1.2e6) / FACTS.rate_high_per_day, rel=1e-12
        )


def test_what_is_late_or_has_no_upper_limit_cannot_wait():
    assert patience(advice=replace(HARVEST, action="overdue")) == 0.0
    assert patience(replace(RIPE, status="more-than", high=math.inf)) == 0.0
    assert patience(replace(RIPE, high=3e6)) == 0.0
    assert patience(None) == 0.0


def test_of_two_that_can_wait_the_further_one_goes_first():
    turns = stagger([Ripe("a", 3.2), Ripe("b", 1.7)], vessels=2)
    assert [(t.name, t.today) for t in turns] == [("b", True), ("a", False)]
    assert turns[1].why == (
        "It can wait: it stays within its band for 3 days yet, and so not all are split on one day."
    )


def test_who_cannot_wait_goes_today_whatever_the_others_do():
    turns = stagger([Ripe("a", 0.3), Ripe("b", 0.0), Ripe("c", 2.0)], vessels=3)
    assert {t.name for t in turns if t.today} == {"a", "b"}
    assert {t.why for t in turns if t.today} == {"By tomorrow it may be past its best."}
    assert stagger([Ripe("a", 0.3)], vessels=3) == (Turn("a", True, ""),)
    assert all(t.today for t in stagger([Ripe("a", 0.3), Ripe("b", 0.9)], vessels=2))


def test_one_alone_goes_today_unless_another_was_split_already():
    assert stagger([Ripe("a", 5.0)], vessels=1) == (Turn("a", True, ""),)
    assert stagger([Ripe("a", 5.0)], vessels=3) == (Turn("a", True, ""),)
    (turn,) = stagger([Ripe("a", 5.0)], vessels=2, split_already=1)
    assert not turn.today
    assert stagger([], vessels=4) == ()


@pytest.mark.parametrize("vessels", [1, 2, 3, 4, 7])
def test_never_more_than_half_on_a_day_of_those_that_can_wait(vessels):
    for ripe, already in itertools.product(range(vessels + 1), range(2)):
        turns = stagger(
            [Ripe(str(n), 1.0 + n) for n in range(ripe)], vessels=vessels, split_already=already
        )
        assert len(turns) == ripe
        today = sum(t.today for t in turns)
        places = max(1, math.ceil(vessels / 2)) - already
        assert today == min(ripe, max(places, 0))


def test_a_day_later_the_rest_has_its_turn():
    # Day by day, each losing a day of patience: all are split in time, none past its best.
    waiting = {"a": 1.5, "b": 1.6, "c": 2.4, "d": 3.1, "e": 1.2}
    days = 0
    while waiting:
        turns = stagger([Ripe(n, p) for n, p in waiting.items()], vessels=5)
        assert any(t.today for t in turns)
        for t in turns:
            if t.today:
                del waiting[t.name]
        waiting = {n: p - 1 for n, p in waiting.items()}
        assert all(p >= 0 for p in waiting.values())
        days += 1
    assert days == 2


def test_the_most_urgent_comes_first():
    def of(action, days=math.nan, turn=None):
        return urgency(replace(HARVEST, action=action, wait_days=days), turn)

    order = [
        of("rescue"), of("hold"), of("overdue"), of("harvest", turn=Turn("a", True, "")),
        of("cannot-tell"), of("harvest", turn=Turn("a", False, "")), of("wait", 0.4),
        of("wait", 3.0), of("wait"),
    ]  # fmt: skip
    assert order == sorted(order)
    assert len(set(order)) == len(order)
