"""The drawn card against its own table, read back by OpenCV, Pillow and pdfinfo."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import zlib

import cv2
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from PIL import Image

from densitycam.card.drawing import (
    card_pixels,
    draw_card,
    layout_json,
    marker_bits,
    write_card_pdf,
    write_card_png,
)
from densitycam.card.layout import MARKER_DICTIONARY, PAPER_SIZES_MM, card_layout
from densitycam.errors import DensitycamError

PAPERS = tuple(PAPER_SIZES_MM)


@pytest.fixture(scope="module", params=PAPERS)
def layout(request):
    return card_layout(request.param)


@pytest.fixture(scope="module")
def pixels(layout):
    return card_pixels(layout, 10.0)


def _detector():
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    return cv2.aruco.ArucoDetector(dictionary, parameters)


def test_every_marker_is_found_where_the_table_says(layout, pixels):
    corners, ids, _ = _detector().detectMarkers(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY))
    found = {int(n): c[0] for n, c in zip(ids.ravel(), corners, strict=True)}
    assert sorted(found) == [m.id for m in layout.markers]
    for marker in layout.markers:
        r = marker.rect
        want = [
            (r.x_mm, r.y_mm),
            (r.right_mm, r.y_mm),
            (r.right_mm, r.bottom_mm),
            (r.x_mm, r.bottom_mm),
        ]
        # OpenCV's coordinates run through pixel centres, half a pixel off the edges' ones.
        got = (found[marker.id] + 0.5) / 10.0
        np.testing.assert_allclose(got, want, rtol=0, atol=0.05)


def test_the_picture_has_the_sheets_size(layout, pixels):
    assert pixels.shape == (round(layout.height_mm * 10), round(layout.width_mm * 10), 3)
    assert pixels.dtype == np.uint8


@pytest.mark.parametrize("px_per_mm", [10.0, 7.3])
def test_patches_have_their_colour_up_to_the_last_whole_pixel(layout, px_per_mm):
    picture = card_pixels(layout, px_per_mm)
    patches = layout.grey_left + layout.grey_right + layout.colours + layout.bars
    for patch in patches:
        r = patch.rect
        x0, x1 = np.ceil(r.x_mm * px_per_mm - 1e-6), np.floor(r.right_mm * px_per_mm + 1e-6)
        y0, y1 = np.ceil(r.y_mm * px_per_mm - 1e-6), np.floor(r.bottom_mm * px_per_mm + 1e-6)
        inside = picture[int(y0) : int(y1), int(x0) : int(x1)].reshape(-1, 3)
        assert inside.size
        assert np.array_equal(inside.min(axis=0), patch.srgb), patch.name
        assert np.array_equal(inside.max(axis=0), patch.srgb), patch.name


def test_an_edge_between_pixels_shares_its_pixel(layout):
    # 7.3 px/mm puts the bars' edges at fractions of a pixel: coverage must show there.
    picture = card_pixels(layout, 7.3)
    bar = layout.bars[2].rect  # black with white above and below
    column = picture[:, round((bar.x_mm + bar.width_mm / 3) * 7.3), 0].astype(float)
    y0, y1 = round((bar.y_mm - 4) * 7.3), round((bar.bottom_mm + 4) * 7.3)
    black = (255.0 - column[y0:y1]).sum() / 255.0
    assert black / 7.3 == pytest.approx(bar.height_mm, rel=0, abs=0.01)
    centre = ((255.0 - column[y0:y1]) * (np.arange(y0, y1) + 0.5)).sum() / (255.0 * black)
    assert centre / 7.3 == pytest.approx(bar.y_mm + bar.height_mm / 2, rel=0, abs=0.01)


def test_no_paper_shines_through_between_neighbouring_steps(layout):
    picture = card_pixels(layout, 7.3)
    for column in (layout.grey_left, layout.grey_right):
        r = column[0].rect
        line = picture[
            round(column[1].rect.y_mm * 7.3) + 1 : round(column[-1].rect.bottom_mm * 7.3) - 1,
            round((r.x_mm + r.width_mm / 2) * 7.3),
            0,
        ].astype(int)
        assert np.diff(line).max() <= 0  # it only gets darker


def test_text_and_lines_keep_clear_of_everything_measured(layout, pixels):
    figure = draw_card(layout, px_per_mm=10.0)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    texts = [t for t in figure.findobj(Text) if t.get_text()]
    assert len(texts) > 25
    module = layout.markers[0].rect.width_mm / 8
    kept_free = [(f"marker {m.id}", m.rect, module) for m in layout.markers]
    kept_free += [
        (p.name, p.rect, 0.5) for p in layout.grey_left + layout.grey_right + layout.colours
    ]
    kept_free += [("bars", layout.bar_field, 1.0)]
    boxes = []
    for text in texts:
        box = text.get_window_extent(renderer)
        left, right = box.x0 / 10, box.x1 / 10
        top, bottom = layout.height_mm - box.y1 / 10, layout.height_mm - box.y0 / 10
        assert left >= 4.5, text.get_text()  # most home printers leave 3 to 5 mm blank
        assert right <= layout.width_mm - 4.5, text.get_text()
        assert top >= 5, text.get_text()
        assert bottom <= layout.height_mm - 5, text.get_text()
        for name, r, clear in kept_free:
            apart = max(r.x_mm - right, left - r.right_mm, r.y_mm - bottom, top - r.bottom_mm)
            assert apart >= clear, f"{text.get_text()!r} is {apart:.2f} mm from {name}"
        for other, (l2, r2, t2, b2) in boxes:
            apart = max(l2 - right, left - r2, t2 - bottom, top - b2)
            assert apart > 0, f"{text.get_text()!r} overlaps {other!r}"
        boxes.append((text.get_text(), (left, right, top, bottom)))
    # The gaps round grey steps and bars are read as paper white: nothing is printed in them.
    field, top = layout.bar_field, layout.grey_left[0].rect.y_mm
    for x0, x1 in (
        (layout.colours[0].rect.right_mm, layout.grey_left[0].rect.x_mm),
        (layout.grey_left[0].rect.right_mm, field.x_mm),
        (field.right_mm, layout.grey_right[0].rect.x_mm),
        (layout.grey_right[0].rect.right_mm, layout.colours[-1].rect.x_mm),
    ):
        gap = pixels[
            round(top * 10) : round(field.bottom_mm * 10) - 1,
            round(x0 * 10) + 1 : round(x1 * 10) - 1,
        ]
        assert gap.size
        assert gap.min() == 255, (x0, x1)
    # And in the picture itself: the quiet zone round every marker is paper.
    for marker in layout.markers:
        r = marker.rect
        x0, y0 = round((r.x_mm - module) * 10) + 1, round((r.y_mm - module) * 10) + 1
        x1, y1 = round((r.right_mm + module) * 10) - 1, round((r.bottom_mm + module) * 10) - 1
        around = pixels[y0:y1, x0:x1].copy()
        around[18:-18, 18:-18] = 255  # the marker and its shared edge pixels
        assert around.min() == 255, marker.id


def test_the_ruler_is_100_mm_from_first_to_last_tick(layout, pixels):
    r = layout.ruler
    row = pixels[round((r.y_mm + 1.0) * 10), :, 0]
    dark = np.flatnonzero(row < 200)
    inside = dark[(dark > r.x_mm * 10 - 5) & (dark < r.right_mm * 10 + 5)]
    assert (inside.max() - inside.min()) / 10 == pytest.approx(100.0, rel=0, abs=0.2)
    starts = np.count_nonzero(np.diff(inside) > 1) + 1
    assert starts == 101


def test_the_three_steps_stand_on_the_sheet(layout):
    words = " ".join(t.get_text().replace("\n", " ") for t in draw_card(layout).findobj(Text))
    for phrase in (
        "Print at 100 %",
        "matt paper",
        "must measure 100 mm",
        "Fold the strip forward",
        "base line",
        "upright to something stiff",
        "back on the gap line",
        "about half a metre",
        "no flash",
        f"layout {layout.version}",
    ):
        assert phrase in words


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="needs pdfinfo (poppler-utils)")
@pytest.mark.parametrize(
    ("paper", "size"),
    # ISO 216 and ANSI/ASME Y14.1 sizes at 72 points an inch.
    [("a4", "841.89 x 595.276 pts (A4)"), ("letter", "792 x 612 pts (letter)")],
)
def test_pdfinfo_gives_the_exact_page(tmp_path, paper, size):
    write_card_pdf(card_layout(paper), tmp_path / "card.pdf")
    said = subprocess.run(
        ["pdfinfo", str(tmp_path / "card.pdf")], capture_output=True, text=True, check=True
    ).stdout
    assert re.search(r"Page size: +(.*)", said).group(1) == size
    assert re.search(r"Pages: +(\d+)", said).group(1) == "1"


def test_pdf_page_box_and_vectors(tmp_path, layout):
    write_card_pdf(layout, tmp_path / "card.pdf")
    raw = (tmp_path / "card.pdf").read_bytes()
    box = [float(v) for v in re.search(rb"/MediaBox \[([^\]]*)\]", raw).group(1).split()]
    want = [0, 0, layout.width_mm / 25.4 * 72, layout.height_mm / 25.4 * 72]
    np.testing.assert_allclose(box, want, rtol=0, atol=0.001)
    assert b"/Subtype /Image" not in raw  # vectors, sharp on any printer
    assert b"CreationDate" not in raw
    # One bar's edges in the page's own drawing orders, in points from the bottom left.
    pages = b"".join(
        zlib.decompress(part)
        for part in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", raw, re.DOTALL)
        if part[:1] == b"x"
    )
    bar = layout.bars[0].rect
    x = bar.x_mm / 25.4 * 72
    y = (layout.height_mm - bar.y_mm) / 25.4 * 72
    moves = np.array(
        [[float(a), float(b)] for a, b in re.findall(rb"([\d.]+) ([\d.]+) m\n", pages)]
    )
    assert np.abs(moves - (x, y)).max(axis=1).min() < 0.001


def test_same_bytes_every_time(tmp_path, layout):
    for n in (1, 2):
        write_card_pdf(layout, tmp_path / f"{n}.pdf")
        write_card_png(layout, tmp_path / f"{n}.png", 4.0)
    assert (tmp_path / "1.pdf").read_bytes() == (tmp_path / "2.pdf").read_bytes()
    assert (tmp_path / "1.png").read_bytes() == (tmp_path / "2.png").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["1.pdf", "1.png", "2.pdf", "2.png"]


def test_png_is_the_pixels_and_knows_its_scale(tmp_path, layout):
    write_card_png(layout, tmp_path / "card.png", 4.0)
    with Image.open(tmp_path / "card.png") as picture:
        assert picture.mode == "RGB"
        assert picture.info["dpi"] == pytest.approx((101.6, 101.6), rel=0, abs=0.01)
        assert np.array_equal(np.asarray(picture), card_pixels(layout, 4.0))


def test_marker_bits_have_a_black_border_and_differ():
    bits = [marker_bits(m.id) for paper in PAPERS for m in card_layout(paper).markers]
    for one in bits:
        assert one.shape == (8, 8)
        assert not one[[0, -1]].any()
        assert not one[:, [0, -1]].any()
        assert one[1:-1, 1:-1].any()
    assert len({one.tobytes() for one in bits}) == len(bits)


def test_json_holds_the_whole_table(layout):
    table = json.loads(json.dumps(layout_json(layout)))
    assert (table["width_mm"], table["height_mm"]) == PAPER_SIZES_MM[layout.paper]
    assert len(table["markers"]) == len(layout.markers) == 11
    assert len(table["bars"]) == 16
    assert len(table["grey_steps"]["left"]) == len(table["grey_steps"]["right"]) >= 8
    assert {p["name"] for p in table["colour_patches"]} == {p.name for p in layout.colours}
    assert table["base_line_y_mm"] == layout.base_line_y_mm
    assert table["standing_place"]["gap_mm"] == layout.gap_mm
    assert table["standing_place"]["y_mm"] == layout.base_line_y_mm + layout.gap_mm
    assert table["ruler"]["width_mm"] == 100.0
    names = [p["name"] for p in table["bars"] + table["colour_patches"]]
    names += [p["name"] for side in table["grey_steps"].values() for p in side]
    assert len(set(names)) == len(names)
    for patch in table["colour_patches"]:
        assert len(patch["reflectance"]) == 3
        assert all(0 < value < 1 for value in patch["reflectance"])


def test_a_missing_folder_is_said_plainly(tmp_path, layout):
    with pytest.raises(DensitycamError, match=r"Cannot write .*card\.pdf"):
        write_card_pdf(layout, tmp_path / "nowhere" / "card.pdf")


def test_a_folder_is_not_a_file(tmp_path, layout):
    with pytest.raises(DensitycamError, match="is a folder"):
        write_card_pdf(layout, tmp_path)


@pytest.mark.parametrize("px_per_mm", [0.0, -1.0, 41.0, float("nan")])
def test_resolution_outside_its_range(layout, px_per_mm):
    with pytest.raises(ValueError, match="px_per_mm"):
        card_pixels(layout, px_per_mm)
