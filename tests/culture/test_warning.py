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
from densitycam.culture.usual import Photo, Usual
from densitycam.culture.warning import (
    KINDS,
    _more_than_cells,
    _run,
    _short_of_growth,
    _short_of_pigment,
    _Step,
    _watch_growth,
    _watch_pigment,
    early_warnings,
)
from densitycam.wording import days_words, significant

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


def photo(day, log, *, pigment=None, dilution=0.0):
    """A photo of the usual noise; a split lies half a day before it."""
    splits = ((day - 0.5, dilution),) if dilution else ()
    return Photo(at(day), float(day), log, 0.055, pigment, dilution, splits)


def kalman(logs, dilutions=None):
    """How far each but the first falls short of a standstill, photos a day apart, and their SDs.

    Kalman 1960 (J. Basic Eng. 82:35, from memory) in one dimension: a photo errs by 5.5 %, a
    culture wanders by 3 % a day, a split's dilution by 6 %.
    """
    level, variance, found = logs[0], 0.055**2, []
    for log, dilution in zip(logs[1:], (dilutions or [0.0] * len(logs))[1:], strict=True):
        variance += 0.03**2 + (0.06**2 if dilution else 0.0)
        innovation = variance + 0.055**2
        short = level + dilution - log
        found.append(short / math.sqrt(innovation))
        level = level + dilution - variance / innovation * short
        variance *= 0.055**2 / innovation
    return found


@pytest.mark.parametrize("first", [1, 2, 7])
def test_a_new_vessel_is_followed_from_four_photos_before_those_in_question(first):
    logs = [16.0, 16.1, 15.9, 16.2, 16.0, 14.9, 15.0, 14.8, 14.9]
    dilutions = [math.log(0.3) if n == 5 else 0.0 for n in range(9)]
    photos = [
        photo(n, log, dilution=d) for n, (log, d) in enumerate(zip(logs, dilutions, strict=True))
    ]
    told = _watch_growth(photos, first, None)
    assert [(s.place, s.amount) for s in told] == [(n, 0.0) for n in range(first, 9)]
    start = max(first - 4, 0)
    assert [s.short for s in told] == pytest.approx(
        kalman(logs[start:], dilutions[start:])[first - start - 1 :], rel=1e-9
    )


@pytest.mark.parametrize("loss", [0.04, 0.055, 0.08, 0.15, 0.3])
def test_a_vessel_that_loses_warns_at_the_photo_that_fills_the_sum(loss):
    # Page 1954: half a standard deviation a photo is allowed, two and a half warn, 2.9 at most are
    # of one photo; and 15 % must be gone.
    logs = [16.0 - loss * n for n in range(6)]
    points = [DensityPoint(at(n), math.exp(x), 0.0, 0.0, 0.1) for n, x in enumerate(logs)]
    height, warned = 0.0, 0
    for n, short in enumerate(kalman(logs), 1):
        height = max(height + min(short, 2.9) - 0.5, 0.0)
        found = early_warnings(points[: n + 1], (), at(n))
        gone = -math.expm1(-loss * n)
        if height < 2.5 or gone < 0.15:
            assert found == ()
            continue
        (warning,) = found
        assert (warning.kind, warning.since) == ("below-forecast", START)
        assert warning.evidence.startswith(
            f"In {days_words(n)} it lost {significant(100 * gone)} %; a healthy culture"
        )
        warned += 1
    assert warned == {0.04: 0, 0.055: 2, 0.08: 3, 0.15: 4, 0.3: 4}[loss]


@pytest.mark.parametrize(("steps", "warned"), [(6, ["below-forecast"]), (5, [])])
def test_six_steps_make_a_growth_usual(steps, warned):
    # At 0.4 a day up to the window of six days, and level from then on.
    logs = [16.0 + 0.4 * min(n, steps) for n in range(steps + 7)]
    points = [DensityPoint(at(n), math.exp(x), 0.0, 0.0, 0.1) for n, x in enumerate(logs)]
    assert kinds(points, ()) == warned


#: Grows by 0.4 a day, which is known: two days of it are sure to sqrt(2 x 5.5 %^2 + 2 x 3 %^2).
KNOWN = Usual(0.4, 0.0, 0.0, np.zeros((3, 3)), 1.0)
KNOWN_SD = math.sqrt(2 * 0.055**2 + 2 * 0.03**2)


