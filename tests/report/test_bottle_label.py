"""A bottle's label says what is needed, at true size, and nothing runs out of it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import matplotlib
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from PIL import Image

from densitycam.calibration.species import load_species, species_ids
from densitycam.journal.bottle_records import BottleRecord
from densitycam.report import bottle_label
from densitycam.report.bottle_label import LABEL_SIZE_MM, SHEETS_MM, label_words, write_labels
from densitycam.report.figures import SETTINGS

FACTS = {name: load_species(name) for name in species_ids()}
BOTTLE = BottleRecord(
    "nannochloropsis", datetime(2026, 5, 9, 7, 41), 500.0, 2.41e7, 2.1e7, 2.8e7, "left jar",
    number=7,
)  # fmt: skip


def test_the_words():
    words = label_words(BOTTLE, FACTS["nannochloropsis"])
    assert words["density"] == "24 million cells/mL (95 %: 21 to 28)"
    assert words["facts"] == "500 mL from left jar, filled 2026-05-09 07:41"
    assert words["use_by"] == "use by 2026-05-16"
    assert "Shake gently every 2 days" in words["keeping"]
    assert "Not for human consumption" in words["caution"]


def test_a_suspect_bottle_has_no_use_by_date():
    words = label_words(replace(BOTTLE, suspect=True), FACTS["nannochloropsis"])
    assert words["use_by"] == "DO NOT FEED"
    assert "to feed to animals" not in words["caution"]
    assert "Not for human consumption" in words["caution"]


@pytest.mark.parametrize("species", species_ids())
@pytest.mark.parametrize("long_name", ["the jar on the upper shelf behind the pump", "x" * 200])
def test_no_word_leaves_the_label_or_its_neighbour_line(species, long_name):
    bottle = replace(BOTTLE, species=species, number=12345, vessel=long_name)
    with matplotlib.rc_context(SETTINGS):
        width, height = LABEL_SIZE_MM
        figure = bottle_label._blank_figure(width, height)
        bottle_label._draw(figure, label_words(bottle, FACTS[species]), 0.0, 0.0)
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        boxes = [t.get_window_extent(canvas.get_renderer()) for t in figure.texts]
        per_mm = figure.dpi / 25.4
    for box, text in zip(boxes, figure.texts, strict=True):
        assert box.x0 > 1.0 * per_mm, text.get_text()
        assert box.x1 < (width - 2.0) * per_mm, text.get_text()
        assert text.get_fontsize() >= 5.5
    for n, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[n + 1 :])


@pytest.mark.parametrize("paper", SHEETS_MM)
def test_eleven_labels_take_two_sheets_of_true_size(tmp_path: Path, paper):
    path = tmp_path / "labels.pdf"
    write_labels([BOTTLE] * 11, FACTS, path, paper=paper)
    sizes = re.findall(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", path.read_bytes())
    points = [mm / 25.4 * 72 for mm in SHEETS_MM[paper]]
    assert len(sizes) == 2
    for size in sizes:
        assert [float(s) for s in size] == pytest.approx(points, abs=0.02)


def test_a_picture_has_its_labels_one_under_another(tmp_path: Path):
    write_labels([BOTTLE] * 3, FACTS, tmp_path / "labels.png")
    with Image.open(tmp_path / "labels.png") as picture:
        mm = [side / 300 * 25.4 for side in picture.size]
    assert mm == pytest.approx([LABEL_SIZE_MM[0] + 4, 3 * LABEL_SIZE_MM[1] + 4], abs=0.1)
