"""The picture in which a keeper checks a slide photo shows every square and cell."""

from __future__ import annotations

import math

import numpy as np
import pytest

from densitycam.counting.slide_photo import FoundCell, SlidePhoto, SquareCount, corrected
from densitycam.report.slide_picture import (
    COUNTED_RGB,
    LEFT_OUT_RGB,
    ON_LINE_RGB,
    slide_lines,
    slide_picture,
)


def photo_of_two() -> SlidePhoto:
    def square(number: int, x: float, found: int, on_lines: int, left_out: int) -> SquareCount:
        corners = ((x, 80.0), (x + 300.0, 80.0), (x + 300.0, 380.0), (x, 380.0))
        return SquareCount(number, corners, found, on_lines, left_out)

    cells = (
        FoundCell(200.0, 200.0, 10.0, 1, False),
        FoundCell(250.0, 80.0, 10.0, 1, True),
        FoundCell(500.0, 380.0, 10.0, None, True),
        FoundCell(20.0, 20.0, 10.0, None, False),
    )
    return SlidePhoto(
        "improved-neubauer", "group", (square(1, 60.0, 2, 1, 0), square(2, 360.0, 0, 0, 1)),
        cells, 1.5, 3.0, 6.7, 0.01,
    )  # fmt: skip


def near(picture: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    return (np.abs(picture.astype(int) - colour).sum(axis=2) < 25).sum()


def test_cells_are_ringed_by_how_they_count():
    rgb = np.full((480, 760, 3), 200, np.uint8)
    picture = slide_picture(rgb, photo_of_two(), title="left jar")
    photo_part = picture[: int(picture.shape[0] * 0.75)]
    for colour in (COUNTED_RGB, ON_LINE_RGB, LEFT_OUT_RGB):
        assert near(photo_part, colour) > 20
    # The cell outside all squares is not ringed: without the others nothing is.
    alone = slide_picture(
        rgb, SlidePhoto(**{**vars(photo_of_two()), "cells": photo_of_two().cells[3:]})
    )
    part = alone[: photo_part.shape[0]]
    for colour in (COUNTED_RGB, ON_LINE_RGB, LEFT_OUT_RGB):
        assert near(part, colour) < near(photo_part, colour) / 4


def test_a_picture_of_another_kind_is_refused():
    with pytest.raises(ValueError, match="uint8 RGB"):
        slide_picture(np.zeros((480, 760)), photo_of_two())


def test_the_text_says_counts_rule_and_corrections():
    words = dict(slide_lines(photo_of_two()))
    assert words["Squares"] == "1: 2   2: 0"
    assert "0.04 mm2" in words["Slide"]
    assert "top or left" in words["Edges"]
    assert "1 counted on lines" in words["Edges"]
    assert words["Cells"].startswith("2 in all, about 6.7 um")
    mended = dict(slide_lines(corrected(photo_of_two(), {2: 3})))
    assert mended["Corrected"] == "square 2 from 0 to 3"
    assert mended["Cells"].startswith("5 in all")
    empty = SlidePhoto(**{**vars(photo_of_two()), "cells": (), "diameter_um": math.nan})
    assert "nan" not in dict(slide_lines(empty))["Cells"]