@pytest.mark.parametrize(
    ("usual", "shorts", "hoped", "gained", "kind", "sentence"),
    [
        (KNOWN, (1.75, 1.75), 1.25, 0.5, "slow-growth", "It grows at less than half"),
        (KNOWN, (1.75, 1.74), 1.25, 0.5, None, ""),  # the sum is 2.49
        (KNOWN, (2.9, 2.9), 1.0, 0.5, "below-forecast", "It falls behind what"),  # half is not less
        (KNOWN, (2.9, 2.9), 1.25, 0.75, "below-forecast", "It falls behind what"),
        (KNOWN, (2.9, 2.9), 1.25, 0.0, "below-forecast", "It loses cells"),
        (KNOWN, (2.9, 2.9), 0.75, -0.5, "below-forecast", "It loses cells"),
        (KNOWN, (2.9, 2.9), 2.1 * KNOWN_SD + 1.0, 1.0, "below-forecast", "It falls behind"),
        (KNOWN, (2.9, 2.9), 1.9 * KNOWN_SD + 1.0, 1.0, None, ""),  # 15.5 %, but not sure
        (None, (2.9, 2.9), 0.0, math.log(0.84), "below-forecast", "It loses cells"),
        (None, (2.9, 2.9), 0.0, math.log(0.86), None, ""),
    ],
)
@pytest.mark.parametrize("dilution", [0.0, -1.5])
def test_what_falls_short_by_how_much(usual, shorts, hoped, gained, kind, sentence, dilution):
    if dilution and usual is not None:
        usual = replace(usual, scale=KNOWN_SD / math.hypot(KNOWN_SD, 0.06))  # a split errs by 6 %
    photos = [photo(4, 16.0), photo(5, 16.0 + dilution + gained / 2, dilution=dilution),
              photo(6, 16.0 + dilution + gained)]  # fmt: skip
    steps = [_Step(n, short, hoped / 2) for n, short in enumerate(shorts, 1)]
    told = _short_of_growth(photos, steps, usual)
    if kind is None:
        assert told is None
        return
    assert (told.kind, told.since) == (kind, at(4))
    assert told.sentence.startswith(sentence)
    assert ("the split taken off" in told.evidence) == bool(dilution)
    # What fell short before the sum last stood at nothing does not count.
    early = [photo(3, 10.0), *photos]
    later = [_Step(1, -1.0, 5.0), *(replace(s, place=s.place + 1) for s in steps)]
    assert _short_of_growth(early, later, usual) == told


def test_six_readings_make_a_pigment_usual():
    # By hand, at one density: three photos' worth of 10 % and six that stray by 10 %, over eight
    # degrees; the mean of six errs as well.
    before = [photo(n, 16.0, pigment=-1.0 + (0.1, -0.1)[n % 2]) for n in range(6)]
    newest = [photo(6, 16.0, pigment=-1.2), photo(7, 16.0), photo(8, 16.0, pigment=-1.35)]
    sd = math.sqrt(9 * 0.1**2 / 8) * math.sqrt(1 + 1 / 6)
    told = _watch_pigment(before + newest, 6)
    assert [s.place for s in told] == [6, 8]
    assert [s.amount for s in told] == pytest.approx([0.2, 0.35], rel=1e-9)
    assert [s.short for s in told] == pytest.approx([0.2 / sd, 0.35 / sd], rel=1e-9)
    assert _watch_pigment(before[1:] + newest, 5) == []


@pytest.mark.parametrize(
    ("shorts", "missing", "warned"),
    [
        ((2.0, 2.6), 0.13, True),  # 1 + 1.6, which is the 2.6 that warn
        ((2.0, 2.59), 0.13, False),
        ((2.9, 2.9), 0.11, False),
    ],
)
def test_how_much_pigment_must_be_missing(shorts, missing, warned):
    photos = [photo(n, 16.0, pigment=-1.0) for n in range(4, 8)]
    steps = [_Step(2, shorts[0], -math.log1p(-missing)), _Step(3, shorts[1], -math.log1p(-missing))]
    told = _short_of_pigment(photos, steps)
    assert (told is not None) == warned
    if told is not None:
        assert told.since == at(5)
        assert told.evidence == "Its last 2 photos show 13 % less than it usually has."


@pytest.mark.parametrize(
    ("apart", "gained", "missing", "warned"),
    [
        # The difference of two is judged by sqrt(2) of one's standard deviations: twice one above
        # the allowance of one are the two that warn.
        (2 * math.sqrt(2), 0.75, 0.13, True),
        (2.75, 0.75, 0.13, False),
        (2.9, 0.5, 0.13, False),  # no more than was hoped for
        (2.9, math.nan, 0.13, False),
        (2.9, 0.75, 0.11, False),
    ],
)
def test_how_much_cloudier_than_its_cells(apart, gained, missing, warned):
    photos = [photo(4, 16.0), photo(5, 16.25), photo(6, 16.0 + gained)]
    growth = [_Step(n, -apart / 2, 0.25) for n in (1, 2)]
    pigment = [_Step(n, apart / 2, -math.log1p(-missing)) for n in (1, 2)]
    told = _more_than_cells(photos, growth, pigment)
    assert (told is not None) == warned
    if told is not None:
        assert (told.kind, told.since) == ("milky-turn", at(4))
        assert told.evidence == (
            f"In 2 days its turbidity gained {significant(100 * math.expm1(0.75))} % where growth "
            f"would have gained {significant(100 * math.expm1(0.5))} %, with 13 % less pigment for "
            "it than usual."
        )


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
