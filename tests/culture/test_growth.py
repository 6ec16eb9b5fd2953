"""Growth between photos: honest intervals, every phase, splits logged and not."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import numpy as np
import pytest
from exactly import exactly

from densitycam.culture.growth import growth, infer_splits
from densitycam.culture.series import DensityPoint, Split

START = datetime(2024, 3, 1, 18, 20)


def point(day, density, *, sd=0.1, flags=()):
    half = math.exp(1.96 * sd)
    return DensityPoint(
        START + timedelta(days=float(day)), density, density / half, density * half, sd, flags
    )


def series(curve, days, *, sd=0.0, seed=0, stated=0.1):
    rng = np.random.default_rng(seed)
    return [point(d, curve(d) * math.exp(sd * rng.standard_normal()), sd=stated) for d in days]


def exponential(start, rate):
    return lambda day: start * math.exp(rate * day)


def logistic(start, rate, ceiling):
    return lambda day: ceiling / (1 + (ceiling / start - 1) * math.exp(-rate * day))


def after(points, hours=1.0):
    return points[-1].when + timedelta(hours=hours)


#: Days of photos and (day, kept share) of logged splits.
SITUATIONS = {
    "two photos": ((0, 1), ()),
    "three": ((0, 1, 2), ()),
    "five": ((0, 1, 2, 3, 4), ()),
    "a gap": ((0, 1, 4, 5), ()),
    "fortnight": (tuple(range(14)), ()),
    "across a split": ((*range(8), 8), ((7.5, 0.3),)),
    "after a split": (tuple(range(17)), ((6.5, 0.3), (13.5, 0.25))),
}


def inside(name, noise, runs, seed):
    """How often the interval of the rate holds the true one, photos erring by the noise."""
    days, splits = SITUATIONS[name]
    rng = np.random.default_rng(seed)
    logged = [Split(START + timedelta(days=d), share) for d, share in splits]
    hits = 0
    for _ in range(runs):
        points = []
        for day in days:
            kept = math.prod(share for d, share in splits if d < day)
            seen = 3e6 * math.exp(0.43 * day + noise * rng.standard_normal()) * kept
            points.append(point(day, seen, sd=0.13))
        result = growth(points, logged, after(points))
        hits += result.low <= 0.43 <= result.high
    return hits / runs


@pytest.mark.parametrize("name", SITUATIONS)
def test_interval_holds_its_95_percent(name):
    # Photos that err by 5 to 10 %, whatever they say of themselves: nowhere clearly below.
    runs = 150
    for noise in (0.05, 0.08, 0.10):
        assert inside(name, noise, runs, 1) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / runs), noise


def test_intervals_hold_93_to_98_percent_over_all():
    held = [inside(name, noise, 60, 2) for name in SITUATIONS for noise in (0.05, 0.08, 0.12)]
    assert 0.93 <= np.mean(held) <= 0.98


def test_a_shared_calibration_error_cancels():
    # Stated 50 % errors that all photos share: the rate is known far better than that.
    points = series(exponential(3e6, 0.43), range(5), sd=0.05, seed=5, stated=0.5)
    result = growth(points, (), after(points))
    assert result.rate_per_day == pytest.approx(0.43, abs=0.05)
    assert result.high - result.low < 0.3


def test_scatter_widens_the_interval():
    calm = growth(p := series(exponential(3e6, 0.4), range(5), sd=0.03, seed=1), (), after(p))
    wild = growth(p := series(exponential(3e6, 0.4), range(5), sd=0.6, seed=1), (), after(p))
    assert wild.high - wild.low > 2 * (calm.high - calm.low)


def test_exponential():
    points = series(exponential(3e6, 0.43), range(5), sd=0.05, seed=2)
    result = growth(points, (), after(points))
    assert (result.phase, result.points) == ("exponential", 5)
    assert math.isnan(result.ceiling_cells_per_ml)


@pytest.mark.parametrize(
    ("days", "phase"), [(7, "slowing"), (11, "stationary")], ids=["slowing", "stationary"]
)
def test_a_bend_is_seen_and_its_ceiling_found(days, phase):
    points = series(logistic(3e6, 0.7, 4e7), range(days), sd=0.04, seed=3)
    result = growth(points, (), after(points))
    assert result.phase == phase
    assert result.ceiling_cells_per_ml == pytest.approx(4e7, rel=0.25)
    assert result.max_rate_per_day == pytest.approx(0.7, rel=0.2)


def test_a_straight_line_seldom_shows_a_bend():
    found = 0
    for seed in range(100):
        points = series(exponential(3e6, 0.4), range(6), sd=0.15, seed=seed)
        found += not math.isnan(growth(points, (), after(points)).ceiling_cells_per_ml)
    assert found <= 5  # half of the 5 % bend downward; plus two standard errors of 100 runs


def test_lag_and_flat():
    flat = series(exponential(8e6, 0.0), range(8), sd=0.04, seed=4)
    assert growth(flat, (), after(flat)).phase == "stationary"
    assert growth(flat[:3], (), after(flat[:3])).phase == "lag"


def test_decline_slow_and_sudden():
    slow = series(exponential(4e7, -0.12), range(6))
    assert "falls by 11 % a day" in growth(slow, (), after(slow)).evidence
    assert growth(slow, (), after(slow)).phase == "decline"
    sudden = [*series(exponential(8e6, 0.3), range(5), sd=0.03, seed=6), point(5, 3e6)]
    result = growth(sudden, (), after(sudden))
    assert result.phase == "decline"
    assert "fell by about" in result.evidence


def test_across_a_logged_split_the_dilution_is_taken_off():
    curve = exponential(4e6, 0.45)
    before = series(curve, range(6))
    points = [*before, point(6, curve(6) * 0.3)]
    split = Split(START + timedelta(days=5.5), 0.3)
    result = growth(points, (split,), after(points))
    assert result.rate_per_day == pytest.approx(0.45, rel=1e-9)
    assert result.phase == "unknown"  # not shown since the split
    assert result.days_since_split == pytest.approx(0.5 + 1 / 24, rel=1e-9)
    assert "over the split" in result.evidence
    assert growth(points, (), after(points)).phase == "decline"  # the same without the split


def test_an_inferred_split_is_not_crossed():
    curve = exponential(4e6, 0.45)
    points = [*series(curve, range(6)), point(6, curve(6) * 0.3)]
    splits = infer_splits(points)
    assert [s.inferred for s in splits] == [True]
    assert splits[0].kept_share == pytest.approx(0.3 * math.exp(0.45), rel=1e-9)
    result = growth(points, splits, after(points))
    assert result.split_inferred
    assert result.phase == "unknown"
    assert math.isnan(result.rate_per_day)


def test_photos_after_a_split_stand_alone():
    old = series(exponential(4e6, 0.2), range(8))
    new = [point(8 + d, 5e6 * math.exp(0.6 * d)) for d in range(4)]
    split = Split(START + timedelta(days=7.5), 0.25)
    result = growth(old + new, (split,), after(new))
    assert result.rate_per_day == pytest.approx(0.6, rel=1e-9)
    assert (result.phase, result.points) == ("exponential", 4)


def test_infer_splits_finds_a_harvest_followed_by_growth():
    before = series(exponential(4e6, 0.45), range(6), sd=0.05, seed=7)
    later = [point(6 + d, 9e6 * math.exp(0.45 * d)) for d in range(4)]
    (split,) = infer_splits(before + later)
    assert before[-1].when < split.when < later[0].when
    assert split.inferred


@pytest.mark.parametrize("flag", ["bleached", "milky", "colour-shift"])
def test_a_fall_with_a_crash_sign_is_no_split(flag):
    points = [*series(exponential(4e6, 0.45), range(6)), point(6, 9e6, flags=(flag,))]
    assert infer_splits(points) == ()


def test_what_is_no_split():
    up = series(exponential(4e6, 0.45), range(6))
    assert infer_splits([*up, point(6, 8e6), point(7, 3e6)])[:1] == ()  # it falls on
    assert infer_splits([*up, point(6, 3e6)]) == ()  # below any usual kept share
    assert infer_splits([*up, point(6, up[-1].cells_per_ml * 0.85)]) == ()  # within the noise
    assert infer_splits([*up, point(6, 9e6, flags=("settled",))]) == ()
    logged = Split(START + timedelta(days=5.4), 0.25)
    assert infer_splits([*up, point(6, 9e6)], (logged,)) == ()
    assert infer_splits([*up, point(6, 9e6)]) != ()


def test_a_settled_photo_does_not_hide_a_split():
    up = series(exponential(4e6, 0.45), range(6))
    points = [*up, point(6, 3e6, flags=("settled",)), point(7, 9e6), point(8, 1.4e7)]
    assert len(infer_splits(points)) == 1


def test_the_leap_of_a_milky_photo_is_no_growth_and_the_way_back_no_split():
    up = series(exponential(4e6, 0.45), range(6))
    back = point(7, up[-1].cells_per_ml * math.exp(0.9))
    leap = point(6, 2.5 * up[-1].cells_per_ml, flags=("milky",))
    assert infer_splits([*up, leap, back]) == ()
    plain = growth([*up, back], (), back.when)
    assert growth([*up, leap, back], (), back.when).rate_per_day == plain.rate_per_day


def test_nothing_breaks_it():
    nan, inf = math.nan, math.inf
    odd = [
        DensityPoint(START, nan, nan, nan, nan),
        DensityPoint(START, 0.0, 0.0, 0.0, 0.0),
        DensityPoint(START, -1.0, 0.0, 0.0, 0.1),
        DensityPoint(START, 1e6, 0.0, inf, inf),
        DensityPoint(START + timedelta(days=1), inf, 1e7, inf, 0.1),
    ]
    same_minute = [point(0, 1e6), point(0, 2e6)]
    for points in ([], odd, same_minute[:1], same_minute, [*odd, point(2, 1e6)]):
        for splits in ((), (Split(START, 0.25),), (Split(START + timedelta(days=3), 0.25),)):
            result = growth(points, splits, START + timedelta(days=4))
            assert result.phase == "unknown"
            assert math.isnan(result.rate_per_day)
            assert result.evidence
        assert infer_splits(points) in ((),)


def test_order_and_future_do_not_matter():
    points = series(exponential(3e6, 0.43), range(5), sd=0.05, seed=8)
    now = after(points)
    later = point(6, 1e5)
    assert exactly(growth([later, *points[::-1]], (), now)) == exactly(growth(points, (), now))


def test_identical_photos_need_no_noise():
    points = [point(d, 5e6, sd=0.0) for d in range(6)]
    result = growth(points, (), after(points))
    assert result.rate_per_day == pytest.approx(0.0, abs=1e-12)
    assert result.low < 0 < result.high


def test_a_batch_without_a_photo_says_so():
    seen = series(exponential(1e6, 0.3), range(6))
    split = Split(START + timedelta(days=5.5), 0.25)
    told = growth(seen, (split,), START + timedelta(days=6))
    assert "No photo of this batch yet: too few to show a phase." in told.evidence
    one = [*seen, point(6, 1.2e6)]
    told = growth(one, (split,), START + timedelta(days=6.1))
    assert "Only 1 photo of this batch: too few" in told.evidence
