"""Vessel tags as plain data: small markers from the card's dictionary, one a vessel, on one sheet.

A tag stands beside the card or is clipped over the words at its top: anywhere in the picture but
over the bars, the grey steps, the colours and the card's own markers.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from densitycam.card.layout import PAPER_SIZES_MM, Marker, Rect

#: Marker ids of tags. Editions of the card take theirs below.
TAG_IDS = range(100, 250)

#: One tag, unfolded: the front below the fold, and as much behind it, so that it stands [mm].
TAG_WIDTH_MM, TAG_FRONT_MM = 88.0, 32.0

#: As large as the card's own, so that what shows the card shows the tag [mm].
TAG_MARKER_MM = 18.0

_ACROSS, _DOWN = 2, 4
_MARKER_X_MM = 6.0


@dataclass(frozen=True)
class Tag:
    """One vessel's tag on the sheet.

    Parameters
    ----------
    name : str
        The vessel's.
    marker : Marker
        Its id and its black outer square on the sheet.
    outline : Rect
        Where to cut.
    fold_y_mm : float
        Where to fold, from the sheet's top [mm].
    """

    name: str
    marker: Marker
    outline: Rect
    fold_y_mm: float


@dataclass(frozen=True)
class TagSheet:
    """One upright sheet of tags.

    Parameters
    ----------
    paper : {"a4", "letter"}
        Its format.
    width_mm, height_mm : float
        Its size [mm].
    tags : tuple of Tag
        From the top left on.
    """

    paper: str
    width_mm: float
    height_mm: float
    tags: tuple[Tag, ...]


def tag_sheets(tags: Sequence[tuple[int, str]], paper: str = "a4") -> tuple[TagSheet, ...]:
    """Return sheets for marker ids and the names of their vessels, eight a sheet.

    Parameters
    ----------
    tags : sequence of (int, str)
        Marker id in `TAG_IDS`, vessel's name.
    paper : {"a4", "letter"}
        Sheet format; it stands upright.

    Raises
    ------
    ValueError
        For another paper format, or an id that is none of a tag's.
    """
    if paper not in PAPER_SIZES_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPER_SIZES_MM)}, not {paper!r}")
    height, width = PAPER_SIZES_MM[paper]
    tall = 2 * TAG_FRONT_MM
    left = (width - _ACROSS * TAG_WIDTH_MM) / 2
    top = (height - _DOWN * tall) / 2
    sheets = []
    for first in range(0, len(tags), _ACROSS * _DOWN):
        placed = []
        for n, (number, name) in enumerate(tags[first : first + _ACROSS * _DOWN]):
            if number not in TAG_IDS:
                raise ValueError(
                    f"a tag's id lies from {TAG_IDS[0]} to {TAG_IDS[-1]}, not {number}"
                )
            down, across = divmod(n, _ACROSS)
            x, y = left + across * TAG_WIDTH_MM, top + down * tall
            marker_y = y + TAG_FRONT_MM + (TAG_FRONT_MM - TAG_MARKER_MM) / 2
            placed.append(
                Tag(
                    name,
                    Marker(number, Rect(x + _MARKER_X_MM, marker_y, TAG_MARKER_MM, TAG_MARKER_MM)),
                    Rect(x, y, TAG_WIDTH_MM, tall),
                    y + TAG_FRONT_MM,
                )
            )
        sheets.append(TagSheet(paper, width, height, tuple(placed)))
    return tuple(sheets)


def free_tag(taken: Iterable[int]) -> int | None:
    """Return the lowest tag id that no vessel has; None where all are taken.

    Parameters
    ----------
    taken : iterable of int
        Ids that vessels have.
    """
    used = set(taken)
    return next((number for number in TAG_IDS if number not in used), None)
