"""Numbers as people read them."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime

import pytest
from report_inputs import ESTIMATE, GROWTH, LESS, MORE

from densitycam.counting.slide import SlideCount
from densitycam.report.numbers import (
    density_scale,
    format_cells,
    format_day,
    format_days,
    format_density,
    format_grams,
    format_ml,
    format_percent,
    format_range,
    format_rate,
    format_slide,
    series_unit,
    significant,
)


@pytest.mark.parametrize(
    ("value", "figures", "text"),
    [
        (8.43, 2, "8.4"),
        (8.43, 3, "8.43"),
        (0.05234, 2, "0.052"),
        (1234.0, 2, "1200"),
        (1234.0, 3, "1230"),
        (0.99951, 2, "1.0"),
        (9.96, 2, "10"),
        (99.6, 2, "100"),
        (1e-9, 2, "0.0000000010"),
        (-8.43, 2, "-8.4"),
        (0.0, 2, "0"),
        (1000.0, 2, "1000"),
        (math.nan, 2, "unknown"),
        (math.inf, 2, "unlimited"),
    ],
)
def test_significant_figures(value, figures, text):
    assert significant(value, figures) == text


@pytest.mark.parametrize("exponent", range(-6, 13))
@pytest.mark.parametrize("mantissa", [1.0, 1.005, 2.4449, 4.995, 9.949, 9.951, 9.999])
def test_rounding_errs_by_half_a_figure_at_most(mantissa, exponent):
    value = mantissa * 10.0**exponent
    assert float(significant(value, 3)) == pytest.approx(value, rel=0.00501, abs=0)
    assert "e" not in significant(value, 3)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (8.43e6, "8.4 million cells/mL"),
        (999_600.0, "1.0 million cells/mL"),
        (949_000.0, "0.95 million cells/mL"),
        (99_960.0, "0.10 million cells/mL"),
        (94_900.0, "95 thousand cells/mL"),
        (2.2e5, "0.22 million cells/mL"),
        (1.25e9, "1.2 billion cells/mL"),
        (640.0, "640 cells/mL"),
        (0.0, "0 cells/mL"),
    ],
)
def test_density_words(value, text):
    assert format_cells(value) == text


def test_density_with_its_interval():
    assert format_density(ESTIMATE) == "8.4 million cells/mL (95 %: 7.1 to 9.9)"
    assert format_density(ESTIMATE, unit=(1e6, "million")) == "8.4 (7.1 to 9.9)"


def test_a_narrow_interval_earns_a_third_figure():
    narrow = replace(ESTIMATE, cells_per_ml=8.43e6, low=8.11e6, high=8.76e6)
    assert format_density(narrow) == "8.43 million cells/mL (95 %: 8.11 to 8.76)"


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        (9.6e5, 8.4e5, 1.1e6, "0.96 million cells/mL (95 %: 0.84 to 1.1)"),
        (1.2e6, 8.0e5, 1.8e6, "1.2 million cells/mL (95 %: 0.80 to 1.8)"),
        (1.8e5, 1.5e5, 2.1e5, "0.18 million cells/mL (95 %: 0.15 to 0.21)"),
        (9.0e4, 7.0e4, 1.2e5, "0.090 million cells/mL (95 %: 0.070 to 0.12)"),
        (6.0e4, 5.0e4, 7.2e4, "60 thousand cells/mL (95 %: 50 to 72)"),
        (9.0e8, 7.0e8, 1.2e9, "0.90 billion cells/mL (95 %: 0.70 to 1.2)"),
    ],
)
def test_a_value_and_its_limits_share_the_unit_of_the_upper_end(value, low, high, text):
    assert format_density(replace(ESTIMATE, cells_per_ml=value, low=low, high=high)) == text


def test_a_series_keeps_one_unit():
    def series(*densities):
        return [replace(ESTIMATE, cells_per_ml=d, low=d * 0.8, high=d * 1.2) for d in densities]

    assert series_unit(series(1.8e5, 9.5e5, 1.7e6)) == (1e6, "million")
    assert series_unit([*series(8e7), MORE, LESS]) == (1e6, "million")
    assert series_unit(series(3e3, 2e4, 5e4)) == (1e3, "thousand")
    # One day far above all others does not turn the rest into 0.0012 billion.
    assert series_unit(series(1.2e6, 3e6, 4e6, 2e9)) == (1e6, "million")
    assert series_unit([]) == (1e6, "million")


def test_a_span_of_densities_names_its_unit_once():
    assert format_range(5.3e6, 1.2e8) == "5.3 to 120 million cells/mL"
    assert format_range(8.3e4, 2.8e6) == "0.083 to 2.8 million cells/mL"
    assert format_range(500.0, 2.8e6) == "500 cells/mL to 2.8 million cells/mL"


def test_what_is_not_known_is_said():
    assert format_density(LESS) == "less than 0.22 million cells/mL"
    assert format_density(MORE) == "more than 90 million cells/mL"
    assert format_density(MORE, unit=(1e6, "million")) == "more than 90"
    assert "above 7.1" in format_density(replace(ESTIMATE, high=math.inf))
    assert "below 9.9" in format_density(replace(ESTIMATE, low=0.0))
    assert "no interval" in format_density(replace(ESTIMATE, low=0.0, high=math.inf))
    assert format_density(replace(ESTIMATE, cells_per_ml=math.nan)) == "unknown"


def test_slide_counts():
    count = SlideCount(
        chamber="improved-neubauer",
        unit="large",
        cells=374,
        squares=4.0,
        dilution=1.0,
        fixative_fraction=0.0,
        cells_per_ml=9.35e5,
        low=7.9e5,
        high=1.11e6,
        relative_sd=0.08,
    )
    assert format_slide(count) == "0.94 million cells/mL (95 %: 0.79 to 1.1)"
    # Zero cells: the exact upper 95 % limit, two-sided, is 3.6889 (Garwood 1936).
    none = replace(count, cells=0, cells_per_ml=0.0, low=0.0, high=3.6889 / 4 * 1e4)
    assert format_slide(none) == "less than 9.2 thousand cells/mL"


def test_rates():
    want = "0.65 divisions per day (rate 0.45 per day, 95 %: 0.38 to 0.52)"
    assert format_rate(GROWTH) == want
    assert format_rate(replace(GROWTH, rate_per_day=math.nan)) == "not known yet"
    assert format_rate(replace(GROWTH, high=math.nan)).endswith("no interval)")


@pytest.mark.parametrize(
    ("days", "text"),
    [
        (0.2, "less than a day"),
        (0.9, "1 day"),
        (1.3, "1 day"),
        (2.6, "3 days"),
        (9.6, "10 days"),
        (56.0, "8 weeks"),
        (math.nan, "unknown"),
        (math.inf, "never at this rate"),
    ],
)
def test_days(days, text):
    assert format_days(days) == text


def test_volumes_masses_shares():
    assert [
        format_ml(v) for v in (0.004, 0.01, 0.5, 0.375, 4.2, 19.0, 750.0, 1234.6, math.nan)
    ] == [
        "under 0.01 mL",
        "0.01 mL",
        "0.5 mL",
        "0.38 mL",
        "4.2 mL",
        "19 mL",
        "750 mL",
        "1235 mL",
        "unknown",
    ]
    assert format_grams(19.16) == "19.2 g"
    assert format_grams(math.nan) == "unknown"
    assert format_percent(0.25) == "25 %"
    assert format_percent(math.nan) == "unknown"


def test_kept_and_harvested_millilitres_add_up_as_shown():
    for volume in (475.0, 1000.0, 1850.0, 330.0):
        keep = round(volume * 0.25)
        shown = [int(format_ml(v).split()[0]) for v in (keep, volume - keep)]
        assert sum(shown) == volume


def test_days_read_the_same_in_every_locale():
    assert format_day(datetime(2026, 3, 7, 8, 0)) == "7 Mar"
    assert format_day(datetime(2026, 12, 31)) == "31 Dec"


def test_scale_never_leaves_a_four_digit_number():
    for value in (1.0, 999.4, 9.96e5, 9.99e5, 5e6, 9.999e8, 3e9):
        factor, _ = density_scale(value)
        assert float(significant(value / factor)) < 1000
