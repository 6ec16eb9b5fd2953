"""The ceiling fit against certified values of NIST StRD Rat42 (pasture yield, growing time)."""

from __future__ import annotations

import numpy as np
import pytest

from densitycam.culture.logistic import fit_logistic

# NIST/ITL Statistical Reference Datasets, nonlinear regression, Rat42, "higher" difficulty;
# D. A. Ratkowsky, Nonlinear Regression Modeling, 1983, pp. 61 and 88. Typed in from NIST's file.
TIMES = (9.0, 14.0, 21.0, 28.0, 42.0, 57.0, 63.0, 70.0, 79.0)
YIELDS = (8.93, 10.8, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08)


def test_certified_values():
    fit = fit_logistic(TIMES, YIELDS)
    assert fit is not None
    np.testing.assert_allclose(
        (fit.ceiling, fit.offset, fit.rate_per_day),
        (7.2462237576e01, 2.6180768402e00, 6.7359200066e-02),
        rtol=1e-8,
        atol=0,
    )
    np.testing.assert_allclose(
        (fit.ceiling_se, fit.offset_se, fit.rate_se),
        (1.7340283401e00, 8.8295217536e-02, 3.4465663377e-03),
        rtol=1e-6,
        atol=0,
    )
    assert fit.rss == pytest.approx(8.0565229338e00, rel=1e-9)
    assert fit.degrees == 6


def test_units_do_not_matter():
    # Yields as if they were cells/mL, times as if they were hours.
    fit = fit_logistic([t / 24 for t in TIMES], [y * 1e6 for y in YIELDS])
    assert fit is not None
    assert fit.ceiling == pytest.approx(7.2462237576e07, rel=1e-8)
    assert fit.rate_per_day == pytest.approx(24 * 6.7359200066e-02, rel=1e-8)


def test_equal_weights_are_no_weights():
    plain, weighted = fit_logistic(TIMES, YIELDS), fit_logistic(TIMES, YIELDS, sd=[3.0] * 9)
    assert plain is not None
    assert weighted is not None
    assert weighted.ceiling == pytest.approx(plain.ceiling, rel=1e-9)
    assert weighted.ceiling_se == pytest.approx(plain.ceiling_se, rel=1e-6)
