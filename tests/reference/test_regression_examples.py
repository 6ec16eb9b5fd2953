"""The calibration's regression, its priors made vague, against certified and published fits."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from densitycam.calibration.robust import Block, robust_posterior


def fit(design, seen, noise):
    """Regress with priors that say nothing; return coefficients and their covariance.

    `noise` is one standard deviation, one for each point, or a list of blocks of covariance.
    """
    design, seen = np.asarray(design, float), np.asarray(seen, float)
    p = design.shape[1]
    deviations = np.broadcast_to(noise, seen.shape)
    blocks = [
        Block(row[None, :], np.array([y]), np.array([[s**2]]))
        for row, y, s in zip(design, seen, deviations, strict=True)
    ]
    mean, covariance, _ = robust_posterior(np.zeros(p), np.eye(p) * 1e14, blocks, bad_share=0.0)
    return mean, covariance


def residual_sd(design, seen, coefficients) -> float:
    misfit = np.asarray(seen) - np.asarray(design) @ coefficients
    return float(np.sqrt(misfit @ misfit / (len(seen) - len(coefficients))))


def test_nist_norris():
    # NIST/ITL StRD, linear regression, Norris (ozone monitors); data and certified values in the
    # file that scipy carries: B0 -0.262323073774029 (0.232818234301152), B1 1.00211681802045
    # (0.429796848199937E-03), residual standard deviation 0.884796396144373.
    package = Path(find_spec("scipy").origin).parent
    path = package / "stats" / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not path.is_file():
        pytest.skip("this build of scipy carries no test data")
    y, x = np.loadtxt(path, skiprows=60, unpack=True)
    assert len(y) == 36
    design = np.column_stack([np.ones_like(x), x])
    sd = 0.884796396144373
    mean, covariance = fit(design, y, sd)
    np.testing.assert_allclose(mean, (-0.262323073774029, 1.00211681802045), rtol=1e-8, atol=0)
    np.testing.assert_allclose(
        np.sqrt(np.diag(covariance)),
        (0.232818234301152, 0.429796848199937e-03),
        rtol=1e-8,
        atol=0,
    )
    assert residual_sd(design, y, mean) == pytest.approx(sd, rel=1e-9)


def test_nist_longley_is_ill_conditioned():
    # NIST/ITL StRD, linear regression, Longley ("higher" difficulty); data from statsmodels,
    # certified values from memory, which its own tests repeat. Columns are centred and scaled
    # first, as the calibration centres its own ln depth at 1.5: slopes then mean the same.
    data = pytest.importorskip("statsmodels.datasets.longley").load()
    x, y = np.asarray(data.exog, float), np.asarray(data.endog, float)
    middle, spread = x.mean(axis=0), x.std(axis=0)
    design = np.column_stack([np.ones(len(y)), (x - middle) / spread])
    mean, covariance = fit(design, y, 304.854073561965)
    certified = [
        (15.0618722713733, 84.9149257747669),
        (-0.358191792925910e-01, 0.334910077722432e-01),
        (-2.02022980381683, 0.488399681651699),
        (-1.03322686717359, 0.214274163161675),
        (-0.511041056535807e-01, 0.226073200069370),
        (1829.15146461355, 455.478499142212),
    ]
    np.testing.assert_allclose(mean[1:] / spread, [b for b, _ in certified], rtol=1e-5, atol=0)
    np.testing.assert_allclose(
        np.sqrt(np.diag(covariance))[1:] / spread, [se for _, se in certified], rtol=1e-5, atol=0
    )
    intercept = mean[0] - middle / spread @ mean[1:]
    assert intercept == pytest.approx(-3482258.63459582, rel=1e-5)


def test_weighted_and_correlated_fits_are_those_of_statsmodels():
    api = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(31)
    x = rng.uniform(-1.7, 1.3, 14)
    design = np.column_stack([np.ones_like(x), x, x**2])
    sd = rng.uniform(0.04, 0.2, 14)
    seen = design @ [17.3, 1.06, 0.03] + rng.normal(0, sd)
    mean, covariance = fit(design, seen, sd)
    expected = api.WLS(seen, design, weights=1 / sd**2).fit(cov_type="fixed scale")
    np.testing.assert_allclose(mean, expected.params, rtol=1e-9, atol=0)
    np.testing.assert_allclose(covariance, expected.cov_params(), rtol=1e-6, atol=1e-12)
    # Two signals of one slide share the error of its count: blocks of two against GLS.
    noise = np.kron(np.eye(7), np.full((2, 2), 0.08**2)) + np.diag(sd**2)
    level = np.repeat(seen[::2], 2)  # one count, two signals
    blocks = [
        Block(design[i : i + 2], level[i : i + 2], noise[i : i + 2, i : i + 2])
        for i in range(0, 14, 2)
    ]
    mean, covariance, _ = robust_posterior(np.zeros(3), np.eye(3) * 1e14, blocks, bad_share=0.0)
    expected = api.GLS(level, design, sigma=noise).fit(cov_type="fixed scale")
    np.testing.assert_allclose(mean, expected.params, rtol=1e-9, atol=0)
    np.testing.assert_allclose(covariance, expected.cov_params(), rtol=1e-6, atol=1e-12)


def test_din_32645_straight_line():
    # DIN 32645 (as ISO 11843), its worked example: intercept 2480.8667, slope 9661.9394, residual
    # standard deviation 192.294 (values from the project's notes, standard not seen).
    x = np.arange(0.05, 0.51, 0.05)
    y = [3060, 3522, 3707, 4280, 5058, 5510, 5703, 6205, 7156, 7178]
    design = np.column_stack([np.ones_like(x), x])
    mean, _ = fit(design, y, 192.294)
    np.testing.assert_allclose(mean, (2480.8667, 9661.9394), rtol=0, atol=5.1e-5)
    assert residual_sd(design, y, mean) == pytest.approx(192.294, rel=0, abs=5.1e-4)


@pytest.mark.parametrize(("points", "f", "bends"), [(10, 21.238, True), (7, 0.394, False)])
def test_mandel_linearity(points, f, bends):
    # Mandel's test of a bend, published example (values from the project's notes): F 21.238 over
    # all ten points, against F.99(1, 7) = 12.246; 0.394 over the first seven. Its F is the square
    # of the bend over its standard error, which is what our covariance must give.
    stats = pytest.importorskip("scipy.stats")
    x = np.arange(2.0, 2.0 * points + 1, 2.0)
    y = [0.202, 0.399, 0.588, 0.796, 0.997, 1.174, 1.377, 1.534, 1.622, 1.654][:points]
    design = np.column_stack([np.ones_like(x), x, x**2])
    first, _ = fit(design, y, 1.0)
    mean, covariance = fit(design, y, residual_sd(design, y, first))
    found = mean[2] ** 2 / covariance[2, 2]
    assert found == pytest.approx(f, rel=0, abs=1e-3)
    assert (found > stats.f.ppf(0.99, 1, points - 3)) == bends
