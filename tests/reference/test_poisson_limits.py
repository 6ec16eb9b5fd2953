"""Exact Poisson limits against Garwood's and against statsmodels."""

from __future__ import annotations

import pytest

from densitycam.counting.poisson import poisson_limits


@pytest.mark.parametrize(
    ("cells", "low", "high"),
    [
        # F. Garwood, Biometrika 28 (1936) 437: exact 95 % limits; computed
        # from his formula, his printed table not seen; statsmodels below is the second witness.
        (0, 0.0, 3.6889),
        (1, 0.0253, 5.5716),
        (2, 0.2422, 7.2247),
        (5, 1.6235, 11.6683),
        (10, 4.7954, 18.3904),
        (25, 16.1787, 36.9049),
        (100, 81.3640, 121.6268),
        (400, 361.7563, 441.1866),
        (1000, 938.9730, 1063.9521),
    ],
)
def test_garwood(cells, low, high):
    assert poisson_limits(cells) == pytest.approx((low, high), rel=0, abs=5.1e-5)


@pytest.mark.parametrize(
    ("confidence", "low", "high"),
    [(0.90, 17.38, 34.92), (0.95, 16.18, 36.90), (0.99, 14.00, 41.00)],
)
def test_25_counted_as_a_published_calculator_prints_it(confidence, low, high):
    # Help page of a statistics calculator that names Garwood's method (read).
    assert poisson_limits(25, confidence=confidence) == pytest.approx(
        (low, high), rel=0, abs=5.1e-3
    )


def test_zero_counted_is_below_3_689():
    # Manual of an epidemiology package for R, function for exact limits (read): 3.689 at zero.
    assert poisson_limits(0) == pytest.approx((0.0, 3.689), rel=0, abs=5.1e-4)


@pytest.mark.parametrize("cells", [1, 7, 63, 1234])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_statsmodels_exact_c(cells, confidence):
    rates = pytest.importorskip("statsmodels.stats.rates")
    expected = rates.confint_poisson(cells, 1, method="exact-c", alpha=1 - confidence)
    assert poisson_limits(cells, confidence=confidence) == pytest.approx(expected, rel=1e-9)


def test_impossible_input():
    with pytest.raises(ValueError, match="negative"):
        poisson_limits(-1)
    for confidence in (0.0, 1.0, 1.5, 95):
        with pytest.raises(ValueError, match="between 0 and 1"):
            poisson_limits(5, confidence=confidence)
