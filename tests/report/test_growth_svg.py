"""The page's growth chart: well-formed, all marks inside the picture, forecast and splits shown."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from densitycam.culture.series import DensityPoint, Split
from densitycam.report.growth_chart import Ahead, ChartPanel
from densitycam.report.growth_svg import growth_svg, legend_html

BEGIN = datetime(2026, 3, 1, 8, 0)


def at(day):
    return BEGIN + timedelta(days=day)


def point(day, density, flags=()):
    return DensityPoint(at(day), density, density / 1.3, density * 1.3, 0.13, flags)


FULL = ChartPanel(
    title="jar <1> & co",
    points=[point(n, 1e6 * 1.5**n, ("foam",) if n == 2 else ()) for n in range(6)],
    splits=[Split(at(3.5), 0.25), Split(at(0.2), math.nan), Split(at(4.4), 0.5, inferred=True)],
    harvest_low=2e6, harvest_high=2e7,
    refused=[(at(2.2), "blurred")], more_than=[(at(5.3), 1e7)],
    slides=[(at(1.0), 1.6e6, 1.3e6, math.inf)],
    ahead=Ahead(at(5), 7.6e6, 2e7, at(7.4), at(6.6), at(9.1)),
)  # fmt: skip
EMPTY = ChartPanel("new", (), (), 2e6, 2e7)


def drawn(panel, width=780, height=330):
    text = growth_svg(panel, width=width, height=height, ident="v1")
    return ElementTree.fromstring(text), text


@pytest.mark.parametrize("panel", [FULL, EMPTY, replace(FULL, splits=(), ahead=None)])
@pytest.mark.parametrize(("width", "height"), [(780, 330), (330, 290)])
def test_every_mark_lies_inside_the_picture(panel, width, height):
    root, text = drawn(panel, width, height)
    assert root.get("viewBox") == f"0 0 {width} {height}"
    assert "nan" not in text
    assert "inf" not in re.sub("inferred", "", text)
    for element in root.iter():
        for axis, most in (("x", width), ("y", height)):
            for name in (axis, f"{axis}1", f"{axis}2", f"c{axis}"):
                if element.get(name) is not None:
                    assert 0 <= float(element.get(name)) <= most, (element.tag, element.attrib)


def test_points_stand_at_their_days_and_densities():
    root, _ = drawn(FULL)
    dots = list(root.iter("circle"))
    assert len(dots) == 6
    xs = [float(e.get("cx")) for e in dots]
    ys = [float(e.get("cy")) for e in dots]
    steps = [b - a for a, b in pairwise(xs)]
    assert steps == pytest.approx([steps[0]] * 5, abs=0.11)  # a day each
    falls = [a - b for a, b in pairwise(ys)]
    assert falls == pytest.approx([falls[0]] * 5, abs=0.11)  # a factor of 1.5 each, on a log axis
    assert [e.get("class") for e in dots][2] == "dot sign"


def test_the_curve_breaks_at_splits_and_each_is_named():
    root, text = drawn(FULL)
    assert len(list(root.iter("polyline"))) == 1  # days 1 to 3; then single photos between splits
    tips = [e.text for e in root.iter("title")]
    assert "1 Mar: new culture" in tips
    assert "4 Mar: split, kept 25 %" in tips
    assert any("concluded from the fall" in t for t in tips)
    assert "kept 25 %" in text


def test_the_forecast_has_its_interval():
    root, text = drawn(FULL)
    assert 'class="ahead"' in text
    assert any(e.text == "ready about 8 Mar" for e in root.iter("title"))
    never = replace(FULL, ahead=replace(FULL.ahead, latest=None))
    end = max(float(e.get("x2")) for e in drawn(never)[0].iter("line") if e.get("class") == "bar")
    assert end == pytest.approx(780 - 8, abs=0.1)  # open: to the edge
    assert "ahead" not in drawn(replace(FULL, ahead=None))[1]


def test_it_says_in_words_what_it_shows():
    root, _ = drawn(FULL)
    names = [e.get("id") for e in root if e.get("id")]
    assert root.get("aria-labelledby").split() == names
    desc = next(e.text for e in root.iter("desc"))
    assert "6 densities from 1 Mar to 6 Mar" in desc
    assert "about 8 Mar" in desc
    assert next(e.text for e in root.iter("title")).startswith("jar <1> & co")
    assert "no measured photo yet" in drawn(EMPTY)[1]


def test_the_legend_names_what_is_there_and_no_more():
    full = legend_html(FULL)
    for words in ("slide count", "too dense", "not measured", "forecast", "warning sign", "split"):
        assert words in full
    assert ElementTree.fromstring(full).tag == "ul"
    assert legend_html(EMPTY).count("<li>") == 1
