"""The printed sheet as plain data: every marker, bar, step and patch in millimetres.

All places are measured from the sheet's top left corner, x to the right, y down, with the
sheet lying landscape. To change the card, change this file and raise `LAYOUT_VERSION`.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Edition of the layout, the same for all paper formats; the marker ids tell it.
LAYOUT_VERSION = 1

#: OpenCV's name of the marker dictionary (36 bits: see DEVELOPERS.md for why).
MARKER_DICTIONARY = "DICT_ARUCO_MIP_36h12"

#: First marker id of each paper format. A later layout version takes blocks that are free.
MARKER_ID_BASE = {"a4": 0, "letter": 16}

#: Sheet sizes, landscape, width x height [mm] (ISO 216; ANSI/ASME Y14.1 for Letter).
PAPER_SIZES_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}

#: Linear reflectance, relative to bare paper, of the darkest print on matt paper.
#: Common practice, no source; registering the own print replaces it.
PRINT_BLACK_REFLECTANCE = 0.035

#: Measures of this edition [mm], our own; DEVELOPERS.md says why bars are so high, and the gap.
_BAR_HEIGHT_MM = 10.0
_BAR_COUNT = 16
_BAR_FIELD_WIDTH_MM = 180.0
_CONTENT_WIDTH_MM = 265.0
_BASE_LINE_Y_MM = 186.0
_STAND_GAP_MM = 12.0
_MARKER_SIZE_MM = 16.0
_TOP_MARKER_Y_MM = 7.0

#: sRGB codes of the grey steps, from paper to the darkest print: about even steps to the eye.
_GREY_CODES = (255, 225, 195, 167, 140, 113, 87, 61, 34, 0)

#: Our own colours: name, sRGB code. They span pale to deep green, gold, brown and red cultures
#: and keep inside what a home printer can print.
_COLOUR_CODES = (
    ("haze green", (214, 230, 196)),
    ("leaf green", (141, 184, 92)),
    ("pond green", (83, 133, 52)),
    ("deep green", (44, 82, 38)),
    ("lime", (190, 201, 70)),
    ("sea green", (96, 160, 128)),
    ("straw", (236, 217, 160)),
    ("amber", (205, 157, 74)),
    ("rust brown", (140, 90, 45)),
    ("dark brown", (84, 58, 38)),
    ("rose", (222, 160, 150)),
    ("brick red", (160, 72, 62)),
)


@dataclass(frozen=True)
class Rect:
    """An upright rectangle on the sheet.

    Parameters
    ----------
    x_mm, y_mm : float
        Left and top edge, from the sheet's top left corner [mm].
    width_mm, height_mm : float
        Size [mm].
    """

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float

    @property
    def right_mm(self) -> float:
        """Right edge [mm]."""
        return self.x_mm + self.width_mm

    @property
    def bottom_mm(self) -> float:
        """Bottom edge [mm]."""
        return self.y_mm + self.height_mm


@dataclass(frozen=True)
class Marker:
    """A printed marker.

    Parameters
    ----------
    id : int
        In `MARKER_DICTIONARY`, 0 to 249.
    rect : Rect
        Its black outer square [mm].
    """

    id: int
    rect: Rect


@dataclass(frozen=True)
class Patch:
    """A printed area of one colour.

    Parameters
    ----------
    name : str
        Our own name, unique on the sheet.
    rect : Rect
        Where it lies.
    srgb : tuple of int
        The 8-bit sRGB code it is printed with, three values 0 to 255.
    reflectance : tuple of float
        Nominal linear reflectance relative to bare paper, red, green, blue, 0 to 1.
    """

    name: str
    rect: Rect
    srgb: tuple[int, int, int]
    reflectance: tuple[float, float, float]


@dataclass(frozen=True)
class CardLayout:
    """One edition of the card.

    Parameters
    ----------
    paper : {"a4", "letter"}
        Sheet format; the sheet lies landscape.
    version : int
        Layout edition.
    width_mm, height_mm : float
        Sheet size [mm].
    markers : tuple of Marker
        Fiducials.
    bar_field : Rect
        The whole field of horizontal bars; its bottom edge is the base line.
    bars : tuple of Patch
        The bars from the base line upward, black first, then white, alternating.
    grey_left, grey_right : tuple of Patch
        The grey steps at both sides, paper first, darkest print last; same steps in both.
    colours : tuple of Patch
        Colour patches.
    base_line_y_mm : float
        The base line: the fold, on which the sheet meets the shelf [mm].
    gap_mm : float
        From the fold to the gap line, at which the vessel's back stands [mm].
    stand : Rect
        The vessel's standing place on the strip folded forward, its top edge the gap line.
    ruler : Rect
        The 100 mm ruler; its width is 100 mm exactly.
    """

    paper: str
    version: int
    width_mm: float
    height_mm: float
    markers: tuple[Marker, ...]
    bar_field: Rect
    bars: tuple[Patch, ...]
    grey_left: tuple[Patch, ...]
    grey_right: tuple[Patch, ...]
    colours: tuple[Patch, ...]
    base_line_y_mm: float
    gap_mm: float
    stand: Rect
    ruler: Rect


def _nominal_reflectance(code: int) -> float:
    """Linear reflectance relative to paper of a print of 8-bit sRGB `code` (IEC 61966-2-1)."""
    s = code / 255.0
    linear = s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4
    return PRINT_BLACK_REFLECTANCE + (1.0 - PRINT_BLACK_REFLECTANCE) * linear


def _patch(name: str, rect: Rect, srgb: tuple[int, int, int]) -> Patch:
    r, g, b = (_nominal_reflectance(c) for c in srgb)
    return Patch(name=name, rect=rect, srgb=srgb, reflectance=(r, g, b))


def _grey_column(side: str, x_mm: float, top_mm: float) -> tuple[Patch, ...]:
    return tuple(
        _patch(f"grey {side} {n + 1}", Rect(x_mm, top_mm + 16.0 * n, 18.0, 16.0), (c, c, c))
        for n, c in enumerate(_GREY_CODES)
    )


def card_layout(paper: str = "a4") -> CardLayout:
    """Return the card's layout for a paper format.

    Parameters
    ----------
    paper : {"a4", "letter"}, default "a4"
        Sheet format.

    Returns
    -------
    CardLayout
        The sheet as plain data.

    Raises
    ------
    ValueError
        For another paper format.
    """
    if paper not in PAPER_SIZES_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPER_SIZES_MM)}, not {paper!r}")
    width, height = PAPER_SIZES_MM[paper]
    left = round((width - _CONTENT_WIDTH_MM) / 2, 3)
    right = left + _CONTENT_WIDTH_MM
    stand_y = _BASE_LINE_Y_MM + _STAND_GAP_MM
    centre = width / 2
    bars_top = _BASE_LINE_Y_MM - _BAR_COUNT * _BAR_HEIGHT_MM
    field_left = round(centre - _BAR_FIELD_WIDTH_MM / 2, 3)

    size = _MARKER_SIZE_MM
    step = (_CONTENT_WIDTH_MM - size) / 4
    side_ys = tuple(_BASE_LINE_Y_MM - size - 3.0 - 52.0 * n for n in (2, 1, 0))
    places = [(round(left + step * n, 3), _TOP_MARKER_Y_MM) for n in range(5)]
    places += [(left, y) for y in side_ys] + [(round(right - size, 3), y) for y in side_ys]
    base_id = MARKER_ID_BASE[paper]
    markers = tuple(Marker(base_id + n, Rect(x, y, size, size)) for n, (x, y) in enumerate(places))

    bars = []
    for n in range(_BAR_COUNT):
        code = 0 if n % 2 == 0 else 255
        y = _BASE_LINE_Y_MM - (n + 1) * _BAR_HEIGHT_MM
        rect = Rect(field_left, y, _BAR_FIELD_WIDTH_MM, _BAR_HEIGHT_MM)
        bars.append(_patch(f"bar {n + 1}", rect, (code, code, code)))

    # Colour patches fill the outer columns between the markers, six a side.
    colours = []
    for n, (name, srgb) in enumerate(_COLOUR_CODES):
        column, row = divmod(n, 6)
        x = left if column == 0 else round(right - size, 3)
        block, place = divmod(row, 2)
        y = side_ys[block] + size + 3.0 + 15.0 * place if block < 2 else 0.0
        if block == 2:  # above the upper side marker, under the top strip
            y = side_ys[0] - 3.0 - 15.0 * (2 - place)
        colours.append(_patch(name, Rect(x, y, size, 15.0), srgb))

    return CardLayout(
        paper=paper,
        version=LAYOUT_VERSION,
        width_mm=width,
        height_mm=height,
        markers=markers,
        bar_field=Rect(field_left, bars_top, _BAR_FIELD_WIDTH_MM, _BAR_COUNT * _BAR_HEIGHT_MM),
        bars=tuple(bars),
        grey_left=_grey_column("left", round(left + 20.5, 3), bars_top),
        grey_right=_grey_column("right", round(right - 38.5, 3), bars_top),
        colours=tuple(colours),
        base_line_y_mm=_BASE_LINE_Y_MM,
        gap_mm=_STAND_GAP_MM,
        stand=Rect(round(centre - 60.0, 3), stand_y, 120.0, round(height - stand_y, 3)),
        ruler=Rect(round(centre - 50.0, 3), _BASE_LINE_Y_MM + 1.5, 100.0, 5.0),
    )
