"""Student's t against scipy and against the printed table."""

from __future__ import annotations

import math

import pytest
from scipy.special import fdtrc, stdtrit

from densitycam.student_t import t_quantile, t_within

#: Table 26.10 of Abramowitz & Stegun 1964 (from memory): two-sided 95 % and 99 %.
TABLE = {
    (0.975, 1): 12.706, (0.975, 2): 4.303, (0.975, 5): 2.571, (0.975, 10): 2.228,
    (0.975, 30): 2.042, (0.975, 120): 1.980, (0.975, math.inf): 1.960, (0.995, 4): 4.604,
    (0.95, 7): 1.895,
}  # fmt: skip


@pytest.mark.parametrize(("share", "degrees"), TABLE)
def test_quantiles_are_those_of_the_printed_table(share, degrees):
    assert t_quantile(share, degrees) == pytest.approx(TABLE[share, degrees], abs=5.1e-4, rel=0)


@pytest.mark.parametrize("degrees", [1, 1.3, 2, 3.7, 8, 23.5, 120, 999, 1001, 2e4, 1e6])
@pytest.mark.parametrize("share", [0.5, 0.6, 0.9, 0.95, 0.975, 0.995])
def test_quantiles_are_those_of_scipy_between_whole_degrees_too(share, degrees):
    expected = stdtrit(degrees, share)
    assert t_quantile(share, degrees) == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(("square", "degrees"), [(0.02, 3), (1.0, 4), (5.3, 6), (12.0, 17.5)])
def test_the_square_of_t_is_an_f_of_one_degree(square, degrees):
    outside = 1 - t_within(math.sqrt(square), degrees)
    assert outside == pytest.approx(fdtrc(1, degrees, square), rel=1e-9)


@pytest.mark.parametrize(("t", "within"), [(1.0, 0.6826895), (1.959964, 0.95), (3.0, 0.9973002)])
def test_without_end_of_degrees_it_is_the_normal_distribution(t, within):
    # Abramowitz & Stegun 1964, table 26.1, twice P(x) less 1 (from memory).
    assert t_within(t, math.inf) == pytest.approx(within, abs=5e-8)


@pytest.mark.parametrize(("share", "degrees"), [(0.4, 5), (1.0, 5), (0.975, 0.5), (0.975, -1)])
def test_what_is_out_of_range_is_refused(share, degrees):
    with pytest.raises(ValueError, match="share"):
        t_quantile(share, degrees)
