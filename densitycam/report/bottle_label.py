"""Labels for harvest bottles, drawn for the printer: a sheet of them as PDF, or a PNG."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from densitycam.atomic_file import write_whole
from densitycam.calibration.species import SpeciesFacts
from densitycam.culture.bottles import SHAKE_DAYS
from densitycam.errors import DensitycamError
from densitycam.journal.bottle_records import BottleRecord
from densitycam.report.daily_work import bottle_density, day_words
from densitycam.report.figures import (
    GREY,
    INK,
    SETTINGS,
    VERMILION,
    boxes_for_missing_letters,
)
from densitycam.report.numbers import format_ml
from densitycam.wording import days_words, one_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.text import Text

__all__ = ["LABEL_SIZE_MM", "label_words", "write_labels"]

#: One label, width x height [mm]: fits on a half-litre bottle, ten on a sheet.
LABEL_SIZE_MM = (92.0, 50.0)

#: Columns and rows of labels on a sheet of either paper.
_ACROSS, _DOWN = 2, 5

#: Sheets that a printer takes, upright [mm] (ISO 216; ANSI/ASME Y14.1).
SHEETS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}

#: Letters of a vessel's name that fit; more would make the line too small to read.
_LONGEST_NAME = 20

_MM_PER_INCH = 25.4
_PNG_DPI = 300


def label_words(bottle: BottleRecord, facts: SpeciesFacts) -> dict[str, str]:
    """Return what stands on a bottle's label, by its place on it.

    Parameters
    ----------
    bottle : BottleRecord
        As it was filled.
    facts : SpeciesFacts
        Of its species; say how long it keeps.

    Returns
    -------
    dict of str to str
        "number", "species", "density", "facts", "use_by", "keeping", "caution".
    """
    use_by: datetime = bottle.filled_at + timedelta(days=facts.keep_cold_days)
    vessel = one_line(bottle.vessel or "", _LONGEST_NAME)
    origin = f" from {vessel}" if vessel else ""
    density = bottle_density(bottle)
    return {
        "number": str(bottle.number),
        "species": facts.title,
        "density": density[:1].upper() + density[1:],
        "facts": f"{format_ml(bottle.volume_ml)}{origin}, filled {day_words(bottle.filled_at)}",
        "use_by": "DO NOT FEED" if bottle.suspect else f"use by {use_by:%Y-%m-%d}",
        "keeping": f"2 to 6 C, dark, lid loose, never frozen. Shake gently every "
        f"{days_words(SHAKE_DAYS)}.",
        "caution": "Suspect: not to be fed. Not for human consumption."
        if bottle.suspect
        else "Live microalgae, to feed to animals. Not for human consumption.",
    }


def write_labels(
    bottles: Sequence[BottleRecord],
    facts: dict[str, SpeciesFacts],
    path: str | Path,
    *,
    paper: str = "a4",
) -> None:
    """Write labels to print at 100 % and cut out.

    Parameters
    ----------
    bottles : sequence of BottleRecord
        At least one; ten go on a sheet.
    facts : dict of str to SpeciesFacts
        By species id.
    path : str or Path
        Ends in .pdf for sheets of paper, in .png for a picture of the labels one under another.
    paper : {"a4", "letter"}
        Of the PDF.

    Raises
    ------
    DensitycamError
        For another suffix, or where the file cannot be written.
    """
    import matplotlib

    suffix = Path(path).suffix.lower()
    if suffix not in (".pdf", ".png"):
        raise DensitycamError(
            f"A label is a PDF or a PNG: {path} ends in neither.", "Name it .pdf or .png."
        )
    words = [label_words(bottle, facts[bottle.species]) for bottle in bottles]
    stream = io.BytesIO()
    with matplotlib.rc_context(SETTINGS), boxes_for_missing_letters():
        if suffix == ".pdf":
            from matplotlib.backends.backend_pdf import PdfPages

            metadata = {"Title": "densitycam bottle labels", "Creator": "densitycam"}
            with PdfPages(stream, metadata={**metadata, "CreationDate": None}) as pages:
                for first in range(0, len(words), _ACROSS * _DOWN):
                    pages.savefig(_sheet(words[first : first + _ACROSS * _DOWN], paper))
        else:
            width, height = LABEL_SIZE_MM
            figure = _blank_figure(width + 4.0, height * len(words) + 4.0)
            for n, label in enumerate(words):
                _draw(figure, label, 2.0, 2.0 + n * height)
            figure.savefig(stream, format="png", dpi=_PNG_DPI, metadata={"Software": "densitycam"})
    write_whole(path, stream.getvalue())


def _blank_figure(width_mm: float, height_mm: float) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(width_mm / _MM_PER_INCH, height_mm / _MM_PER_INCH), facecolor="white")


def _sheet(words: Sequence[dict[str, str]], paper: str) -> Figure:
    """Draw one sheet of labels, filled from the top."""
    page_width, page_height = SHEETS_MM[paper]
    width, height = LABEL_SIZE_MM
    left = (page_width - _ACROSS * width) / 2
    top = (page_height - _DOWN * height) / 2
    figure = _blank_figure(page_width, page_height)
    for n, label in enumerate(words):
        down, across = divmod(n, _ACROSS)
        _draw(figure, label, left + across * width, top + down * height)
    return figure


def _draw(figure: Figure, words: dict[str, str], left_mm: float, top_mm: float) -> None:
    """Draw one label: the number to call it by at the left, what is in it at the right."""
    from matplotlib.patches import Rectangle

    width_in, height_in = figure.get_size_inches()
    page_width, page_height = width_in * _MM_PER_INCH, height_in * _MM_PER_INCH
    width, height = LABEL_SIZE_MM

    def at(x_mm: float, y_mm: float) -> tuple[float, float]:
        return (left_mm + x_mm) / page_width, 1 - (top_mm + y_mm) / page_height

    def word(
        text: str, x: float, y: float, points: float, *, bold: bool = False,
        colour: str = INK, ha: str = "left", room_mm: float = math.inf,
    ) -> None:  # fmt: skip
        artist = figure.text(
            *at(x, y),
            text,
            fontsize=points,
            fontweight="bold" if bold else "normal",
            color=colour,
            ha=ha,
            va="baseline",
            parse_math=False,
        )
        _shrink(figure, artist, room_mm)

    def box(x: float, y: float, w: float, h: float, *, face: str, edge: str, line: float) -> None:
        figure.add_artist(
            Rectangle(
                at(x, y + h),
                w / page_width,
                h / page_height,
                facecolor=face,
                edgecolor=edge,
                linewidth=line,
                transform=figure.transFigure,
            )
        )

    box(0.0, 0.0, width, height, face="none", edge="#9AA5A6", line=0.4)  # where to cut
    bad = words["use_by"] == "DO NOT FEED"
    box(4.0, 4.0, 19.0, 27.0, face="none", edge=INK, line=0.9)
    word("bottle", 13.5, 8.4, 7.5, colour=GREY, ha="center")
    word(words["number"], 13.5, 22.5, 30.0, bold=True, ha="center", room_mm=16.0)
    word("densitycam", 13.5, 28.6, 5.5, colour=GREY, ha="center")
    room = width - 26.0 - 4.0
    word(words["species"], 26.0, 9.4, 14.0, bold=True, room_mm=room)
    word(words["density"], 26.0, 16.6, 11.0, room_mm=room)
    word(words["facts"], 26.0, 22.6, 8.5, room_mm=room)
    word(words["use_by"], 26.0, 30.4, 14.0, bold=True, colour=VERMILION if bad else INK)
    box(4.0, 34.0, width - 8.0, 0.01, face="none", edge=GREY, line=0.5)
    word(words["keeping"], 4.0, 39.4, 7.6, room_mm=width - 8.0)
    word(words["caution"], 4.0, 44.8, 7.6, bold=True, room_mm=width - 8.0)


def _shrink(figure: Figure, artist: Text, room_mm: float) -> None:
    """Make a line smaller where it is longer than its room: names are as long as they are."""
    if not math.isfinite(room_mm):
        return
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    renderer = FigureCanvasAgg(figure).get_renderer()
    wide = artist.get_window_extent(renderer).width / figure.dpi * _MM_PER_INCH
    if wide > room_mm:
        artist.set_fontsize(float(artist.get_fontsize()) * room_mm / wide)
