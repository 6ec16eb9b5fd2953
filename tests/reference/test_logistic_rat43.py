"""Rat43 (onion growth), whose curve has one parameter more than the ceiling fit.

Source: NIST/ITL Statistical Reference Datasets, nonlinear regression, Rat43, "higher" difficulty;
D. A. Ratkowsky, Nonlinear Regression Modeling, 1983, pp. 62 and 88:
y = b1 / (1 + exp(b2 - b3 x))^(1/b4). Data and certified values from memory; that both are right is
seen by fitting them with scipy. Our logistic is the case b4 = 1.
"""

from __future__ import annotations

import numpy as np
import pytest

from densitycam.culture.logistic import fit_logistic

TIMES = np.arange(1.0, 16.0)
YIELDS = np.array(
    [16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93, 699.56,
     689.96, 637.56, 717.41]
)  # fmt: skip
CERTIFIED = (6.9964151270e02, 5.2771253025e00, 7.5962938329e-01, 1.2792483859e00)
CEILING_SE, RSS = 1.6302297817e01, 8.7864049080e03


def richards(x, b1, b2, b3, b4):
    return b1 / (1 + np.exp(b2 - b3 * x)) ** (1 / b4)


def test_the_data_are_nists():
    optimize = pytest.importorskip("scipy.optimize")
    best, covariance = optimize.curve_fit(
        richards, TIMES, YIELDS, p0=(700, 5, 0.75, 1.3), ftol=1e-14, xtol=1e-14
    )
    np.testing.assert_allclose(best, CERTIFIED, rtol=1e-6, atol=0)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(CEILING_SE, rel=1e-5)
    assert np.sum((YIELDS - richards(TIMES, *best)) ** 2) == pytest.approx(RSS, rel=1e-9)


def test_the_logistic_is_the_best_of_its_kind_and_finds_the_same_ceiling():
    optimize = pytest.importorskip("scipy.optimize")
    fit = fit_logistic(TIMES.tolist(), YIELDS.tolist())
    assert fit is not None
    best, _ = optimize.curve_fit(
        lambda x, b1, b2, b3: richards(x, b1, b2, b3, 1.0), TIMES, YIELDS, p0=(700, 5, 0.7)
    )
    found = fit.ceiling, fit.offset, fit.rate_per_day
    np.testing.assert_allclose(found, best, rtol=1e-5, atol=0)
    # One parameter fewer cannot fit better; by F(1, 11) it is not told from the full curve.
    excess = (fit.rss - RSS) / (RSS / 11)
    assert 0 < excess < pytest.importorskip("scipy.stats").f.ppf(0.95, 1, 11)
    assert abs(fit.ceiling - CERTIFIED[0]) < CEILING_SE
