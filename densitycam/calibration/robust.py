"""Bayesian regression that allows for bad slides: each way one could be is weighed by evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

#: How often a slide is bad before anything is known of it, and by how much [ln] it then is off: a
#: wrong dilution, the wrong kind of square, a sample that was not mixed (assumptions: one bad slide
#: in six is what a calibration must bear, one in thirty what a careful keeper has).
BAD_SHARE, BAD_SD = 0.10, 1.0

#: Explanations with less than this share of the evidence are not carried on into the interval:
#: otherwise the mere chance of a bad slide would widen every first calibration (an assumption;
#: tests/benchmarks/calibrations.py measures what comes of it).
LIKELY = 0.05


@dataclass(frozen=True)
class Block:
    """One slide as the regression takes it.

    Parameters
    ----------
    design : ndarray of float64, shape (S, P)
        One row a signal.
    seen : ndarray of float64, shape (S,)
        What each signal should have said.
    noise : ndarray of float64, shape (S, S)
        Covariance of the signals' answers, with the count's own error.
    """

    design: np.ndarray
    seen: np.ndarray
    noise: np.ndarray


def robust_posterior(
    prior_mean: np.ndarray,
    prior_covariance: np.ndarray,
    blocks: Sequence[Block],
    *,
    bad_share: float = BAD_SHARE,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return coefficients, covariance and how probably each slide is bad.

    Parameters
    ----------
    prior_mean : ndarray of float64, shape (P,)
        Before any slide.
    prior_covariance : ndarray of float64, shape (P, P)
        Its covariance.
    blocks : sequence of Block, length n
        The slides.
    bad_share : float
        How often a slide is bad before anything is known of it, 0 to below 1; with 0 every slide
        is believed, and the regression is the plain one.

    Returns
    -------
    mean : ndarray of float64, shape (P,)
    covariance : ndarray of float64, shape (P, P)
        Mean and covariance of the mixture of all likely explanations, so that an interval is
        wide where slides contradict each other and nothing tells which is right.
    bad : ndarray of float64, shape (n,)
        Probability that each slide is bad, 0 to 1; 0 for a single slide, which nothing judges.

    Notes
    -----
    Linear regression with known noise has its evidence in closed form (Gelman et al. 2013, BDA3,
    ch. 14.8). A bad slide has BAD_SD more error, shared by all its signals (contaminated normal:
    Box & Tiao 1968, Biometrika 55, 119, from memory). One bad slide is tried at each place; where
    that explains more than none, a second beside the likeliest, and so on up to half of them.
    """
    import numpy as np

    n = len(blocks)
    start = np.linalg.inv(prior_covariance)
    parts = [_ways(prior_mean, block) for block in blocks]
    honest = (
        start + sum(good[0] for good, _ in parts),
        sum(good[1] for good, _ in parts),
        sum(good[2] for good, _ in parts),
    )

    def explain(suspects: frozenset[int]) -> tuple[float, np.ndarray, np.ndarray]:
        told = [(parts[j][1], parts[j][0]) for j in suspects]
        precision = honest[0] + sum(bad[0] - good[0] for bad, good in told)
        pull = honest[1] + sum(bad[1] - good[1] for bad, good in told)
        misfit = honest[2] + sum(bad[2] - good[2] for bad, good in told)
        shift = np.linalg.solve(precision, pull)
        log_evidence = -0.5 * (misfit + np.linalg.slogdet(precision)[1] - pull @ shift)
        if suspects:
            log_evidence += len(suspects) * np.log(bad_share)
        log_evidence += (n - len(suspects)) * np.log1p(-bad_share)
        return float(log_evidence), shift, precision

    tried = {frozenset[int](): explain(frozenset())}
    best: frozenset[int] = frozenset()
    while bad_share > 0 and len(best) < n // 2:
        wider = [best | {j} for j in range(n) if j not in best]
        tried |= {suspects: explain(suspects) for suspects in wider}
        likeliest = max(wider, key=lambda suspects: tried[suspects][0])
        if tried[likeliest][0] <= tried[best][0]:
            break
        best = likeliest

    logs = np.array([log for log, _, _ in tried.values()])
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()
    bad = np.zeros(n)
    for suspects, share in zip(tried, shares, strict=True):
        bad[list(suspects)] += share
    shares = np.where(shares < LIKELY, 0.0, shares)
    shares /= shares.sum()
    shifts = np.array([shift for _, shift, _ in tried.values()])
    middle = shares @ shifts
    covariance = sum(
        share * (np.linalg.inv(precision) + np.outer(shift - middle, shift - middle))
        for share, (_, shift, precision) in zip(shares, tried.values(), strict=True)
        if share > 0
    )
    return prior_mean + middle, (covariance + covariance.T) / 2, bad


def left_out(
    prior_mean: np.ndarray,
    prior_covariance: np.ndarray,
    blocks: Sequence[Block],
    bad: np.ndarray,
) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return coefficients and covariance from all slides but one, for each slide in turn.

    Parameters
    ----------
    prior_mean, prior_covariance, blocks
        As for `robust_posterior`.
    bad : ndarray of float64, shape (n,)
        What that returned: how probably each slide is bad, by which it counts less here.

    Returns
    -------
    list of (ndarray, ndarray)
        In the order of `blocks`.
    """
    import numpy as np

    precision = np.linalg.inv(prior_covariance)
    pull = np.zeros(len(prior_mean))
    given = []
    for block, doubt in zip(blocks, bad, strict=True):
        good, wrong = _ways(prior_mean, block)
        given.append([(1 - doubt) * good[k] + doubt * wrong[k] for k in range(2)])
        precision = precision + given[-1][0]
        pull = pull + given[-1][1]
    found = []
    for own_precision, own_pull in given:
        covariance = np.linalg.inv(precision - own_precision)
        covariance = (covariance + covariance.T) / 2
        found.append((prior_mean + covariance @ (pull - own_pull), covariance))
    return found


def _ways(
    prior_mean: np.ndarray, block: Block
) -> tuple[tuple[np.ndarray, np.ndarray, float], tuple[np.ndarray, np.ndarray, float]]:
    """Return what a slide adds to precision, pull and misfit if it is good, and if it is bad."""
    import numpy as np

    short = block.seen - block.design @ prior_mean
    ways = []
    for extra in (0.0, BAD_SD**2):
        noise = block.noise + extra
        weighted = np.linalg.solve(noise, np.column_stack([block.design, short]))
        ways.append(
            (
                block.design.T @ weighted[:, :-1],
                block.design.T @ weighted[:, -1],
                float(short @ weighted[:, -1]) + float(np.linalg.slogdet(noise)[1]),
            )
        )
    return ways[0], ways[1]
