"""What a batch's photos foretell: the curve it grows on, and how surely."""

from __future__ import annotations

import math

import numpy as np
import pytest
from grown import at, exponential, logistic, points

from densitycam.culture.foretell import foretell
from densitycam.culture.growth import growth, photo_noise
from densitycam.culture.series import Split


def test_exponential_growth_is_carried_on():
    density, sd = foretell(points(exponential, [0, 1.1, 1.9, 3.2]), (), at(4.7))
    assert density == pytest.approx(exponential(4.7), rel=1e-9, abs=0)
    assert sd > 0


def test_a_ceiling_bends_the_forecast():
    # The straight line in ln through the last five photos would end 87 % too high.
    density, _ = foretell(points(logistic, range(8)), (), at(10))
    assert density == pytest.approx(logistic(10), rel=1e-6, abs=0)


@pytest.mark.parametrize("count", [3, 4, 6])
def test_its_error_is_not_understated_nor_hugely_over(count):
    # Photos with lognormal noise about a known curve; the truth is the curve itself.
    z = []
    for seed in range(300):
        rng = np.random.default_rng(seed)
        known = points(exponential, range(count), noise=0.12, stated=0.12, rng=rng)
        density, sd = foretell(known, (), at(count))
        z.append(math.log(density / exponential(count)) / sd)
    assert np.mean(np.abs(z) < 1.96) >= 0.95 - 2 * math.sqrt(0.95 * 0.05 / 300)
    assert np.std(z) > 0.5


def test_farther_ahead_is_less_sure():
    known = points(exponential, range(5), noise=0.05, rng=np.random.default_rng(1))
    assert foretell(known, (), at(8))[1] > 1.5 * foretell(known, (), at(5))[1]


@pytest.mark.parametrize("sign", ["settled", "pale", "milky", "bleached", "colour-shift"])
def test_a_photo_with_a_sign_of_trouble_foretells_nothing(sign):
    known = points(exponential, range(4))
    leapt = points(lambda d: 5 * exponential(d), [3.5], flags=(sign,))
    assert foretell([*known, *leapt], (), at(4)) == foretell(known, (), at(4))
    assert foretell([*known, *points(lambda d: 5 * exponential(d), [3.5])], (), at(4)) != (
        foretell(known, (), at(4))
    )


def test_only_the_running_batch_up_to_the_moment_counts():
    old = points(exponential, range(5))
    new = points(lambda d: 0.25 * exponential(d), [5, 6, 7])
    split = Split(at(4.5), 0.25)
    ahead = points(lambda d: 9 * exponential(d), [8, 9])
    density, _ = foretell([*ahead, *new, *old], (split,), at(8))
    assert density == pytest.approx(0.25 * exponential(8), rel=1e-9, abs=0)
    assert foretell([*old, *new[:2]], (split,), at(7)) is None  # two photos since the split
    assert foretell(old[:2], (), at(2)) is None
    # Of two splits the later one begins the batch, even at the moment asked about; a photo at the
    # moment of a split shows what was split.
    assert foretell([*old, *new[:2]], (split, Split(at(1.5), 0.25)), at(7)) is None
    assert foretell(old, (Split(at(5), 0.25),), at(5)) is None
    assert foretell(old, (Split(at(2), 0.25),), at(5)) is None


def test_days_long_gone_are_not_carried_on():
    # Read 30 % too low until the third day; the last four and a half days are right.
    seen = [*points(lambda d: 0.7 * exponential(d), range(3)), *points(exponential, range(3, 8))]
    assert foretell(seen, (), at(8))[0] == pytest.approx(exponential(8), rel=1e-3, abs=0)


@pytest.mark.parametrize(
    ("days", "n", "lever"),
    [((0, 1, 2, 3, 4, 5, 6), 5, 3.0), ((0, 6, 12, 18), 3, 7.0), ((0, 1.5, 3, 4.5), 4, 3.25)],
)
def test_its_error_is_that_of_a_line_through_the_photos_it_rests_on(days, n, lever):
    # Noise over the number of photos, the rate's error times the days from their middle, 5 %
    # wander: the photos of the last 4.5 days, to the minute, or the last three.
    seen = points(exponential, days, noise=0.08, rng=np.random.default_rng(8))
    last = days[-1]
    grown = growth(seen, (), at(last))
    noise = photo_noise(seen, (), at(last))
    rate_sd = (grown.high - grown.low) / 3.92
    expected = math.sqrt(noise**2 / n + (rate_sd * lever) ** 2 + 0.05**2)
    assert foretell(seen, (), at(last + 1))[1] == pytest.approx(expected, rel=1e-9)
