"""Counts at random: the index of dispersion, replicates and live shares against published work."""

from __future__ import annotations

import math

import pytest

from densitycam.counting.precision import (
    compare_fillings,
    dispersion_within,
    live_share,
)

# "Student" 1907, On the error of counting with a haemacytometer, Biometrika 5, 351-360: yeast cells
# in 400 squares, four samples; squares with 0, 1, 2, ... cells. The frequencies were read in the
# HistData data set "Yeast" (after Hand et al. 1994, A Handbook of Small Data Sets); mean and
# second moment (divided by 400) are those of his paper, from memory.
STUDENT = [
    ((213, 128, 37, 18, 3, 1), 0.6825, 0.8117),
    ((103, 143, 98, 42, 8, 4, 2), 1.3225, 1.2835),
    ((75, 103, 121, 54, 30, 13, 2, 1, 0, 1), 1.80, 1.96),
    ((0, 20, 43, 53, 86, 70, 54, 37, 18, 10, 5, 2, 2), 4.68, 4.46),
]


@pytest.mark.parametrize(("squares", "mean", "second_moment"), STUDENT)
def test_students_yeast(squares, mean, second_moment):
    counts = [cells for cells, times in enumerate(squares) for _ in range(times)]
    assert len(counts) == 400
    assert sum(counts) / 400 == pytest.approx(mean, rel=0, abs=5e-5)
    found = dispersion_within([counts])
    # D = 400 x (second moment about the mean) / mean, printed to two or four figures.
    assert found.statistic == pytest.approx(400 * second_moment / mean, rel=2e-3)
    assert found.degrees == 399


def test_students_first_sample_is_clumped_and_the_others_are_random():
    verdicts = [
        dispersion_within([[n for n, times in enumerate(squares) for _ in range(times)]]).verdict
        for squares, _, _ in STUDENT
    ]
    assert verdicts == ["clumped", "random", "random", "random"]


@pytest.mark.parametrize("degrees", [1, 4, 8, 24, 399])
def test_critical_values_are_those_of_scipy(degrees):
    chi2 = pytest.importorskip("scipy.stats").chi2
    found = dispersion_within([[7] * degrees + [8]])
    assert (found.low, found.high) == pytest.approx(
        (chi2.ppf(0.025, degrees), chi2.ppf(0.975, degrees)), rel=1e-9
    )


def test_the_statistic_is_scipys_chi_square_against_equal_expectations():
    chisquare = pytest.importorskip("scipy.stats").chisquare
    first, second = [12, 41, 9, 33, 20], [31, 28, 40]
    both = dispersion_within([first, second])
    assert both.statistic == pytest.approx(
        chisquare(first).statistic + chisquare(second).statistic, rel=1e-12
    )
    assert both.degrees == 6


@pytest.mark.parametrize(("first", "second"), [(201, 245), (220, 218), (100, 128), (100, 129)])
def test_two_equal_fillings_without_loading_error_follow_the_published_rule(first, second):
    # WHO Laboratory Manual for Human Semen, 5th ed., 2010 (from memory): replicates agree where
    # |n1 - n2| <= 1.96 sqrt(n1 + n2), which is chi-square with one degree.
    found = compare_fillings([first, second], [4, 4], loading_sd=0.0)
    assert found.agree == (abs(first - second) <= 1.96 * math.sqrt(first + second))
    assert found.statistic == pytest.approx((first - second) ** 2 / (first + second), rel=1e-12)


@pytest.mark.parametrize(("live", "dead"), [(5, 5), (0, 10), (10, 0), (102, 34), (397, 3)])
def test_live_share_against_statsmodels(live, dead):
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    low, high = proportion.proportion_confint(live, live + dead, method="beta")
    share = live_share(live=live, dead=dead)
    assert share == pytest.approx((live / (live + dead), low, high), rel=1e-9, abs=1e-12)


def test_live_share_at_its_end_by_hand():
    # None of ten: the upper limit is 1 - 0.025^(1/10) (Clopper & Pearson 1934).
    assert live_share(live=0, dead=10)[2] == pytest.approx(1 - 0.025**0.1, rel=1e-9)
    with pytest.raises(ValueError, match="live and dead"):
        live_share(live=0, dead=0)
