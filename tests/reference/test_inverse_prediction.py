"""Reading a calibration line backwards: the regression's covariance against published intervals.

x0 at which a line has the reading y0, and its interval, from the coefficients and covariance of the
calibration's own regression with priors made vague. Values from the project's notes, originals not
seen:
- Massart et al. 1997, Handbook of Chemometrics and Qualimetrics A, example 1.
- DIN 32645 (as ISO 11843), its worked example at 99 %.
- Graybill & Iyer 1994, Regression Analysis: thermometers, by Fieller's theorem (Fieller 1954,
  J. R. Stat. Soc. B 16, 175).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student_t

from densitycam.calibration.robust import Block, robust_posterior


def line(x, y):
    """Return intercept and slope, their covariance, the residual sd, and degrees of freedom."""
    design, y = np.column_stack([np.ones(len(x)), x]), np.asarray(y, float)

    def fit(sd):
        noise = np.array([[sd**2]])
        blocks = [Block(design[k : k + 1], y[k : k + 1], noise) for k in range(len(y))]
        return robust_posterior(np.zeros(2), np.eye(2) * 1e14, blocks, bad_share=0.0)[:2]

    short = y - design @ fit(1.0)[0]
    sd = float(np.sqrt(short @ short / (len(x) - 2)))
    return *fit(sd), sd, len(x) - 2


def by_propagation(fitted, y0, confidence):
    """Return x0 and half its interval, errors propagated to first order."""
    (a, b), covariance, sd, degrees = fitted
    x0 = (y0 - a) / b
    row = np.array([1.0, x0])
    spread = np.sqrt(sd**2 + row @ covariance @ row) / b
    return x0, student_t.ppf((1 + confidence) / 2, degrees) * spread


def by_fieller(fitted, y0, confidence):
    """Return x0 and its limits by Fieller; None where the slope may be zero."""
    (a, b), covariance, sd, degrees = fitted
    t2 = student_t.ppf((1 + confidence) / 2, degrees) ** 2
    # (y0 - a - b x)^2 = t^2 (sd^2 + var(a) + 2 x cov(a, b) + x^2 var(b))
    square = b * b - t2 * covariance[1, 1]
    if square <= 0:
        return None
    linear = -2 * b * (y0 - a) - 2 * t2 * covariance[0, 1]
    rest = (y0 - a) ** 2 - t2 * (sd**2 + covariance[0, 0])
    return (y0 - a) / b, tuple(sorted(np.roots([square, linear, rest])))


@pytest.mark.parametrize(("y0", "x0", "half"), [(15, 6.09381, 4.906751), (90, 43.93983, 4.908053)])
def test_massart(y0, x0, half):
    fitted = line(range(0, 60, 10), [4, 21.2, 44.6, 61.8, 78, 105.2])
    assert by_propagation(fitted, y0, 0.95) == pytest.approx((x0, half), rel=0, abs=5.1e-6)


def test_din_32645():
    y = [3060, 3522, 3707, 4280, 5058, 5510, 5703, 6205, 7156, 7178]
    fitted = line(np.arange(0.05, 0.51, 0.05), y)
    assert by_propagation(fitted, 3500, 0.99) == pytest.approx(
        (0.1054792, 0.07434261), rel=0, abs=5.1e-8
    )


READINGS = [95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21]


@pytest.mark.parametrize(
    ("y0", "confidence", "x0", "limits", "digits"),
    [
        (104, 0.95, 103.995, (103.4, 104.6), 0.051),
        (100, 0.90, 100.1, (99.63, 100.59), 0.0051),
    ],
)
def test_thermometers_by_fieller(y0, confidence, x0, limits, digits):
    found, interval = by_fieller(line(range(96, 112, 2), READINGS), y0, confidence)
    assert found == pytest.approx(x0, rel=0, abs=0.051 if x0 == 100.1 else 5.1e-4)
    assert interval == pytest.approx(limits, rel=0, abs=digits)


def test_a_slope_that_may_be_zero_gives_no_interval():
    # The same readings in another order: no slope is left to read backwards.
    fitted = line(range(96, 112, 2), [READINGS[k] for k in (3, 7, 0, 5, 2, 6, 1, 4)])
    assert by_fieller(fitted, 104, 0.95) is None
