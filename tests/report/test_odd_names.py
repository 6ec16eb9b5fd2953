"""Whatever a vessel or a photo is called, every chart and label is drawn, and stays a picture."""

from __future__ import annotations

import xml.dom.minidom
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import pytest

from densitycam.calibration.drift import SlideCheck, control_chart
from densitycam.calibration.species import load_species
from densitycam.card.tag_drawing import write_tags_pdf
from densitycam.card.tags import tag_sheets
from densitycam.culture.series import DensityPoint, Split
from densitycam.journal.bottle_records import BottleRecord
from densitycam.report.bottle_label import label_words, write_labels
from densitycam.report.calibration_plot import PlotPoint, write_calibration_plot
from densitycam.report.control_chart import write_control_chart
from densitycam.report.growth_chart import ChartPanel, write_growth_charts
from densitycam.report.growth_svg import growth_svg

BEGIN = datetime(2026, 3, 2, 8)
NAMES = {
    "dollar": "$",
    "formula": "a $\\x$ b",
    "signs": "_^\\{ %d {0} &<>\"'#",
    "long": "left jar by the window " * 9,
    "one long word": "x" * 200,
    "picture": "left\U0001f33fjar",
    "right to left": "\u05d0\u05d1\u05d2 \u0635\u0646\u062f jar",
    "lines": "left\njar\r\nx",
    "bell and escape": "a\x00b\x07c\x1b[31m",
    "bytes of a file name": "caf\udce9",
}
odd = pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)


def panel(name: str) -> ChartPanel:
    return ChartPanel(
        title=f"{name}, Nannochloropsis",
        points=[
            DensityPoint(BEGIN + timedelta(days=d), 1e6 * 1.4**d, 8e5 * 1.4**d, 1.2e6 * 1.4**d, 0.1)
            for d in range(6)
        ],
        splits=(Split(BEGIN + timedelta(days=3.5), 0.25),),
        harvest_low=2e6,
        harvest_high=6e6,
    )


def drawn(path: Path) -> None:
    """Fail unless a file is a picture whose lower part is not blank, or well-formed SVG."""
    if path.suffix == ".svg":
        xml.dom.minidom.parse(str(path))
    elif path.suffix == ".png":
        picture = cv2.imread(str(path))
        height = picture.shape[0]
        assert (picture[height // 2 : 3 * height // 4] < 200).any()
    else:
        assert path.read_bytes().startswith(b"%PDF-")


@odd
@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_charts(name, suffix, tmp_path: Path):
    grown, fitted, slides = (tmp_path / f"{n}{suffix}" for n in ("grown", "fitted", "slides"))
    write_growth_charts(grown, [panel(name)])
    write_calibration_plot(
        fitted,
        title=f"Nannochloropsis, vessel {name}",
        points=[
            PlotPoint(name, 1e6 * k, 9e5 * k, 1.1e6 * k, 1e6 * k, 9e5 * k, 1.2e6 * k, off=off)
            for k, off in ((1, 1.0), (2, 1.0), (3, 2.0))
        ],
        range_low=5e5,
        range_high=4e6,
    )
    checks = [SlideCheck(name, 1e6, 1.05e6, 0.1)] * 3 + [SlideCheck(name, 9e6, 1.05e6, 0.1)]
    write_control_chart(slides, title=f"Slides of {name}", chart=control_chart(checks))
    for path in (grown, fitted, slides):
        drawn(path)


@odd
def test_labels_and_tags(name, tmp_path: Path):
    bottle = BottleRecord("nannochloropsis", BEGIN, 250, 1e7, 9e6, 1.1e7, vessel=name, number=1)
    facts = {"nannochloropsis": load_species("nannochloropsis")}
    for suffix in (".png", ".pdf"):
        write_labels([bottle], facts, tmp_path / f"label{suffix}")
        drawn(tmp_path / f"label{suffix}")
    write_tags_pdf(tag_sheets([(100, name), (101, "slim")]), tmp_path / "tags.pdf")
    drawn(tmp_path / "tags.pdf")


@odd
def test_the_chart_of_the_page(name):
    text = growth_svg(panel(name), width=780, height=330, ident="x")
    xml.dom.minidom.parseString(text.encode())


def test_a_long_word_is_not_left_out_of_a_label():
    bottle = BottleRecord("nannochloropsis", BEGIN, 250, vessel="x" * 200, number=1)
    assert "from xxxxx" in label_words(bottle, load_species("nannochloropsis"))["facts"]
