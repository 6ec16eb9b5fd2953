"""What is printed reads back as what was meant, within its figures."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from densitycam.report.numbers import format_cells, format_ml, format_percent, format_range
from densitycam.wording import (
    days_words,
    density_words,
    interval_words,
    one_line,
    shorten,
    significant,
)

NUMBER = st.floats(1e-12, 1e15)
SCALE = {"billion": 1e9, "million": 1e6, "thousand": 1e3}


def half_figure(figures: int) -> float:
    """Half a unit of the last figure, over the least number that has so many figures."""
    return 0.5 * 10.0 ** (1 - figures) * (1 + 1e-6)


def cells(words: list[str]) -> float:
    """Read "8.4 million cells/mL" back."""
    return float(words[0]) * SCALE.get(words[1] if len(words) > 1 else "", 1.0)


@given(NUMBER, st.integers(1, 6), st.booleans())
def test_a_number_reads_back_within_its_figures(value, figures, below):
    text = significant(-value if below else value, figures)
    assert abs(float(text)) == pytest.approx(value, rel=half_figure(figures))
    assert text.startswith("-") == below
    assert "e" not in text
    assert significant(float(text), figures) == text  # printed again it says the same


@given(NUMBER, st.floats(1.0, 10.0))
def test_a_larger_number_is_never_printed_as_a_smaller_one(value, times):
    assert float(significant(value)) <= float(significant(value * times))


@given(st.floats(1.0, 1e13))
def test_a_density_reads_back(density):
    for text in (density_words(density), format_cells(density)):
        words = text.split()
        assert words[-1] == "cells/mL"
        assert cells(words) == pytest.approx(density, rel=half_figure(2))


@given(st.floats(1e2, 1e12), st.floats(1.0, 50.0))
def test_an_interval_reads_back_and_is_in_order(low, times):
    high = low * times
    for text in (interval_words(low, high), format_range(low, high)):
        first, second = text.removesuffix(" cells/mL").split(" to ")
        unit = second.split()[1:]
        read = (
            cells(first.split() + (unit if len(first.split()) == 1 else [])),
            cells(second.split()),
        )
        assert read[0] <= read[1]
        assert read == pytest.approx((low, high), rel=half_figure(2))


@given(st.floats(0.05, 1e6), st.floats(0.001, 0.99))
def test_volumes_and_shares_read_back(ml, share):
    number, unit = format_ml(ml).split()
    assert unit == "mL"
    # Whole millilitres, tenths below 20, hundredths below 1.
    step = 1.0 if ml >= 20 else 0.1 if ml >= 1 else 0.01
    assert float(number) == pytest.approx(ml, abs=0.501 * step)
    # Whole percents.
    assert float(format_percent(share).removesuffix("%")) / 100 == pytest.approx(share, abs=0.0051)


@given(st.floats(0.0, 300.0))
def test_days_are_told_within_half_of_what_they_are_told_in(days):
    words = days_words(days)
    if words == "less than a day":
        assert days < 0.75
        return
    number, unit = words.split()
    told = int(number) * {"day": 1, "days": 1, "weeks": 7}[unit]
    assert abs(told - days) <= (3.5 if unit == "weeks" else 0.5)


@given(st.text(max_size=60), st.integers(4, 40))
def test_a_keepers_words_fit_and_stay_as_they_are_once_they_do(text, width):
    line = one_line(text, width)
    assert len(line) <= width
    assert line.isprintable()
    assert one_line(line, width) == " ".join(line.split())
    assert len(shorten(text, width)) <= width
    if len(text) <= width:
        assert shorten(text, width) == text


@given(st.floats())
@example(1.79e308)
def test_no_number_is_without_words(value):
    text = significant(value)
    assert text
    if math.isnan(value):
        assert text == "unknown"
