"""Regression with bad slides: evidence by hand, a straight line, and which slide is named."""

from __future__ import annotations

import numpy as np
import pytest

from densitycam.calibration import robust
from densitycam.calibration.robust import BAD_SD, BAD_SHARE, Block, left_out, robust_posterior

PRIOR = np.array([0.0, 1.0]), np.diag([100.0, 0.25])


def line(x: float, seen: float, sd: float = 0.1) -> Block:
    return Block(np.array([[1.0, x]]), np.array([seen]), np.array([[sd**2]]))


def plain(blocks: list[Block]) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and covariance of Bayesian regression by its textbook formula."""
    design = np.vstack([b.design for b in blocks])
    weight = 1 / np.array([b.noise[0, 0] for b in blocks])
    covariance = np.linalg.inv(np.linalg.inv(PRIOR[1]) + design.T * weight @ design)
    pull = np.linalg.inv(PRIOR[1]) @ PRIOR[0] + design.T * weight @ [b.seen[0] for b in blocks]
    return covariance @ pull, covariance


def test_without_bad_slides_it_is_plain_bayesian_regression():
    blocks = [line(x, 2 + 1.1 * x) for x in (-1.3, -0.2, 0.9, 1.7)]
    mean, covariance, bad = robust_posterior(*PRIOR, blocks)
    expected, spread = plain(blocks)
    np.testing.assert_allclose(mean, expected, rtol=1e-9, atol=0)
    np.testing.assert_allclose(covariance, spread, rtol=1e-9, atol=1e-15)
    assert bad.max() < BAD_SHARE


def test_probability_of_a_bad_slide_is_the_ratio_of_normal_densities():
    # Coefficients known exactly: each slide is then judged by itself, and its odds are those of
    # two normal densities (scipy's), times the odds before.
    norm = pytest.importorskip("scipy.stats").norm
    known = np.array([2.0, 1.0]), np.diag([1e-12, 1e-12])
    off = (0.05, 0.31, -0.02)
    blocks = [line(x, 2 + x + o) for x, o in zip((0.0, 0.5, 1.0), off, strict=True)]
    _, _, bad = robust_posterior(*known, blocks)
    wide = np.hypot(0.1, BAD_SD)
    for k, o in enumerate(off):
        odds = BAD_SHARE * norm.pdf(o, 0, wide) / ((1 - BAD_SHARE) * norm.pdf(o, 0, 0.1))
        # Only sets of at most one bad slide are tried among three, so their odds are shared out.
        others = [
            BAD_SHARE * norm.pdf(p, 0, wide) / ((1 - BAD_SHARE) * norm.pdf(p, 0, 0.1)) for p in off
        ]
        assert bad[k] == pytest.approx(odds / (1 + sum(others)), rel=1e-4)


def test_evidence_that_no_exponential_holds_names_the_bad_slide_all_the_same():
    # Off by a hundred of its standard deviations: exp(5000) to one against its being good.
    blocks = [line(x, 2 + x, 0.01) for x in (-1.0, 0.0, 0.4, 0.9)]
    wild = [*blocks, line(1.2, 4.2, 0.01)]
    mean, covariance, bad = robust_posterior(*PRIOR, wild)
    assert bad == pytest.approx([0, 0, 0, 0, 1], abs=0.2)
    np.testing.assert_allclose(mean, (2.0, 1.0), rtol=0, atol=0.02)
    np.testing.assert_allclose(covariance, plain(blocks)[1], rtol=0.1, atol=1e-5)


def test_a_bad_slide_has_the_square_of_its_error_more_variance(monkeypatch):
    monkeypatch.setattr(robust, "BAD_SD", 0.5)
    (_, covariance), _ = left_out(*PRIOR, [line(0.0, 2.0), line(0.0, 2.0)], np.array([0.0, 1.0]))
    assert 1 / covariance[0, 0] == pytest.approx(1 / 100 + 1 / (0.1**2 + 0.5**2), rel=1e-9)


def test_one_bad_slide_in_six_is_found_wherever_it_is():
    rng = np.random.default_rng(12)
    x = np.linspace(-1.5, 1.5, 6)
    for which in range(6):
        seen = 2 + x + rng.normal(0, 0.1, 6)
        seen[which] += np.log(2) * (-1) ** which
        blocks = [line(*pair) for pair in zip(x, seen, strict=True)]
        mean, _, bad = robust_posterior(*PRIOR, blocks)
        assert int(np.argmax(bad)) == which
        assert bad[which] > 0.5
        assert mean[0] == pytest.approx(2.0, abs=0.15)  # three standard errors of six slides


def test_two_bad_slides_of_twelve_are_both_found():
    x = np.linspace(-1.5, 1.5, 12)
    seen = 2 + x
    seen[3] += 0.8
    seen[8] += 0.9
    _, _, bad = robust_posterior(*PRIOR, [line(*pair) for pair in zip(x, seen, strict=True)])
    assert {k for k in range(12) if bad[k] > 0.5} == {3, 8}


def test_two_slides_apart_leave_it_open_and_a_single_one_is_not_judged():
    _, covariance, bad = robust_posterior(*PRIOR, [line(0.0, 2.0), line(0.1, 2.9)])
    assert bad == pytest.approx([0.5, 0.5], abs=0.1)
    assert covariance[0, 0] > 0.3**2
    assert robust_posterior(*PRIOR, [line(0.0, 9.0)])[2] == [0.0]


def test_each_left_out_is_the_fit_of_the_others():
    blocks = [line(x, 2 + x) for x in (-1.0, 0.3, 1.2)]
    found = left_out(*PRIOR, blocks, np.zeros(3))
    for j, (mean, covariance) in enumerate(found):
        others = [b for k, b in enumerate(blocks) if k != j]
        expected, spread = plain(others)
        np.testing.assert_allclose(mean, expected, rtol=1e-6, atol=1e-9)
        np.testing.assert_allclose(covariance, spread, rtol=1e-6, atol=1e-12)


def test_the_mixture_is_that_of_the_evidence_of_each_explanation():
    # Two slides that part: none bad, or either one. The evidence of each is the density of what was
    # seen under the prior and the noise (scipy's multivariate normal), a tenth bad and one more
    # squared [ln] of error if so; each explanation is the textbook regression with that noise.
    normal = pytest.importorskip("scipy.stats").multivariate_normal
    design, seen = np.array([[1.0, -0.4], [1.0, 0.5]]), np.array([2.1, 3.5])
    blocks = [Block(design[k : k + 1], seen[k : k + 1], np.array([[0.01]])) for k in range(2)]
    mean, covariance, bad = robust_posterior(*PRIOR, blocks)
    shares, means, spreads = [], [], []
    for suspect in (None, 0, 1):
        noise = np.diag([0.01 + (k == suspect) for k in range(2)])
        before = 0.9 * 0.9 if suspect is None else 0.9 * 0.1
        total = design @ PRIOR[1] @ design.T + noise
        shares.append(before * normal.pdf(seen, design @ PRIOR[0], total))
        gain = PRIOR[1] @ design.T @ np.linalg.inv(total)
        means.append(PRIOR[0] + gain @ (seen - design @ PRIOR[0]))
        spreads.append(PRIOR[1] - gain @ design @ PRIOR[1])
    shares = np.array(shares) / sum(shares)
    assert bad == pytest.approx(shares[1:], rel=1e-9)
    assert shares.min() > 0.05  # so that all of them are carried on
    middle = shares @ np.array(means)
    mixed = sum(
        s * (c + np.outer(m - middle, m - middle))
        for s, m, c in zip(shares, means, spreads, strict=True)
    )
    np.testing.assert_allclose(mean, middle, rtol=1e-8, atol=0)
    np.testing.assert_allclose(covariance, mixed, rtol=1e-8, atol=1e-12)


def test_a_doubtful_slide_weighs_between_a_good_and_a_bad_one():
    # A doubt of 0.3: 0.7 of the weight of a good one, 1/0.01, and 0.3 of a bad one's, 1/1.01.
    blocks = [line(x, 2 + x) for x in (-1.0, 0.3)]
    found = left_out(*PRIOR, blocks, np.array([0.3, 0.0]))
    weight = 0.7 / 0.01 + 0.3 / 1.01
    row = np.array([[1.0, -1.0]])
    expected = np.linalg.inv(np.linalg.inv(PRIOR[1]) + weight * row.T @ row)
    np.testing.assert_allclose(found[1][1], expected, rtol=1e-6, atol=1e-12)
