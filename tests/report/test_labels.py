"""Names beside points: none covers another name, a point, the legend's place or the frame."""

from __future__ import annotations

import itertools
import random

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from densitycam.report.labels import name_points, overlap

RANDOM = random.Random(5)
CLOUDS = {
    "one spot": [(1.0 + 0.004 * n, 1.0 + 0.003 * n) for n in range(5)],
    "pairs": [(0.61, 0.62), (0.63, 0.64), (1.03, 1.05), (1.07, 1.1), (0.77, 0.68)],
    "a line": [(0.3 * 1.12**n, 0.3 * 1.12**n) for n in range(12)],
    "corners": [(0.11, 0.11), (4.8, 4.8), (0.11, 4.8), (4.8, 0.11)],
    "a cloud": [(RANDOM.uniform(0.5, 2.0), RANDOM.uniform(0.5, 2.0)) for _ in range(12)],
}


@pytest.mark.parametrize("cloud", CLOUDS)
def test_names_cover_nothing(cloud):
    points = CLOUDS[cloud]
    figure = Figure(figsize=(6.6, 8.4), layout="constrained")
    ax, _ = figure.subplots(2, 1, height_ratios=(2.6, 1.0))
    ax.set(xscale="log", yscale="log", xlim=(0.1, 5.0), ylim=(0.1, 5.0))
    legend = (0.0, 0.84, 0.3, 0.95)
    notes = name_points(ax, points, [f"{n + 12} Mar" for n in range(len(points))], taken=[legend])

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    names = [Text.get_window_extent(note, renderer).extents for note in notes]
    for a, b in itertools.combinations(names, 2):
        assert not overlap(a, b)
    radius = 3.5 * figure.dpi / 72
    marks = [
        (x - radius, y - radius, x + radius, y + radius) for x, y in ax.transData.transform(points)
    ]
    (left, bottom), (right, top) = ax.transAxes.transform([legend[:2], legend[2:]])
    for name in names:
        assert not any(overlap(name, mark) for mark in marks)
        assert not overlap(name, (left, bottom, right, top))
        assert ax.bbox.x0 < name[0]
        assert name[2] < ax.bbox.x1
        assert ax.bbox.y0 < name[1]
        assert name[3] < ax.bbox.y1


def test_boxes_overlap_where_they_share_an_area():
    assert overlap((0, 0, 2, 2), (1, 1, 3, 3))
    assert not overlap((0, 0, 2, 2), (2, 0, 3, 2))
    assert not overlap((0, 0, 2, 2), (0, 3, 2, 4))
