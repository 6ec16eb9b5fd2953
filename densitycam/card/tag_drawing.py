"""Draw the vessel tags: sheets as PDF at true size."""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from densitycam.atomic_file import write_whole
from densitycam.card.drawing import (
    _ACCENT,
    _INK,
    _MM_PER_INCH,
    _QUIET_INK,
    _SETTINGS,
    _fill,
    _line,
    _marker_black,
    _millimetres,
    _word,
)
from densitycam.card.tags import Tag, TagSheet
from densitycam.wording import one_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.transforms import Transform

#: Largest letters of a name in one line and in two [pt], and its room beside the marker [mm].
_NAME_POINTS, _TWO_LINES_POINTS, _NAME_ROOM_MM = 26.0, 18.0, 54.0
#: Letters after which a name goes into a second line, and those that two can be read with.
_LONG_NAME, _LONGEST_NAME = 14, 60


def draw_tags(sheet: TagSheet, *, px_per_mm: float | None = None) -> Figure:
    """Draw one sheet of tags.

    Parameters
    ----------
    sheet : TagSheet
        From `densitycam.card.tags.tag_sheets`.
    px_per_mm : float, optional
        Resolution of the figure [px/mm]; without it that of vector output.

    Returns
    -------
    matplotlib.figure.Figure
        The sheet at its true size, without pyplot.
    """
    import matplotlib
    from matplotlib.figure import Figure

    dpi = 72.0 if px_per_mm is None else px_per_mm * _MM_PER_INCH
    size = (sheet.width_mm / _MM_PER_INCH, sheet.height_mm / _MM_PER_INCH)
    with matplotlib.rc_context(_SETTINGS):
        figure = Figure(figsize=size, dpi=dpi, facecolor="white")
        mm = _millimetres(figure)
        first = sheet.tags[0].outline
        _word(
            figure, mm, first.x_mm, first.y_mm - 3.0,
            "densitycam vessel tags: print at 100 %, cut along the lines, fold in the middle, "
            "stand beside the card.",
            points=7.4, va="baseline", colour=_QUIET_INK,
        )  # fmt: skip
        for tag in sheet.tags:
            _draw(figure, mm, tag)
    return figure


def _draw(figure: Figure, mm: Transform, tag: Tag) -> None:
    o = tag.outline
    corners = [
        (o.x_mm, o.y_mm), (o.right_mm, o.y_mm), (o.right_mm, o.bottom_mm), (o.x_mm, o.bottom_mm),
        (o.x_mm, o.y_mm),
    ]  # fmt: skip
    _line(figure, mm, corners, width_mm=0.15, colour=_QUIET_INK)
    for n in range(22):  # a dashed fold
        x = o.x_mm + 4.0 * n
        _line(
            figure, mm, [(x, tag.fold_y_mm), (min(x + 2.0, o.right_mm), tag.fold_y_mm)],
            width_mm=0.15, colour=_QUIET_INK,
        )  # fmt: skip
    _fill(figure, mm, _marker_black(tag.marker), (0.0, 0.0, 0.0))
    m = tag.marker.rect
    x = m.right_mm + 7.0
    lines = _in_lines(tag.name)
    largest = _NAME_POINTS if len(lines) == 1 else _TWO_LINES_POINTS
    points = _points(figure, lines, room_mm=_NAME_ROOM_MM, largest=largest)
    step = points * 1.15 / 72.0 * _MM_PER_INCH
    middle = tag.fold_y_mm + (o.bottom_mm - tag.fold_y_mm) / 2
    for n, line in enumerate(lines):
        y = middle + (n - (len(lines) - 1) / 2) * step
        _word(figure, mm, x, y, line, points=points, va="center_baseline", colour=_INK, bold=True)
    _word(
        figure, mm, x, o.bottom_mm - 3.2, f"densitycam tag {tag.marker.id}",
        points=5.2, va="baseline", colour=_QUIET_INK,
    )  # fmt: skip
    # Behind the fold, so that the tag also tells its vessel from the other side: turned over.
    behind = " ".join(lines)
    _word(
        figure, mm, o.x_mm + o.width_mm / 2, o.y_mm + (tag.fold_y_mm - o.y_mm) / 2, behind,
        points=_points(figure, [behind], room_mm=o.width_mm - 8.0, largest=14.0),
        ha="center", va="center", colour=_ACCENT, bold=True, rotation=180.0,
    )  # fmt: skip


def _in_lines(name: str) -> list[str]:
    import textwrap

    name = one_line(name, _LONGEST_NAME)
    if len(name) <= _LONG_NAME:
        return [name]
    return textwrap.wrap(name, max(_LONG_NAME, -(-len(name) // 2)), max_lines=2, placeholder="...")


def _points(figure: Figure, lines: Sequence[str], *, room_mm: float, largest: float) -> float:
    """Return the size at which the longest line fits its room [pt]."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    renderer = FigureCanvasAgg(figure).get_renderer()
    widest = 0.0
    for line in lines:
        text = figure.text(0, 0, line, fontsize=_NAME_POINTS, fontweight="bold", parse_math=False)
        widest = max(widest, text.get_window_extent(renderer).width / figure.dpi * _MM_PER_INCH)
        text.remove()
    return min(largest, _NAME_POINTS * room_mm / max(widest, 1e-6))


def write_tags_pdf(sheets: Sequence[TagSheet], path: str | Path) -> None:
    """Write sheets of tags as one PDF of their exact size, in vectors; whole or not at all.

    Parameters
    ----------
    sheets : sequence of TagSheet
        One a page, at least one.
    path : str or Path
        The file; an older one is replaced.

    Raises
    ------
    DensitycamError
        When the file cannot be written.
    """
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages

    stream = io.BytesIO()
    about = {"Title": "densitycam vessel tags", "Creator": "densitycam", "CreationDate": None}
    with matplotlib.rc_context(_SETTINGS), warnings.catch_warnings():
        # A vessel may be named in a script the font lacks; boxes on a tag are no failure.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        with PdfPages(stream, metadata=about) as pages:
            for sheet in sheets:
                pages.savefig(draw_tags(sheet))
    write_whole(path, stream.getvalue())
