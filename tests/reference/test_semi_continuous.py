"""Semi-continuous culture: keep-a-quarter, steady state, and the yield under a ceiling."""

from __future__ import annotations

import math
from datetime import datetime

import pytest

from densitycam.calibration.species import load_species
from densitycam.culture.advice import Growth
from densitycam.culture.logistic import split_cycle
from densitycam.culture.readiness import RULE
from densitycam.culture.split import KEPT_SHARE, split_plan
from densitycam.errors import DensitycamError
from densitycam.vessel.record import VesselRecord

NOW = datetime(2024, 3, 9)
VESSEL = VesselRecord("window", "nannochloropsis", 1500.0, 90.0)
FACTS = load_species("nannochloropsis")


def _growing(rate):
    return Growth(rate, rate - 0.05, rate + 0.05, rate / math.log(2), "exponential", 5, 7.0, "")


def _plan(rate, **kwargs):
    return split_plan(density=3e7, vessel=VESSEL, facts=FACTS, growth=_growing(rate), **kwargs)


def test_keep_a_quarter_is_two_doublings():
    # Common practice, no source: keep a quarter, split again after 7 to 10 days.
    assert KEPT_SHARE == 0.25
    assert _plan(0.5).doublings_needed == 2.0
    # Two doublings in 7 to 10 days are a slow culture: 0.14 to 0.20 a day.
    assert _plan(0.198).days_to_next == pytest.approx(7.0, abs=0.01)
    assert _plan(0.1386).days_to_next == pytest.approx(10.0, abs=0.01)


def test_generations_of_a_published_serial_transfer():
    # R. E. Lenski et al. 1991, Am. Nat. 138:1315: a hundredth is kept each day and grows back,
    # log2(100) = 6.64 generations a day; 2000 generations took 301 days (from memory).
    plan = _plan(math.log(100), kept_share=0.01)
    assert plan.doublings_needed == pytest.approx(6.64, abs=0.005)
    assert plan.days_to_next == pytest.approx(1.0, rel=1e-12)
    assert 2000 / plan.doublings_needed == pytest.approx(301, abs=0.5)


@pytest.mark.parametrize(("share", "needed"), [(0.25, 1.38629), (0.5, 0.69315), (0.75, 0.28768)])
def test_steady_state(share, needed):
    # days = -ln(share)/mu: mass balance, as in any text on continuous culture; computed.
    assert _plan(1.0, kept_share=share).days_to_next == pytest.approx(needed, abs=5.1e-6)


def test_quarter_kept_at_half_a_day():
    assert _plan(0.5).days_to_next == pytest.approx(2.77, abs=0.005)  # computed


def test_washout_is_refused_on_its_border():
    # Washed out when mu < -ln(share)/days.
    border = -math.log(0.25) / 0.5
    assert _plan(0.5, every_days=border * 1.001).keep_ml == 375.0
    with pytest.raises(DensitycamError, match="thin the culture out"):
        _plan(0.5, every_days=border * 0.999)


@pytest.mark.parametrize(
    ("kept", "harvest", "rounds", "yield_share"),
    [
        # Closed form of the logistic equation between kept x harvest and harvest; computed, and
        # integrated numerically below.
        (0.25, 0.5, 1.9459, 0.1927),
        (0.25, 0.7, 2.3979, 0.2189),
        (0.25, 0.9, 3.4340, 0.1966),
        (0.5, 0.7, 1.4663, 0.2387),
    ],
)
def test_logistic_yields(kept, harvest, rounds, yield_share):
    assert split_cycle(kept_share=kept, harvest_share=harvest) == pytest.approx(
        (rounds, yield_share), abs=5.1e-5
    )


def test_logistic_round_against_an_integrator():
    from scipy.integrate import solve_ivp

    rounds, _ = split_cycle(kept_share=0.3, harvest_share=0.65)
    run = solve_ivp(lambda t, y: y * (1 - y), (0, rounds), [0.3 * 0.65], rtol=1e-10, atol=1e-12)
    assert run.y[0, -1] == pytest.approx(0.65, rel=1e-7)


def test_the_rule_harvests_where_the_yield_is_best():
    shares = [n / 100 for n in range(5, 100)]
    best = max(split_cycle(kept_share=KEPT_SHARE, harvest_share=h)[1] for h in shares)
    ours = split_cycle(kept_share=KEPT_SHARE, harvest_share=RULE.ceiling_share)[1]
    assert ours > 0.99 * best
