"""The control chart: its words, slides that break a rule, and awkward input."""

from __future__ import annotations

import math
import re

import pytest

from densitycam.calibration.drift import SlideCheck, control_chart
from densitycam.errors import DensitycamError
from densitycam.report.control_chart import write_control_chart


def chart_of(*sigmas: float, label="day {}"):
    return control_chart(
        [
            SlideCheck(label.format(n + 1), 1e6 * math.exp(0.1 * s), 1e6, 0.1)
            for n, s in enumerate(sigmas)
        ]
    )


def words(path) -> str:
    svg = path.read_text(encoding="utf-8")
    return " ".join(" ".join(re.findall(r"<text[^>]*>([^<]*)</text>", svg)).split())


def test_the_svg_holds_its_words(tmp_path):
    chart = chart_of(0.4, -1.2, 3.4)
    write_control_chart(tmp_path / "chart.svg", title="Isochrysis, jar", chart=chart)
    said = words(tmp_path / "chart.svg")
    for label in (
        "Isochrysis, jar",
        "count above or below its photo",
        "limit of chance (three sigma)",
        "slide that breaks a rule",
        "Western Electric",
        "day 1",
        "day 3",
        "+4 %",
        "+40 %",
    ):
        assert label in said, label
    assert "The slide of day 3 counts 40 % above" in said


def test_a_calibration_that_holds_has_no_broken_rule(tmp_path):
    write_control_chart(tmp_path / "chart.svg", title="jar", chart=chart_of(0.4, -1.2))
    assert "slide that breaks a rule" not in words(tmp_path / "chart.svg")


def test_same_bytes_every_time_and_far_slides_stay_in_the_picture(tmp_path):
    chart = chart_of(0.4, -1.2, 25.0)
    for n in (1, 2):
        write_control_chart(tmp_path / f"{n}.svg", title="jar", chart=chart)
    assert (tmp_path / "1.svg").read_bytes() == (tmp_path / "2.svg").read_bytes()
    assert "+1118 %" in words(tmp_path / "1.svg")  # exp(2.5) times


def test_none_many_and_long_names(tmp_path):
    write_control_chart(tmp_path / "none.svg", title="jar", chart=control_chart([]))
    assert "no two slides yet" in words(tmp_path / "none.svg")
    many = chart_of(*[0.5, -0.5] * 20, label="2026-03-{} a.jpg")
    write_control_chart(tmp_path / "many.svg", title="jar", chart=many)
    said = words(tmp_path / "many.svg")
    assert "2026-03-1 a.jpg" in said
    assert "2026-03-2 a.jpg" not in said


def test_another_suffix_is_refused(tmp_path):
    with pytest.raises(DensitycamError, match=r"chart\.pdf"):
        write_control_chart(tmp_path / "chart.pdf", title="jar", chart=control_chart([]))
    assert list(tmp_path.iterdir()) == []
