"""Specific growth rate and divisions per day against worked values."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from densitycam.culture.growth import growth
from densitycam.culture.series import DensityPoint

START = datetime(2024, 3, 1, 9)


@pytest.mark.parametrize(
    ("first", "last", "days", "rate", "divisions"),
    [
        # mu = ln(N2/N1)/(t2 - t1), divisions/day = mu/ln 2: R. R. L. Guillard, Division rates, in
        # Handbook of Phycological Methods, 1973 (from memory); Barsanti & Gualtieri, Algae,
        # p. 249. The values are computed from that formula.
        (1e5, 2e5, 1, 0.69315, 1.0),
        (5e4, 1.2e6, 4, 0.79451, 1.14624),
        (1e4, 1e6, 7, 0.65788, 0.94912),
    ],
)
def test_two_counts(first, last, days, rate, divisions):
    points = [
        DensityPoint(START, first, 0.9 * first, 1.1 * first, 0.05),
        DensityPoint(START + timedelta(days=days), last, 0.9 * last, 1.1 * last, 0.05),
    ]
    result = growth(points, (), points[-1].when)
    assert result.rate_per_day == pytest.approx(rate, rel=0, abs=5.1e-6)
    assert result.divisions_per_day == pytest.approx(divisions, rel=0, abs=5.1e-6)
    assert result.low < rate < result.high
