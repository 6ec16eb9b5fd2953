"""The growth chart: what must stand in it, where, and that the same input gives the same file."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from densitycam.culture.series import DensityPoint, Split
from densitycam.errors import DensitycamError
from densitycam.report.figures import density_ticks
from densitycam.report.growth_chart import (
    Ahead,
    ChartPanel,
    _draw_panel,
    time_span,
    write_growth_charts,
)


def day(n: float) -> datetime:
    return datetime(2026, 3, 2, 9, 0) + timedelta(days=n)


def point(n: float, density: float, *flags: str) -> DensityPoint:
    return DensityPoint(day(n), density, density * 0.84, density * 1.19, 0.087, flags)


PANEL = ChartPanel(
    title="kitchen bottle, nannochloropsis",
    points=[point(0, 4e6), point(2, 1.1e7, "settled"), point(5, 3e7), point(6, 9e6), point(9, 2e7)],
    splits=[Split(day(5.2), 0.25), Split(day(9.5), 0.5, inferred=True)],
    harvest_low=2e7,
    harvest_high=8e7,
    refused=[(day(7), "blurred"), (day(8), "no card found")],
    more_than=[(day(5.1), 3.4e7)],
    slides=[(day(2), 1.0e7, 8.4e6, 1.2e7)],
    note="invented data",
)


def words(svg: str) -> str:
    return " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", svg))


def test_the_svg_holds_its_labels(tmp_path):
    write_growth_charts(tmp_path / "growth.svg", [PANEL])
    said = words((tmp_path / "growth.svg").read_text(encoding="utf-8"))
    for label in (
        PANEL.title,
        "invented data",
        "density (million cells/mL)",
        "harvest band",
        "photo, with 95 % interval",
        "photo with a warning sign",
        "slide count",
        "more than this (too dense)",
        "not measured (blurred, no card found)",
        "split",
        "kept 25 %",
        "split?",
        "kept 50 %",
        "2 Mar",
    ):
        assert label in said, label


def test_only_what_is_there_is_in_the_legend(tmp_path):
    bare = replace(PANEL, refused=(), more_than=(), slides=(), splits=(), points=PANEL.points[:1])
    write_growth_charts(tmp_path / "growth.svg", [bare])
    said = words((tmp_path / "growth.svg").read_text(encoding="utf-8"))
    assert "harvest band" in said
    for label in ("split", "slide", "measured", "too dense", "warning"):
        assert label not in said


def test_the_forecast_is_drawn_with_its_interval(tmp_path):
    ahead = Ahead(day(9), 2e7, 4e7, day(11), day(10.3), None)
    ax = Figure().add_subplot()
    panel = replace(PANEL, ahead=ahead)
    _draw_panel(ax, panel, time_span([panel]))
    (line,) = [x for x in ax.lines if str(x.get_label()).startswith("forecast")]
    assert list(line.get_ydata()) == [2e7, 4e7]
    assert time_span([panel])[1] > day(11) > time_span([PANEL])[1]
    write_growth_charts(tmp_path / "growth.svg", [panel])
    assert "forecast, with 95 % interval" in words((tmp_path / "growth.svg").read_text())


def test_the_line_is_broken_at_splits_and_nowhere_else():
    ax = Figure().add_subplot()
    _draw_panel(ax, PANEL, time_span([PANEL]))
    lines = [
        line for line in ax.lines if line.get_linestyle() == "-" and line.get_marker() == "None"
    ]
    runs = [list(line.get_ydata()) for line in lines]
    assert runs == [[4e6, 1.1e7, 3e7], [9e6, 2e7]]


def test_a_photo_at_the_moment_of_its_split_belongs_before_it():
    panel = replace(PANEL, splits=[Split(day(5), 0.25)])
    ax = Figure().add_subplot()
    _draw_panel(ax, panel, time_span([panel]))
    runs = [
        list(line.get_ydata())
        for line in ax.lines
        if line.get_linestyle() == "-" and line.get_marker() == "None"
    ]
    assert runs == [[4e6, 1.1e7, 3e7], [9e6, 2e7]]


def test_everything_lies_inside_the_axes():
    ax = Figure().add_subplot()
    _draw_panel(ax, PANEL, time_span([PANEL]))
    low, high = ax.get_ylim()
    for p in PANEL.points:
        assert low < p.low < p.high < high
    assert low < PANEL.harvest_low < PANEL.harvest_high < high
    assert low < 3.4e7 < high
    assert ax.get_yscale() == "log"


def test_an_unlimited_interval_stretches_the_axis_no_more_than_a_fourfold_one():
    limits = []
    for low, high in ((0.0, float("inf")), (4e6 / 4, 4e6 * 4)):
        panel = replace(
            PANEL, points=[replace(PANEL.points[0], low=low, high=high), *PANEL.points[1:]]
        )
        ax = Figure().add_subplot()
        _draw_panel(ax, panel, time_span([panel]))
        limits.append(ax.get_ylim())
    np.testing.assert_allclose(limits[0], limits[1], rtol=1e-9, atol=0)


@pytest.mark.parametrize("suffix", ["svg", "png"])
def test_same_bytes_every_time(tmp_path, suffix):
    for n in (1, 2):
        write_growth_charts(tmp_path / f"{n}.{suffix}", [PANEL, PANEL])
    first, second = ((tmp_path / f"{n}.{suffix}").read_bytes() for n in (1, 2))
    assert first == second
    assert b"dc:date" not in first
    assert len(list(tmp_path.iterdir())) == 2


def test_panels_are_stacked(tmp_path):
    write_growth_charts(tmp_path / "one.png", [PANEL])
    write_growth_charts(tmp_path / "two.png", [PANEL, replace(PANEL, title="other")])
    with Image.open(tmp_path / "one.png") as one, Image.open(tmp_path / "two.png") as two:
        assert one.width == two.width
        assert two.height == pytest.approx(2 * one.height, rel=0, abs=2)
        ink = np.asarray(two.convert("L")) < 128
    half = ink.shape[0] // 2
    assert ink[:half].sum() > 2000
    assert ink[half:].sum() > 2000


@pytest.mark.parametrize("title", ["a $x_1$ & <b>", "藻の瓶", "a very " + "long " * 40 + "name"])
def test_any_name_a_vessel_may_have(tmp_path, title):
    panel = replace(PANEL, title=title)
    write_growth_charts(tmp_path / "growth.png", [panel])
    write_growth_charts(tmp_path / "growth.svg", [panel])
    assert (tmp_path / "growth.png").stat().st_size > 10_000
    assert title.split()[0] in words((tmp_path / "growth.svg").read_text(encoding="utf-8"))


def test_a_refused_photo_of_a_far_date_does_not_squeeze_the_chart(tmp_path):
    far = replace(PANEL, refused=[*PANEL.refused, (day(260), "not a readable photo")])
    assert time_span([far]) == time_span([PANEL])
    write_growth_charts(tmp_path / "growth.svg", [far])
    said = words((tmp_path / "growth.svg").read_text(encoding="utf-8"))
    assert "invented data; 1 not measured, of another date" in said
    assert "not a readable photo" not in said
    # Near, it counts; and where nothing else is known it is all there is.
    near = replace(PANEL, refused=[(day(13), "blurred")])
    assert time_span([near])[1] > day(13)
    alone = ChartPanel("new", [], [], 1e6, 2e6, refused=[(day(260), "blurred")])
    assert time_span([alone])[0] < day(260) < time_span([alone])[1]


def test_nothing_measured_yet(tmp_path):
    empty = ChartPanel("new bottle", [], [], 1e6, 2e6)
    write_growth_charts(tmp_path / "growth.svg", [empty])
    assert "no measured photo yet" in words((tmp_path / "growth.svg").read_text(encoding="utf-8"))


def test_wrong_requests_are_answered(tmp_path):
    with pytest.raises(DensitycamError, match=r"growth\.gif"):
        write_growth_charts(tmp_path / "growth.gif", [PANEL])
    with pytest.raises(ValueError, match="at least one"):
        write_growth_charts(tmp_path / "growth.png", [])
    with pytest.raises(ValueError, match="harvest band"):
        write_growth_charts(tmp_path / "growth.png", [replace(PANEL, harvest_low=0.0)])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("low", "high"), [(9e5, 2.3e6), (3e5, 4e6), (1e6, 9e7), (2e3, 9e8)])
def test_axes_have_a_handful_of_readable_ticks(low, high):
    ticks = density_ticks(low, high)
    assert 2 <= len(ticks) <= 9
    assert low * 0.999 <= ticks[0] < ticks[-1] <= high * 1.001
