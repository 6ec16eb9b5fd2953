"""Early warning over a series: quiet on healthy vessels, plain about each way of failing.

How often it warns in vain and in time is measured by tests/benchmarks/early_warning.py.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from grown import START, at

from densitycam.culture.growth import infer_splits
from densitycam.culture.series import DensityPoint, Split
from densitycam.culture.warning import KINDS, _run, early_warnings

RATE, CEILING, KEPT = 0.55, 2.3e7, 0.3


def vessel(days, *, growth=lambda day: 1.0, noise=0.0, seed=0, without=(), pigment=lambda day: 0.0):
    """Photos of a vessel that is split every week, its growth rate times `growth(day)`."""
    rng = np.random.default_rng(seed)
    density, points, splits = 3e6, [], []
    for tick in range(days * 20):
        day = tick / 20
        factor = growth(day)
        rate = RATE * (1 - density / CEILING) * factor if factor > 0 else factor
        density *= math.exp(rate / 20)
        if tick % 140 == 130:
            density *= KEPT
            splits.append(Split(at(day), KEPT))
        if tick % 20 == 0 and day not in without:
            seen = density * math.exp(noise * rng.standard_normal())
            points.append(
                DensityPoint(at(day), seen, seen / 1.3, seen * 1.3, 0.13, (), pigment(day))
            )
    return points, splits


def kinds(points, splits, upto=None, **kwargs):
    now = points[-1].when if upto is None else at(upto)
    return [w.kind for w in early_warnings(points, splits, now, **kwargs)]


def first_warning(points, splits):
    for n in range(1, len(points) + 1):
        found = early_warnings(points[:n], splits, points[n - 1].when)
        if found:
            return found[0], (points[n - 1].when - START).total_seconds() / 86400
    return None, math.inf


def test_a_healthy_vessel_is_left_in_peace():
    points, splits = vessel(60, without=(9, 10, 11, 30, 41, 42))
    assert first_warning(points, splits) == (None, math.inf)


def test_days_too_dense_to_see_through_before_a_split_are_no_loss():
    # Growth is slow while it stands dense, and fast after the split: the split comes at the end of
    # the unseen days, not at their begin.
    def unseen_from(day):
        return {n for n in range(day, 60) if n % 7 in (3, 4, 5, 6)}

    points, splits = vessel(60, without=unseen_from(28))
    assert first_warning(points, splits) == (None, math.inf)


def test_noise_seldom_wakes_it():
    # One false alarm in 60 days is allowed; each of these vessels is looked at 45 times.
    woken = 0
    for seed in range(8):
        points, splits = vessel(45, noise=0.05, seed=seed)
        woken += sum(bool(kinds(points[:n], splits)) for n in range(1, len(points) + 1))
    assert woken <= 16  # a false alarm lasts some photos: 6 vessel-alarms of 2 to 3 photos


def test_the_cumulative_sum_by_hand():
    # Page 1954: each photo adds its shortfall less the allowance, 2.9 at most, never below nothing.
    assert _run([3.0, -1.0, 1.0, 2.0, 5.0], 0.5) == (0, pytest.approx(5.3))
    assert _run([-1.0, 0.2, 2.0], 0.5) == (2, pytest.approx(1.5))
    assert _run([0.9, 0.6], 0.5) == (0, pytest.approx(0.5))
    assert _run([0.7, -0.1], 0.5) == (2, 0.0)
    assert _run([], 0.5) == (0, 0.0)


def test_growth_under_half_its_usual():
    points, splits = vessel(34, growth=lambda d: 1.0 if d < 26 else 0.2, noise=0.03, seed=1)
    _, day = first_warning(points, splits)
    assert 26 < day <= 29
    (warning,) = early_warnings(points, splits, at(30))
    assert warning.kind == "slow-growth"
    assert at(24) <= warning.since <= at(27)
    assert "usual growth would have gained" in warning.evidence
    assert warning.sentence == "It grows at less than half its usual rate."


def test_cells_that_die_are_told_across_a_split():
    # The split of day 27.5 lies between; its dilution is no loss.
    points, splits = vessel(36, growth=lambda d: 1.0 if d < 26 else -0.13, noise=0.03, seed=2)
    warning, day = first_warning(points, splits)
    assert warning.kind in ("below-forecast", "slow-growth")
    assert day <= 26 + math.log(2) / 0.13 - 2  # half are lost 5.3 days after the onset
    later = early_warnings(points, splits, at(32))[0]
    assert later.kind == "below-forecast"
    assert "the split taken off" in later.evidence
    assert later.sentence == "It loses cells where it should hold or gain them."


def test_a_new_vessel_is_held_against_standing_still():
    points = [DensityPoint(at(d), 8e6 * math.exp(-0.15 * d), 7e6, 9e6, 0.1) for d in range(6)]
    assert kinds(points, ()) == ["below-forecast"]
    assert "a healthy culture does not fall" in early_warnings(points, (), at(5))[0].evidence
    level = [replace(p, cells_per_ml=8e6) for p in points]
    assert kinds(level, ()) == []


def test_one_photo_far_off_does_not_warn_alone():
    points, splits = vessel(27)
    assert kinds([*points[:-1], replace(points[-1], cells_per_ml=1e5)], splits) == []
    middle = [replace(p, cells_per_ml=p.cells_per_ml * 0.6) if n == 24 else p
              for n, p in enumerate(points)]  # fmt: skip
    assert kinds(middle, splits) == []


def test_a_split_nobody_logged_breaks_the_chain():
    points, splits = vessel(24)
    logged = splits[:-1]
    missing = splits[-1].when
    until = [p for p in points if p.when < missing + timedelta(days=3)]
    inferred = infer_splits(until, logged)
    assert len(inferred) == 1
    assert kinds(until, [*logged, *inferred]) == []
    assert kinds(until, logged) == ["below-forecast"]


def test_pigment_that_falls():
    def fading(day):
        return -0.9 - 0.06 * max(day - 26, 0.0)

    points, splits = vessel(36, pigment=fading)
    warning, day = first_warning(points, splits)
    assert warning.kind == "pigment-falling"
    assert 28 <= day <= 33
    # It fades by 6 % a day from day 26.
    gone = float(re.search(r"show ([\d.]+) % less than it usually has", warning.evidence)[1])
    assert 10 < gone < 100 * (1 - math.exp(-0.06 * (day - 26))) + 3
    blind = [replace(p, pigment=None) for p in points]
    assert first_warning(blind, splits)[0] is None


def test_pigment_that_goes_with_density_is_no_loss():
    points, splits = vessel(50)
    swinging = [replace(p, pigment=-0.15 * math.log(p.cells_per_ml / 1e7)) for p in points]
    assert first_warning(swinging, splits)[0] is None


def test_cloudier_than_cells_could_make_it_is_a_milky_turn():
    # Something else scatters: bacteria, doubling once a day from day 26.
    points, splits = vessel(33)
    turned = []
    for p in points:
        day = (p.when - START).total_seconds() / 86400
        share = 0.05 * math.exp(0.7 * (day - 26)) if day > 26 else 0.0
        turned.append(
            replace(p, cells_per_ml=p.cells_per_ml * (1 + share), pigment=-math.log1p(share))
        )
    warning, day = first_warning(turned, splits)
    assert warning.kind == "milky-turn"
    assert day <= 32
    assert "its turbidity gained" in warning.evidence
    pale = float(re.search(r"with ([\d.]+) % less pigment", warning.evidence)[1])
    assert 12 <= pale < 100 * (1 - 1 / (1 + 0.05 * math.exp(0.7 * (day - 26)))) + 3
    assert "Do not feed from it" in warning.advice


def test_signs_that_come_again():
    points, splits = vessel(12)

    def flagged(sign, *places):
        return [replace(p, flags=(sign,)) if n in places else p for n, p in enumerate(points)]

    assert kinds(flagged("milky", 9, 11), splits) == ["milky-turn"]
    (turned,) = early_warnings(flagged("milky", 9, 11), splits, at(11))
    assert turned.since == points[9].when
    assert turned.evidence.startswith("2 of the last 3 photos")
    assert kinds(flagged("milky", 8, 11), splits) == []
    assert kinds(flagged("milky", 11), splits) == []
    assert kinds(flagged("settled", 10, 11), splits) == ["settling-again"]
    assert kinds(flagged("settled", 5, 11), splits) == []
    (sinking,) = early_warnings(flagged("settled", 10, 11), splits, at(11), settles=True)
    assert "more air" in sinking.advice
    (odd,) = early_warnings(flagged("settled", 10, 11), splits, at(11))
    assert "should not sink" in odd.advice


def test_the_most_urgent_comes_first_and_all_are_plain():
    points, splits = vessel(34, growth=lambda d: 1.0 if d < 26 else -0.2)
    bad = [
        replace(p, pigment=0.0 if n < 27 else -0.5, flags=() if n < 31 else ("milky", "settled"))
        for n, p in enumerate(points)
    ]
    found = early_warnings(bad, splits, bad[-1].when)
    places = [KINDS.index(w.kind) for w in found]
    assert len(places) >= 4
    assert places == sorted(set(places))
    for w in found:
        assert w.sentence.endswith(".")
        assert w.evidence.endswith(".")
        assert w.advice.endswith(".")
        assert "nan" not in w.evidence
        assert w.since <= bad[-1].when


def test_order_and_future_do_not_matter():
    points, splits = vessel(34, growth=lambda d: 1.0 if d < 24 else -0.2, noise=0.05, seed=3)
    until = [p for p in points if p.when <= at(29)]
    assert kinds(points[::-1], splits[::-1], 29) == kinds(until, splits, 29) != []


def test_nothing_breaks_it():
    nan, inf = math.nan, math.inf
    odd = [
        DensityPoint(START, nan, nan, nan, nan),
        DensityPoint(START, 0.0, 0.0, 0.0, 0.0),
        DensityPoint(START, 1e6, 0.0, inf, inf),
        DensityPoint(at(1), 1e6, 1e6, 1e6, 0.0, (), nan),
        DensityPoint(at(1), 1e6, 1e6, 1e6, nan, (), inf),
        DensityPoint(at(1), inf, 1e7, inf, 0.1),
    ]
    for points in ([], odd, odd[3:4] * 12):
        for splits in ((), (Split(START, 0.25),), (Split(at(0.5), 0.0),)):
            assert early_warnings(points, splits, at(3)) == ()


@pytest.mark.parametrize("times", [0.01, 100.0])
def test_the_unit_of_density_does_not_matter(times):
    points, splits = vessel(34, growth=lambda d: 1.0 if d < 26 else 0.2, noise=0.05, seed=4)
    scaled = [replace(p, cells_per_ml=p.cells_per_ml * times) for p in points]
    assert early_warnings(scaled, splits, at(31)) == early_warnings(points, splits, at(31))
