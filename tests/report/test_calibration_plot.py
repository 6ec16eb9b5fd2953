"""The calibration plot: labels, places, and awkward intervals."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from PIL import Image

from densitycam.errors import DensitycamError
from densitycam.report.calibration_plot import PlotPoint, _residual_limit, write_calibration_plot

POINTS = [
    PlotPoint(f"{3 * n + 2} Mar", c, c * 0.83, c * 1.19, c * f, c * f * 0.7, c * f * 1.42)
    for n, (c, f) in enumerate([(1.2e6, 1.1), (5.5e6, 0.93), (1.6e7, 1.02), (3.9e7, 0.88)])
]


def write(path, points=POINTS, **changes):
    request = {
        "title": "nannochloropsis",
        "range_low": 1e6,
        "range_high": 4.5e7,
        "note": "invented",
    }
    write_calibration_plot(path, points=points, **{**request, **changes})


def words(path) -> str:
    svg = path.read_text(encoding="utf-8")
    return " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", svg))


def test_the_svg_holds_its_labels(tmp_path):
    write(tmp_path / "plot.svg")
    said = words(tmp_path / "plot.svg")
    for label in (
        "nannochloropsis",
        "from the photo (million cells/mL)",
        "counted on the slide (million cells/mL)",
        "photo less slide (%)",
        "where this calibration holds",
        "photo and slide agree",
        "one slide count, with 95 % intervals",
        "Each photo is judged by a calibration that has not seen its slide.",
        "invented",
        *(p.label for p in POINTS),
    ):
        assert label in said, label


def test_same_bytes_every_time(tmp_path):
    for n in (1, 2):
        write(tmp_path / f"{n}.svg")
        write(tmp_path / f"{n}.png")
    assert (tmp_path / "1.svg").read_bytes() == (tmp_path / "2.svg").read_bytes()
    assert (tmp_path / "1.png").read_bytes() == (tmp_path / "2.png").read_bytes()
    with Image.open(tmp_path / "1.png") as picture:
        assert picture.width > 900


def test_unbounded_intervals_and_no_points(tmp_path):
    open_ended = replace(POINTS[0], estimated_low=0.0, estimated_high=math.inf, counted_low=0.0)
    write(tmp_path / "plot.svg", [open_ended, *POINTS[1:]])
    assert "2 Mar" in words(tmp_path / "plot.svg")
    write(tmp_path / "none.svg", [])
    assert "no slide counts yet" in words(tmp_path / "none.svg")


def test_the_lower_panel_shows_every_point():
    far = replace(POINTS[0], estimated=POINTS[0].counted * 4)
    assert _residual_limit([far]) > 300
    assert _residual_limit([]) == 20


def test_wrong_requests_are_answered(tmp_path):
    with pytest.raises(DensitycamError, match=r"plot\.pdf"):
        write(tmp_path / "plot.pdf")
    with pytest.raises(ValueError, match="range must be"):
        write(tmp_path / "plot.png", range_low=0.0)
    assert list(tmp_path.iterdir()) == []
