"""The ceiling fit on awkward input, and the time between two densities."""

from __future__ import annotations

import math

import numpy as np
import pytest

from densitycam.culture.logistic import days_between, fit_logistic, log_gain, split_cycle


def test_reported_errors_match_the_scatter():
    rng = np.random.default_rng(11)
    days = np.arange(12.0)
    truth = 4.1e7 / (1 + np.exp(2.6 - 0.71 * days))
    pulls = []
    for _ in range(200):
        seen = truth * np.exp(0.05 * rng.standard_normal(12))
        fit = fit_logistic(days, seen, sd=0.05 * seen)
        pulls.append((fit.ceiling - 4.1e7) / fit.ceiling_se)
    # Student's t with 9 degrees of freedom has SD 1.13; the mean may sit low by weights that
    # follow the data.
    assert np.std(pulls) == pytest.approx(1.13, rel=0.2)
    assert abs(np.mean(pulls)) < 0.5


def test_data_that_cannot_be_fitted_give_none():
    assert fit_logistic([0, 1, 2], [1e6, 2e6, 4e6]) is None
    assert fit_logistic([0, 1, 2, 3, 4], [1e6] * 5) is None
    fit = fit_logistic([0, 1, 2, 3, 4, 5], [1e6 * 2**d for d in range(6)])
    assert fit is None or fit.ceiling_se > 0.5 * fit.ceiling  # no bend, no firm ceiling
    # Of a leap any steepness fits, and nothing but None says so.
    assert fit_logistic([0, 1, 2, 3], [2.2e6, 1.0e6, 36.3e6, 13.0e6]) is None
    # What jumps to and fro can lead the search below nothing.
    for millions in ((26, 1, 122, 6, 9, 4, 3, 2), (129, 4, 39, 74, 14, 10)):
        wild = 1e6 * np.array(millions)
        fit = fit_logistic(range(len(wild)), wild, sd=0.05 * wild)
        assert fit is None or fit.ceiling > 0


@pytest.mark.parametrize(
    ("count", "rate", "share", "weighted"),
    [(9, 1.0, 0.0013, False), (5, 1.44, 0.011, False), (14, 0.92, 0.0118, True)],
)
@pytest.mark.parametrize("falling", [False, True])
def test_an_exact_curve_is_found_from_far_below_its_ceiling(count, rate, share, weighted, falling):
    days = np.arange(float(count))
    seen = 4e7 / (1 + (1 / share - 1) * np.exp(-rate * days))
    seen = seen[::-1] if falling else seen
    fit = fit_logistic(days, seen, sd=0.05 * seen if weighted else None)
    assert fit.ceiling == pytest.approx(4e7, rel=1e-9)
    assert fit.rate_per_day == pytest.approx(-rate if falling else rate, rel=1e-9)


def test_time_between_densities():
    doubling = days_between(start=2e6, goal=4e6, rate_per_day=math.log(2), ceiling=math.nan)
    assert doubling == pytest.approx(1.0, rel=1e-12)
    bent = days_between(start=2.5e6, goal=7e6, rate_per_day=0.5, ceiling=1e7)
    rounds, _ = split_cycle(kept_share=2.5 / 7, harvest_share=0.7)
    assert bent == pytest.approx(rounds / 0.5, rel=1e-12)
    # The unit does not matter: as shares of the ceiling all lie below one.
    shares = days_between(start=0.25, goal=0.7, rate_per_day=0.5, ceiling=1.0)
    assert shares == pytest.approx(bent, rel=1e-12)
    assert days_between(start=5e6, goal=4e6, rate_per_day=0.5, ceiling=1e7) == 0.0
    assert math.isinf(days_between(start=5e6, goal=2e7, rate_per_day=0.5, ceiling=1e7))
    assert math.isinf(days_between(start=5e6, goal=2e7, rate_per_day=-0.1, ceiling=math.nan))
    assert math.isnan(days_between(start=5e6, goal=2e7, rate_per_day=math.nan, ceiling=math.nan))
    for start, goal in ((0.0, 2e7), (-1.0, 2e7), (math.nan, 2e7), (5e6, 0.0), (5e6, -1.0)):
        assert math.isnan(days_between(start=start, goal=goal, rate_per_day=0.5, ceiling=1e7))
    assert days_between(start=5e6, goal=5e6, rate_per_day=0.5, ceiling=5e6) == 0.0
    # The ceiling itself is never reached.
    assert math.isinf(days_between(start=5e6, goal=1e7, rate_per_day=0.5, ceiling=1e7))


def test_four_points_are_enough_and_residuals_are_told_in_the_weights_given():
    days = np.array([0.0, 3.0, 5.0, 9.0])
    off = np.array([0.03, -0.02, 0.02, -0.01])
    seen = 4.1e7 / (1 + np.exp(2.6 - 0.71 * days)) * (1 + off)
    sd = 0.05 * seen
    fit = fit_logistic(days, seen, sd=sd)
    left = (seen - [fit.density(d) for d in days]) / sd
    assert fit.rss == pytest.approx(np.sum(left**2), rel=1e-9)
    assert fit.degrees == 1
    for days_before in (1e3, 1e4):  # where exp() would not hold any more
        assert fit.density(-days_before) == 0.0


@pytest.mark.parametrize("start", [2.5e6, 1.3e7])
def test_gain_is_that_of_an_integrator(start):
    from scipy.integrate import solve_ivp

    run = solve_ivp(lambda t, y: 0.5 * y * (1 - y / 1e7), (0, 3.3), [start], rtol=1e-9, atol=1e-3)
    gain = log_gain(log_density=math.log(start), days=3.3, rate_per_day=0.5, ceiling=1e7)
    assert gain == pytest.approx(math.log(run.y[0, -1] / start), rel=1e-6)


@pytest.mark.parametrize("ceiling", [1e7, math.nan, math.inf])
def test_gain_is_the_other_way_round_than_days(ceiling):
    gain = log_gain(log_density=math.log(2.5e6), days=1.9, rate_per_day=0.5, ceiling=ceiling)
    goal = 2.5e6 * math.exp(gain)
    days = days_between(start=2.5e6, goal=goal, rate_per_day=0.5, ceiling=ceiling)
    assert days == pytest.approx(1.9, rel=1e-12)


@pytest.mark.parametrize("share", [0.0, 1.0, -0.1, math.nan])
def test_shares_out_of_range(share):
    with pytest.raises(ValueError, match="between 0 and 1"):
        split_cycle(kept_share=share, harvest_share=0.5)
    with pytest.raises(ValueError, match="between 0 and 1"):
        split_cycle(kept_share=0.5, harvest_share=share)
