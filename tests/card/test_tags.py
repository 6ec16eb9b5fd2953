"""Tags are markers that no card uses, of true size, with names that stay inside."""

from __future__ import annotations

import re
from pathlib import Path

import cv2
import matplotlib
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from tagged_photo import sheet_picture

from densitycam.card.drawing import _SETTINGS
from densitycam.card.layout import MARKER_DICTIONARY, MARKER_ID_BASE, PAPER_SIZES_MM, card_layout
from densitycam.card.tag_drawing import draw_tags, write_tags_pdf
from densitycam.card.tags import TAG_IDS, free_tag, tag_sheets
from densitycam.photo.card_finder import find_tags

NAMES = ("left jar", "bag 3", "A", "window-bottle", "the jar on the upper shelf by the pump",
         "Wm" * 20, "isochrysis galbana II", "$x_1$")  # fmt: skip


def test_no_card_uses_a_tags_marker_and_the_dictionary_holds_all():
    card = {m.id for paper in MARKER_ID_BASE for m in card_layout(paper).markers}
    assert card & set(TAG_IDS) == set()
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    assert TAG_IDS[-1] < dictionary.bytesList.shape[0]


@pytest.mark.parametrize("paper", PAPER_SIZES_MM)
def test_every_tag_is_read_from_its_sheet(paper):
    sheets = tag_sheets([(number, f"vessel {number}") for number in TAG_IDS], paper)
    assert [len(s.tags) for s in sheets] == [8] * 18 + [6]
    for sheet in sheets[:: 6 if paper == "letter" else 3]:
        assert find_tags(sheet_picture(sheet, 3.0)) == tuple(t.marker.id for t in sheet.tags)


@pytest.mark.parametrize("paper", PAPER_SIZES_MM)
def test_tags_lie_on_the_sheet_and_apart(paper):
    (sheet,) = tag_sheets([(100 + n, name) for n, name in enumerate(NAMES)], paper)
    for n, tag in enumerate(sheet.tags):
        o, m = tag.outline, tag.marker.rect
        # 5 mm that no home printer prints on (common practice, no source).
        assert o.x_mm > 5
        assert o.y_mm > 8
        assert o.right_mm < sheet.width_mm - 5
        assert o.bottom_mm < sheet.height_mm - 5
        # Two modules of white about the marker, which OpenCV's detector needs one of.
        white = 2 * m.width_mm / 8
        assert m.x_mm - o.x_mm >= white
        assert m.y_mm - tag.fold_y_mm >= white
        assert o.bottom_mm - m.bottom_mm >= white
        assert tag.fold_y_mm - o.y_mm == pytest.approx(o.bottom_mm - tag.fold_y_mm, rel=1e-12)
        for other in sheet.tags[n + 1 :]:
            b = other.outline
            apart = o.right_mm <= b.x_mm + 1e-9 or o.bottom_mm <= b.y_mm + 1e-9
            assert apart or b.right_mm <= o.x_mm + 1e-9


def test_no_word_leaves_its_tag_or_covers_a_marker():
    (sheet,) = tag_sheets([(100 + n, name) for n, name in enumerate(NAMES)])
    figure = draw_tags(sheet, px_per_mm=4.0)
    with matplotlib.rc_context(_SETTINGS):
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        boxes = [t.get_window_extent(canvas.get_renderer()) for t in figure.texts[1:]]
    assert len(boxes) >= 3 * len(NAMES)
    high = sheet.height_mm
    for box in boxes:
        left, right = box.x0 / 4.0, box.x1 / 4.0
        top, bottom = high - box.y1 / 4.0, high - box.y0 / 4.0
        inside = [
            t
            for t in sheet.tags
            if t.outline.x_mm < left
            and right < t.outline.right_mm
            and t.outline.y_mm < top
            and bottom < t.outline.bottom_mm
        ]
        assert len(inside) == 1
        m = inside[0].marker.rect
        assert right < m.x_mm or left > m.right_mm + m.width_mm / 8 or bottom < m.y_mm


@pytest.mark.parametrize("paper", PAPER_SIZES_MM)
def test_the_pdf_has_the_papers_size_and_a_page_a_sheet(tmp_path: Path, paper):
    path = tmp_path / "tags.pdf"
    write_tags_pdf(tag_sheets([(100 + n, "x") for n in range(9)], paper), path)
    sizes = re.findall(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", path.read_bytes())
    high, wide = (mm / 25.4 * 72 for mm in PAPER_SIZES_MM[paper])
    assert len(sizes) == 2
    for size in sizes:
        assert [float(s) for s in size] == pytest.approx([wide, high], abs=0.02)


def test_what_is_no_tag_is_refused():
    with pytest.raises(ValueError, match="from 100 to 249, not 3"):
        tag_sheets([(3, "x")])
    with pytest.raises(ValueError, match="paper must be one of"):
        tag_sheets([(100, "x")], "a5")


def test_the_lowest_free_tag_is_next():
    assert free_tag(()) == 100
    assert free_tag((100, 102)) == 101
    assert free_tag(TAG_IDS) is None
