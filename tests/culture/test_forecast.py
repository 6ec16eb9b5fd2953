"""The day a batch reaches its band: right where growth is known, and its interval holds."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from grown import START, at, exponential, logistic, points

from densitycam.culture.forecast import _days, forecast_ready
from densitycam.culture.series import Split
from densitycam.culture.usual import follow, photos_of, usual_growth


def test_exponential_growth_reaches_its_goal_when_it_should():
    told = forecast_ready(points(exponential, range(5)), (), at(4), goal_cells_per_ml=3e7)
    days = math.log(10) / 0.43
    assert (told.day - START).total_seconds() / 86400 == pytest.approx(days, abs=0.02)
    assert told.earliest < told.day < told.latest


def test_a_ceiling_is_reckoned_with():
    seen = points(logistic, range(7))
    told = forecast_ready(seen, (), at(6), goal_cells_per_ml=3.5e7)
    days = math.log((4e7 / 3e6 - 1) / (4e7 / 3.5e7 - 1)) / 0.7
    assert (told.day - START).total_seconds() / 86400 == pytest.approx(days, abs=0.05)
    beyond = forecast_ready(seen, (), at(6), goal_cells_per_ml=1e8)
    assert (beyond.day, beyond.latest) == (None, None)


def test_what_is_there_already_is_ready_now():
    told = forecast_ready(points(exponential, range(5)), (), at(4.2), goal_cells_per_ml=5e6)
    assert told.day == told.earliest == told.latest == at(4.2)


def test_standing_still_never_gets_there():
    level = points(lambda d: 3e6, range(6))
    told = forecast_ready(level, (), at(5), goal_cells_per_ml=3e7)
    assert told.day is None
    assert told.latest is None


def test_too_few_photos_tell_nothing_and_earlier_batches_help():
    seen = points(exponential, range(6))
    assert forecast_ready(seen[:2], (), at(1), goal_cells_per_ml=3e7) is None
    assert forecast_ready(seen[:3], (), at(2), goal_cells_per_ml=3e7) is not None
    one_since = Split(at(4.5), 0.25)
    assert forecast_ready(seen, (one_since,), at(5), goal_cells_per_ml=3e7) is None
    # Two photos since the split, at the rate that the batch before it has shown.
    split = Split(at(3.5), 0.25)
    told = [p if p.when < at(3.5) else points(lambda d: 0.25 * exponential(d), [n])[0]
            for n, p in enumerate(seen)]  # fmt: skip
    day = forecast_ready(told, (split,), at(5), goal_cells_per_ml=1.5e7).day
    due = math.log(1.5e7 / 0.75e6) / 0.43
    assert (day - START).total_seconds() / 86400 == pytest.approx(due, abs=0.3)
    later = Split(at(5.5), 0.25)
    assert forecast_ready(seen, (later,), at(5), goal_cells_per_ml=3e7) == forecast_ready(
        [*seen, *points(exponential, [7])], (), at(5), goal_cells_per_ml=3e7
    )


def test_a_wander_shifts_the_start_by_the_root_of_the_days():
    # By hand: ln 10 at 0.5 a day are 4.605 days; a drift of 0.1 moves the start by 0.1 sqrt(4.605).
    start, goal = math.log(1e6), math.log(1e7)
    plain = math.log(10) / 0.5
    assert _days(goal, start, 0.5, 0.0, 0.0) == pytest.approx(plain, rel=1e-12)
    drifted = plain - 0.1 * math.sqrt(plain) / 0.5
    assert _days(goal, start, 0.5, 0.0, 0.1) == pytest.approx(drifted, rel=1e-12)
    # Half a day ahead as well; where it is there already there is nothing to shift.
    near = _days(start + 0.25, start, 0.5, 0.0, -0.1)
    assert near == pytest.approx(0.5 + 0.2 * math.sqrt(0.5), rel=1e-12)
    assert _days(start, start, 0.5, 0.0, -0.1) == 0.0
    # Towards a ceiling of rate over slope: from 0.2 to 0.8 of it the logit gains 2 ln 4.
    bent = _days(math.log(8e6), math.log(2e6), 0.5, 0.5 / 1e7, 0.0)
    assert bent == pytest.approx(2 * math.log(4) / 0.5, rel=1e-12)


def test_the_last_split_begins_the_batch():
    seen = points(exponential, range(6))
    # A photo at the moment of the split shows what was split: one photo is left.
    assert forecast_ready(seen, (Split(at(4), 0.25),), at(5), goal_cells_per_ml=3e7) is None
    two = (Split(at(1.5), 0.5), Split(at(4.5), 0.25))
    assert forecast_ready(seen, two, at(5), goal_cells_per_ml=3e7) is None
    assert forecast_ready(seen, (Split(at(5), 0.25),), at(5), goal_cells_per_ml=3e7) is None


def test_the_days_since_the_last_photo_are_counted():
    seen = points(exponential, range(5))
    at_once, later = (forecast_ready(seen, (), at(day), goal_cells_per_ml=3e7) for day in (4, 4.8))
    assert abs(at_once.day - later.day) < timedelta(seconds=1)


def test_no_day_beyond_a_month_is_told():
    # At 0.43 a day with hardly any noise, 29 and 31 days after the newest photo.
    seen = points(exponential, range(9), stated=0.01)
    near, far = (
        forecast_ready(seen, (), at(8), goal_cells_per_ml=exponential(8 + days))
        for days in (29, 31)
    )
    assert near.day is not None
    assert far.day is None


def test_the_order_in_which_photos_come_does_not_matter():
    seen = points(logistic, range(6), noise=0.05, rng=np.random.default_rng(5))
    shuffled = [seen[n] for n in (3, 5, 0, 4, 2, 1)]
    told = forecast_ready(seen, (), at(5), goal_cells_per_ml=3.5e7)
    assert told is not None
    assert forecast_ready(shuffled, (), at(5), goal_cells_per_ml=3.5e7) == told


def test_a_culture_that_will_slow_is_not_promised_too_early():
    # Logistic growth seen while it hardly bends yet, the goal at 0.7 of a ceiling nobody knows.
    rng = np.random.default_rng(32)
    due = at(math.log((4e7 / 3e6 - 1) / (1 / 0.7 - 1)) / 0.7)
    hits, runs = 0, 60
    for n in range(runs):
        seen = points(logistic, range(4), noise=(0.05, 0.08)[n % 2], rng=rng)
        told = forecast_ready(seen, (), at(3), goal_cells_per_ml=2.8e7)
        hits += told.earliest <= due and (told.latest is None or due <= told.latest)
    assert hits / runs >= 0.95 - 2 * math.sqrt(0.95 * 0.05 / runs)


@pytest.mark.parametrize("count", [4, 5, 7])
def test_its_interval_holds_its_95_percent(count):
    # Photos with 5 to 8 % noise about a known curve, the goal two to four days ahead.
    rng = np.random.default_rng(31)
    hits, runs = 0, 100
    for n in range(runs):
        seen = points(exponential, range(count), noise=(0.05, 0.08)[n % 2], rng=rng)
        ahead = 2 + n % 3
        told = forecast_ready(
            seen, (), at(count - 1), goal_cells_per_ml=exponential(count - 1 + ahead)
        )
        due = at(count - 1 + ahead)
        early = told.earliest is not None and told.earliest <= due + timedelta(days=0.02)
        hits += early and (told.latest is None or due <= told.latest)
    assert hits / runs >= 0.95 - 2 * math.sqrt(0.95 * 0.05 / runs)


def courses(seen, ahead):
    """Earliest, likeliest and latest day to a gain of `ahead` [ln], of twenty thousand courses.

    Densities are told over the newest level, so that 1 is where it stands.
    """
    photos = photos_of(seen, ())
    usual = usual_growth(photos, least_steps=2)
    newest = follow(photos, usual)[-1]
    unit = np.array([1.0, math.exp(newest.level)])
    spread = usual.covariance[:2, :2] * np.outer(unit, unit)
    z = np.random.default_rng(77).standard_normal((4, 20_000))
    mean = np.array([usual.rate, usual.slope]) * unit
    rate, slope = mean[:, None] + np.linalg.cholesky(spread) @ z[:2]
    # What the rate is expected to be, were the slope known to be none: a regression.
    unslowed = rate - spread[0, 1] / spread[1, 1] * slope
    rate, slope = np.where(slope < 0, unslowed, rate), np.maximum(slope, 0.0)
    starts, drift = math.sqrt(newest.variance) * z[2], 0.03 * usual.scale * z[3]

    def reached(log, rate, slope):
        """Days of dx/dt = x (rate - slope x) from exp(log) to exp(ahead), by separation."""
        a, b = np.exp(log), math.exp(ahead)
        with np.errstate(invalid="ignore", divide="ignore"):
            days = (np.log(b / a) - np.log((rate - slope * b) / (rate - slope * a))) / rate
        return np.where(a >= b, 0.0, np.where((rate > 0) & (rate > slope * b), days, np.inf))

    def drifting(rate, slope):
        plain = reached(starts, rate, slope)
        root = np.sqrt(np.where(plain < 30, plain, 0.0))
        return reached(starts + drift * root, rate, slope)

    def at_share(days, share):
        return np.quantile(days, share, method="inverted_cdf")

    slowed = drifting(rate, slope)
    early = min(at_share(slowed, 0.025), at_share(drifting(unslowed, 0.0), 0.025))
    return early, float(reached(np.array(0.0), *mean)), at_share(slowed, 0.975)


@pytest.mark.parametrize(("count", "ahead"), [(5, 0.2), (6, 0.45), (12, 0.43)])
def test_its_ends_are_those_of_many_more_courses(count, ahead):
    # Of 400 draws the 2.5 % point of a normal errs by sqrt(0.025 x 0.975 / 400) / 0.0584, which is
    # 0.068 of its way from the middle: twice that is allowed.
    seen = points(exponential, range(count))
    early, middle, late = courses(seen, ahead)
    level = follow(photos_of(seen, ()), usual_growth(photos_of(seen, ()), least_steps=2))[-1].level
    told = forecast_ready(seen, (), at(count - 1), goal_cells_per_ml=math.exp(level + ahead))
    days = [
        (d - at(count - 1)).total_seconds() / 86400 for d in (told.earliest, told.day, told.latest)
    ]
    assert days[1] == pytest.approx(middle, abs=1e-4)
    assert days[0] == pytest.approx(early, rel=0, abs=0.136 * (middle - early))
    assert days[2] == pytest.approx(late, rel=0, abs=0.136 * (late - middle))
