"""Numbers in words."""

from __future__ import annotations

import math

import pytest

from densitycam.wording import (
    days_words,
    density_words,
    interval_words,
    one_line,
    significant,
)


@pytest.mark.parametrize(
    ("value", "text"),
    [(23.4, "23"), (2.34, "2.3"), (0.0567, "0.057"), (9.96, "10"), (0.996, "1.0"), (99.7, "100"),
     (12345.0, "12000"), (0.0, "0"), (-3.21, "-3.2"),
     (math.nan, "unknown"), (math.inf, "unlimited")],
)  # fmt: skip
def test_two_figures(value, text):
    assert significant(value) == text


def test_densities():
    assert density_words(2.34e7) == "23 million cells/mL"
    assert density_words(8.54e3) == "8.5 thousand cells/mL"
    assert density_words(math.nan) == "unknown cells/mL"
    assert interval_words(8e5, 1.24e6) == "0.80 to 1.2 million cells/mL"
    assert interval_words(8e5, 1.24e6, unit=False) == "0.80 to 1.2 million"
    assert interval_words(8e5, math.inf) == "more than 0.80 million cells/mL"
    assert interval_words(8e5, math.inf, unit=False) == "more than 0.80 million"
    assert interval_words(10.0, 20.0) == "10 to 20 cells/mL"


def test_days():
    assert [days_words(d) for d in (0.2, 0.9, 1.2, 2.6, 44.0, math.nan)] == [
        "less than a day", "1 day", "1 day", "3 days", "6 weeks", "an unknown number of days",
    ]  # fmt: skip


def test_a_keepers_own_words_on_one_line():
    assert one_line("left\njar\t\x07 2", 20) == "left jar 2"
    assert one_line("caf\udce9", 20) == "caf"
    assert one_line("left jar by the window", 12) == "left ..indow"
    assert one_line("\u05d0\u05d1 $x_1^2$", 20) == "\u05d0\u05d1 $x_1^2$"
