"""Counting one slide: the formula, the interval's honesty, and input that is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest

from densitycam.counting.chambers import CHAMBERS, chamber_by_name, unit_by_name
from densitycam.counting.poisson import poisson_limits
from densitycam.counting.slide import DILUTION_SD, LOADING_SD, count_slide
from densitycam.errors import DensitycamError


def test_density_scales_with_dilution_and_fixative():
    plain = count_slide(cells=137, squares=3)
    mixed = count_slide(cells=137, squares=3, dilution=12.5, fixative_fraction=0.02)
    assert mixed.cells_per_ml == pytest.approx(plain.cells_per_ml * 12.5 * 1.02, rel=1e-12)
    assert plain.low < plain.cells_per_ml < plain.high


def test_without_loading_error_the_interval_is_the_poisson_one():
    count = count_slide(cells=37, squares=1, loading_sd=0.0)
    low, high = poisson_limits(37)
    assert (count.low, count.high) == pytest.approx((low * 1e4, high * 1e4), rel=1e-12)
    assert count.relative_sd == pytest.approx(1 / math.sqrt(37), rel=1e-12)


def test_dilution_error_counts_only_where_there_is_a_dilution():
    plain = count_slide(cells=400, squares=4)
    diluted = count_slide(cells=400, squares=4, dilution=10)
    assert plain.relative_sd == pytest.approx(math.hypot(0.05, LOADING_SD), rel=1e-12)
    assert diluted.relative_sd == pytest.approx(
        math.sqrt(0.05**2 + LOADING_SD**2 + DILUTION_SD**2), rel=1e-12
    )
    assert diluted.high / diluted.cells_per_ml > plain.high / plain.cells_per_ml


def test_errors_add_up_as_reckoned_by_hand():
    # 400 cells, loading 4.6 %: sqrt(1/400 + 0.046^2) = 0.06794; with a dilution, 4.7 % more:
    # 0.08261. Sizes: Berkson, Magath & Hurn 1940 (from memory).
    assert count_slide(cells=400, squares=4).relative_sd == pytest.approx(0.06794, abs=5e-6)
    diluted = count_slide(cells=400, squares=4, dilution=10)
    assert diluted.relative_sd == pytest.approx(0.08261, abs=5e-6)


def test_clumped_cells_widen_the_limits_by_the_root_of_their_variance():
    # Quasi-likelihood: variance four times the mean is a scatter of twice Poisson's, on the log
    # scale, beside the loading error (McCullagh & Nelder 1989, from memory).
    low, high = poisson_limits(100)
    clumped = count_slide(cells=100, squares=1, over_dispersion=4.0)
    other = 1.959964 * LOADING_SD
    expected = (math.hypot(2 * math.log(100 / low), other),
                math.hypot(2 * math.log(high / 100), other))  # fmt: skip
    told = math.log(1e6 / clumped.low), math.log(clumped.high / 1e6)
    assert told == pytest.approx(expected, rel=1e-6)


def test_as_much_fixative_as_sample_halves_what_is_counted():
    assert count_slide(cells=50, squares=5, fixative_fraction=1.0).cells_per_ml == 2e5


def test_zero_reads_less_than():
    count = count_slide(cells=0, squares=9)
    assert (count.cells_per_ml, count.low) == (0.0, 0.0)
    assert count.high > 3.6889 / 9 * 1e4  # Garwood 1936, wider for the loading error
    assert math.isinf(count.relative_sd)


@pytest.mark.parametrize("mean", [4.0, 23.0, 170.0, 900.0])
def test_interval_holds_at_least_95_percent_of_truths(mean):
    # Poisson counts under lognormal loading and dilution errors of the stated size.
    rng = np.random.default_rng(20240501)
    spread = math.hypot(LOADING_SD, DILUTION_SD)
    counts = rng.poisson(mean * np.exp(spread * rng.standard_normal(3000)))
    limits = {n: count_slide(cells=int(n), squares=1, dilution=2) for n in np.unique(counts)}
    truth = mean * 2e4
    inside = np.mean([limits[n].low <= truth <= limits[n].high for n in counts])
    assert 0.943 <= inside <= 0.995  # 95 % less two standard errors of 3000 draws


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"cells": -1}, "cannot be negative"),
        ({"cells": 10.5}, "whole number"),
        ({"cells": True}, "whole number"),
        ({"cells": 10**9 + 1}, "nobody counts more than 1e"),
        ({"squares": 0.00099}, "squares must be at least 0.001"),
        ({"squares": 0}, "squares must be above 0"),
        ({"squares": -2}, "squares must be above 0"),
        ({"squares": math.nan}, "squares must be above 0"),
        ({"squares": 19}, "^one improved Neubauer slide has 18 large squares .* not 19; log each"),
        ({"dilution": 0.5}, "dilution is final over drawn"),
        ({"dilution": math.inf}, "dilution is final over drawn"),
        ({"fixative_fraction": -0.01}, "fixative fraction"),
        ({"fixative_fraction": 2.0}, "fixative fraction"),
        ({"loading_sd": -0.1}, "cannot be negative"),
        ({"over_dispersion": 0.9}, "over_dispersion must be at least 1"),
        ({"over_dispersion": math.inf}, "over_dispersion must be at least 1"),
    ],
)
def test_impossible_counts_are_refused(change, match):
    with pytest.raises(ValueError, match=match):
        count_slide(**({"cells": 100, "squares": 5} | change))


def test_the_most_cells_and_the_smallest_part_of_a_square_that_are_believed():
    assert count_slide(cells=10**9, squares=1e-3).cells_per_ml == pytest.approx(1e16, rel=1e-12)


def test_wrong_names_name_near_matches():
    with pytest.raises(DensitycamError, match="Did you mean improved-neubauer"):
        count_slide(cells=5, squares=5, chamber="improved-neubaur")
    with pytest.raises(DensitycamError, match="Did you mean large"):
        count_slide(cells=5, squares=5, unit="lrge")
    with pytest.raises(DensitycamError, match="Known are"):
        chamber_by_name("zzz")


def test_names_forgive_case_and_blanks():
    assert chamber_by_name(" Improved Neubauer ").id == "improved-neubauer"
    assert chamber_by_name("FUCHS_ROSENTHAL").id == "fuchs-rosenthal"


@pytest.mark.parametrize("chamber", CHAMBERS.values(), ids=lambda c: c.id)
def test_every_chamber_counts(chamber):
    for unit in chamber.units:
        assert unit_by_name(chamber, unit.id.upper()) is unit
        count = count_slide(cells=50, squares=1, chamber=chamber.id, unit=unit.id)
        assert count.cells_per_ml == pytest.approx(50 / chamber.volume_ml(unit.id), rel=1e-12)
    assert chamber.source
