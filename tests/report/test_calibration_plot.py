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


def test_a_bad_slide_is_marked_by_name_with_its_factor(tmp_path):
    twice = replace(POINTS[1], counted=2 * POINTS[1].counted, off=2.04)
    half = replace(POINTS[2], off=1 / 2.4)
    write(tmp_path / "plot.svg", [POINTS[0], twice, half, POINTS[3]])
    said = words(tmp_path / "plot.svg")
    assert "5 Mar: 2.0 times too high" in said
    assert "8 Mar: 2.4 times too low" in said
    assert "slide that strays from the others" in said
    write(tmp_path / "fine.svg")
    assert "strays" not in words(tmp_path / "fine.svg")


def test_of_many_slides_only_bad_ones_are_named(tmp_path):
    many = [replace(POINTS[0], label=f"slide {n}", counted=1e6 * 1.1**n) for n in range(30)]
    write(tmp_path / "plot.svg", [*many[:-1], replace(many[-1], off=0.5)])
    said = words(tmp_path / "plot.svg")
    assert "slide 29: 2.0 times too low" in said
    assert "slide 7" not in said


def test_the_band_of_new_photos_is_drawn_in_both_panels(tmp_path):
    band = [(1e6, 8e5, 1.3e6), (1e7, 9e6, 1.1e7), (4.5e7, 3e7, 9e7)]
    write(tmp_path / "without.svg")
    write(tmp_path / "with.svg", band=band)
    assert "where 95 % of new photos lie" in words(tmp_path / "with.svg")
    fills = [
        (tmp_path / name).read_text().count("PolyCollection")
        for name in ("without.svg", "with.svg")
    ]
    assert fills == [0, 2]


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
