"""Draw the card: one drawing for the PDF at true size and for the PNG, and the layout as JSON."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

from densitycam.atomic_file import write_whole
from densitycam.card.layout import MARKER_DICTIONARY, CardLayout, Marker, Patch, Rect

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.figure import Figure
    from matplotlib.transforms import Transform

#: Modules across a marker, its black border included (6 x 6 bits and one module around them).
MARKER_MODULES = 8

_MM_PER_INCH = 25.4
_PDF_POINTS_PER_INCH = 72.0

#: Ink of text and lines. Lines round the measuring areas stay thin and outside them.
_INK = (0.13, 0.17, 0.18)
_QUIET_INK = (0.38, 0.43, 0.44)
_ACCENT = (0.10, 0.40, 0.44)

#: Kept free beside markers, bars and patches; at least one module of a marker.
_CLEARANCE_MM = 2.5

_STEPS = (
    (
        "Print",
        "Print at 100 %, on matt paper.\nThe ruler below must measure\n100 mm.",
    ),
    (
        "Fold and tape",
        "Fold the strip forward along the\nbase line. Tape the sheet flat and\n"
        "upright to something stiff, the\nstrip lying on the shelf.",
    ),
    (
        "Stand and snap",
        "Stand the vessel on its place, its\nback on the gap line. Photograph\n"
        "square-on from about half a metre,\nwhole sheet in view, no flash.",
    ),
)

_PAPER_WORDS = {"a4": "A4", "letter": "US Letter"}

#: Everything that a user's own matplotlib settings could bend, pinned.
# Its keys are open because matplotlib's list of them differs between its versions.
_SETTINGS: dict[Any, Any] = {
    "font.family": ["DejaVu Sans"],
    "text.usetex": False,
    "text.parse_math": False,  # a vessel may have a $ in its name
    "path.simplify": False,
    "path.sketch": None,
    "pdf.fonttype": 3,
    "pdf.compression": 6,
    "savefig.bbox": "standard",
    "savefig.facecolor": "white",
}


def _millimetres(figure: Figure) -> Transform:
    """Return sheet millimetres (origin top left, y down) -> the figure's display."""
    from matplotlib.transforms import Affine2D

    _, height_in = figure.get_size_inches()
    scale = 1.0 / _MM_PER_INCH
    return Affine2D().scale(scale, -scale).translate(0.0, height_in) + figure.dpi_scale_trans


def _fill(figure: Figure, mm: Transform, rects: list[Rect], colour: tuple[float, ...]) -> None:
    """Fill rectangles as one path, so that no hairline shows where two of them meet."""
    import numpy as np
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    vertices: list[tuple[float, float]] = []
    codes: list[np.uint8] = []
    for r in rects:
        vertices += [
            (r.x_mm, r.y_mm),
            (r.right_mm, r.y_mm),
            (r.right_mm, r.bottom_mm),
            (r.x_mm, r.bottom_mm),
            (r.x_mm, r.y_mm),
        ]
        codes += [Outline.MOVETO, Outline.LINETO, Outline.LINETO, Outline.LINETO, Outline.CLOSEPOLY]
    shape = PathPatch(
        Outline(np.array(vertices), codes), facecolor=colour, edgecolor="none", linewidth=0.0
    )
    shape.set_transform(mm)
    shape.set_snap(False)  # exact coverage at the edges instead of rounding to whole pixels
    figure.add_artist(shape)


def _line(
    figure: Figure,
    mm: Transform,
    points: list[tuple[float, float]],
    *,
    width_mm: float = 0.2,
    colour: tuple[float, float, float] = _INK,
) -> None:
    from matplotlib.lines import Line2D

    xs, ys = zip(*points, strict=True)
    figure.add_artist(
        Line2D(
            xs,
            ys,
            color=colour,
            linewidth=width_mm / _MM_PER_INCH * 72.0,
            solid_capstyle="butt",
            solid_joinstyle="miter",
            transform=mm,
            snap=False,
        )
    )


def _word(
    figure: Figure,
    mm: Transform,
    x_mm: float,
    y_mm: float,
    text: str,
    *,
    points: float,
    ha: str = "left",
    va: str = "top",
    colour: tuple[float, float, float] = _INK,
    bold: bool = False,
    rotation: float = 0.0,
) -> None:
    figure.text(
        x_mm,
        y_mm,
        text,
        fontsize=points,
        ha=ha,
        va=va,
        color=colour,
        fontweight="bold" if bold else "normal",
        rotation=rotation,
        linespacing=1.25,
        transform=mm,
    )


def marker_bits(marker_id: int) -> np.ndarray:
    """Return a marker's modules.

    Parameters
    ----------
    marker_id : int
        Id in `densitycam.card.layout.MARKER_DICTIONARY`.

    Returns
    -------
    ndarray of bool, shape (8, 8)
        True where a module is white, as OpenCV draws it.
    """
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    return cv2.aruco.generateImageMarker(dictionary, marker_id, MARKER_MODULES) > 127


def _marker_black(marker: Marker) -> list[Rect]:
    """Return the black modules of a marker as rectangles, neighbours in a row joined."""
    bits = marker_bits(marker.id)
    module = marker.rect.width_mm / MARKER_MODULES
    rects = []
    for row in range(MARKER_MODULES):
        start = None
        for column in range(MARKER_MODULES + 1):
            black = column < MARKER_MODULES and not bits[row, column]
            if black and start is None:
                start = column
            elif not black and start is not None:
                rects.append(
                    Rect(
                        marker.rect.x_mm + start * module,
                        marker.rect.y_mm + row * module,
                        (column - start) * module,
                        module,
                    )
                )
                start = None
    return rects


def _rgb(patch: Patch) -> tuple[float, float, float]:
    r, g, b = patch.srgb
    return (r / 255.0, g / 255.0, b / 255.0)


def _columns(patches: tuple[Patch, ...]) -> list[list[Patch]]:
    """Group patches that touch one another top to bottom."""
    columns: list[list[Patch]] = []
    for patch in sorted(patches, key=lambda p: (p.rect.x_mm, p.rect.y_mm)):
        above = columns[-1][-1].rect if columns else None
        if (
            above is not None
            and above.x_mm == patch.rect.x_mm
            and abs(above.bottom_mm - patch.rect.y_mm) < 1e-6
        ):
            columns[-1].append(patch)
        else:
            columns.append([patch])
    return columns


def _draw_measuring_areas(figure: Figure, mm: Transform, layout: CardLayout) -> None:
    for marker in layout.markers:
        _fill(figure, mm, [_quiet_zone(marker)], (1.0, 1.0, 1.0))
        _fill(figure, mm, _marker_black(marker), (0.0, 0.0, 0.0))
    for code in sorted({bar.srgb for bar in layout.bars}, reverse=True):
        bars = [bar for bar in layout.bars if bar.srgb == code]
        _fill(figure, mm, [bar.rect for bar in bars], _rgb(bars[0]))
    for column in _columns(layout.grey_left + layout.grey_right + layout.colours):
        # Each patch is laid from its top to the column's foot and the next one over it: no
        # paper shines through where two meet.
        foot = column[-1].rect.bottom_mm
        for patch in column:
            r = patch.rect
            _fill(figure, mm, [Rect(r.x_mm, r.y_mm, r.width_mm, foot - r.y_mm)], _rgb(patch))


def _quiet_zone(marker: Marker) -> Rect:
    module = marker.rect.width_mm / MARKER_MODULES
    r = marker.rect
    return Rect(r.x_mm - module, r.y_mm - module, r.width_mm + 2 * module, r.height_mm + 2 * module)


def _draw_patch_names(figure: Figure, mm: Transform, layout: CardLayout) -> None:
    """Name the colour patches, upright in the outer margin: the inner gap is read as paper."""
    for patch in layout.colours:
        r = patch.rect
        on_left = r.x_mm < layout.width_mm / 2
        _word(
            figure,
            mm,
            r.x_mm - 1.6 if on_left else r.right_mm + 1.6,
            r.y_mm + r.height_mm / 2,
            patch.name,
            points=4.6,
            ha="center",
            va="center",
            colour=_QUIET_INK,
            rotation=90.0 if on_left else 270.0,
        )


def _draw_heading(figure: Figure, mm: Transform, layout: CardLayout) -> None:
    """Title in the first gap between the top markers, one step of use in each of the others."""
    top = sorted(
        (m.rect for m in layout.markers if m.rect.y_mm == layout.markers[0].rect.y_mm),
        key=lambda r: r.x_mm,
    )
    lefts = [r.right_mm + _CLEARANCE_MM for r in top[:-1]]
    y = top[0].y_mm
    paper = _PAPER_WORDS[layout.paper]
    size = f"{layout.width_mm:g} x {layout.height_mm:g} mm"
    _word(
        figure,
        mm,
        lefts[0],
        y + 4.2,
        "densitycam",
        points=15,
        va="baseline",
        colour=_ACCENT,
        bold=True,
    )
    _word(figure, mm, lefts[0], y + 9.7, "photo card for microalgae", points=7.4, va="baseline")
    _word(
        figure,
        mm,
        lefts[0],
        y + 14.2,
        f"{paper}, {size}, layout {layout.version}",
        points=5.2,
        va="baseline",
        colour=_QUIET_INK,
    )
    for n, (head, body) in enumerate(_STEPS):
        x = lefts[n + 1]
        title = f"{n + 1}  {head}"
        _word(figure, mm, x, y + 2.4, title, points=8.2, va="baseline", colour=_ACCENT, bold=True)
        _word(figure, mm, x, y + 4.4, body, points=6.4)


def _draw_base_line(figure: Figure, mm: Transform, layout: CardLayout) -> None:
    """Draw the fold just under the bars, its word, and the gap in millimetres."""
    y = layout.base_line_y_mm
    thickness = 0.25
    edge = 5.0
    _line(
        figure,
        mm,
        [(edge, y + thickness / 2), (layout.width_mm - edge, y + thickness / 2)],
        width_mm=thickness,
    )
    left = layout.markers[0].rect.x_mm
    _word(figure, mm, left, y + 1.6, "base line: fold here, strip to the front", points=6.2)


def _draw_stand(figure: Figure, mm: Transform, layout: CardLayout) -> None:
    """Draw the gap line and the vessel's place on the strip."""
    s = layout.stand
    _line(figure, mm, [(s.x_mm, s.y_mm), (s.right_mm, s.y_mm)], width_mm=0.5, colour=_ACCENT)
    foot = min(s.bottom_mm, layout.height_mm - 5.0)
    for x in (s.x_mm, s.right_mm):
        _line(figure, mm, [(x, s.y_mm - 0.25), (x, foot)], width_mm=0.5, colour=_ACCENT)
    centre = s.x_mm + s.width_mm / 2
    # The middle of the place, so that a narrow vessel is stood in the middle of the bars.
    _line(figure, mm, [(centre, s.y_mm), (centre, s.y_mm + 2.0)], width_mm=0.5, colour=_ACCENT)
    _word(
        figure,
        mm,
        centre,
        s.y_mm + 2.8,
        "the vessel stands here, its back on the gap line",
        points=7.4,
        ha="center",
        colour=_ACCENT,
    )
    # A measure of the gap, left of the place.
    x = s.x_mm - 4.0
    top = layout.base_line_y_mm + 0.25
    _line(figure, mm, [(x, top), (x, s.y_mm)], width_mm=0.2, colour=_QUIET_INK)
    for y in (top + 0.1, s.y_mm):
        _line(figure, mm, [(x - 1.2, y), (x + 1.2, y)], width_mm=0.2, colour=_QUIET_INK)
    _word(
        figure,
        mm,
        x - 1.6,
        s.y_mm - 2.6,
        f"gap {layout.gap_mm:g} mm",
        points=5.2,
        ha="right",
        va="center",
        colour=_QUIET_INK,
    )


def _draw_ruler(figure: Figure, mm: Transform, layout: CardLayout) -> None:
    r = layout.ruler
    _line(figure, mm, [(r.x_mm, r.y_mm), (r.right_mm, r.y_mm)], width_mm=0.2)
    for n in range(round(r.width_mm) + 1):
        length = 3.0 if n % 10 == 0 else 2.2 if n % 5 == 0 else 1.4
        _line(figure, mm, [(r.x_mm + n, r.y_mm), (r.x_mm + n, r.y_mm + length)], width_mm=0.12)
    for n in range(0, round(r.width_mm) + 1, 10):
        text = f"{n} mm" if n == round(r.width_mm) else f"{n}"
        _word(
            figure, mm, r.x_mm + n, r.y_mm + 3.2, text, points=4.8, ha="center", colour=_QUIET_INK
        )


def _draw_side_view(figure: Figure, mm: Transform, layout: CardLayout) -> None:
    """Sketch the set-up from the side at the strip's right: sheet, strip, vessel, phone."""
    from matplotlib.patches import FancyBboxPatch

    right = layout.markers[4].rect.right_mm
    y0 = layout.base_line_y_mm + 16.5  # the shelf
    x0 = right - 10.0  # the sheet
    _line(
        figure, mm, [(x0 + 6.0, y0 + 0.3), (x0 - 44.0, y0 + 0.3)], width_mm=0.2, colour=_QUIET_INK
    )
    _line(
        figure,
        mm,
        [(x0, y0 - 14.0), (x0, y0), (x0 - 10.0, y0)],
        width_mm=0.6,
        colour=_ACCENT,
    )
    for x, w, h, y in ((x0 - 9.4, 5.4, 9.5, y0 - 0.9), (x0 - 40.0, 1.4, 7.5, y0 - 2.6)):
        box = FancyBboxPatch(
            (x, y - h),
            w,
            h,
            boxstyle="round,pad=0,rounding_size=0.7",
            facecolor="none",
            edgecolor=_INK,
            linewidth=0.7,
            transform=mm,
        )
        figure.add_artist(box)
    for dy in (-14.0, 0.0):  # what the phone sees
        _line(
            figure,
            mm,
            [(x0 - 38.2, y0 - 6.4), (x0 - 0.6, y0 + dy)]
            if dy
            else [(x0 - 38.2, y0 - 6.4), (x0 - 10.0, y0 - 0.9)],
            width_mm=0.1,
            colour=_QUIET_INK,
        )
    _word(figure, mm, x0 + 1.2, y0 - 12.0, "sheet", points=5.2, colour=_QUIET_INK)
    _word(figure, mm, x0 + 1.2, y0 - 2.6, "strip", points=5.2, colour=_QUIET_INK)
    _word(
        figure,
        mm,
        x0 - 24.0,
        y0 - 2.4,
        "about half a metre",
        points=5.2,
        ha="center",
        colour=_QUIET_INK,
    )


def draw_card(layout: CardLayout, *, px_per_mm: float | None = None) -> Figure:
    """Draw the whole sheet.

    Parameters
    ----------
    layout : CardLayout
        The sheet.
    px_per_mm : float, optional
        Resolution of the figure [px/mm]; without it the figure has the sheet's exact size, for
        vector output.

    Returns
    -------
    matplotlib.figure.Figure
        The sheet, without pyplot.
    """
    import matplotlib
    from matplotlib.figure import Figure

    if px_per_mm is None:
        dpi = _PDF_POINTS_PER_INCH
        size = (layout.width_mm / _MM_PER_INCH, layout.height_mm / _MM_PER_INCH)
    else:
        dpi = px_per_mm * _MM_PER_INCH
        pixels = _pixel_size(layout, px_per_mm)
        # A hair more than whole pixels, because the renderer cuts the fraction off.
        size = (pixels[0] / dpi * (1 + 1e-9), pixels[1] / dpi * (1 + 1e-9))
    with matplotlib.rc_context(_SETTINGS):
        figure = Figure(figsize=size, dpi=dpi, facecolor="white")
        mm = _millimetres(figure)
        _draw_measuring_areas(figure, mm, layout)
        _draw_heading(figure, mm, layout)
        _draw_patch_names(figure, mm, layout)
        _draw_base_line(figure, mm, layout)
        _draw_ruler(figure, mm, layout)
        _draw_stand(figure, mm, layout)
        _draw_side_view(figure, mm, layout)
    return figure


def _pixel_size(layout: CardLayout, px_per_mm: float) -> tuple[int, int]:
    return round(layout.width_mm * px_per_mm), round(layout.height_mm * px_per_mm)


def card_pixels(layout: CardLayout, px_per_mm: float) -> np.ndarray:
    """Return the sheet as a picture.

    Parameters
    ----------
    layout : CardLayout
        The sheet.
    px_per_mm : float
        Resolution [px/mm], > 0 and at most 40.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
        sRGB codes; the place (x, y) in millimetres lies at pixel edge coordinates
        (x, y) * px_per_mm.

    Raises
    ------
    ValueError
        For a resolution outside its range.
    """
    import matplotlib
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    if not 0 < px_per_mm <= 40:
        raise ValueError(f"px_per_mm must be above 0 and at most 40, not {px_per_mm!r}")
    with matplotlib.rc_context(_SETTINGS):
        canvas = FigureCanvasAgg(draw_card(layout, px_per_mm=px_per_mm))
        canvas.draw()
        picture: np.ndarray = np.array(canvas.buffer_rgba())[..., :3].copy()
        return picture


def write_card_pdf(layout: CardLayout, path: str | Path) -> None:
    """Write the sheet as a PDF of its exact size, in vectors; the same bytes every time.

    Parameters
    ----------
    layout : CardLayout
        The sheet.
    path : str or Path
        Where to.

    Raises
    ------
    DensitycamError
        When the file cannot be written.
    """
    import matplotlib
    from matplotlib.backends.backend_pdf import FigureCanvasPdf

    metadata = {
        "Title": f"densitycam photo card, {_PAPER_WORDS[layout.paper]}, layout {layout.version}",
        "Creator": "densitycam",
        "Producer": None,
        "CreationDate": None,
    }
    stream = io.BytesIO()
    with matplotlib.rc_context(_SETTINGS):
        FigureCanvasPdf(draw_card(layout)).print_pdf(stream, metadata=metadata)
    write_whole(path, stream.getvalue())


def write_card_png(layout: CardLayout, path: str | Path, px_per_mm: float) -> None:
    """Write the sheet as a PNG that carries its true size.

    Parameters
    ----------
    layout : CardLayout
        The sheet.
    path : str or Path
        Where to.
    px_per_mm : float
        Resolution [px/mm], > 0 and at most 40.

    Raises
    ------
    DensitycamError
        When the file cannot be written.
    ValueError
        For a resolution outside its range.
    """
    from PIL import Image

    stream = io.BytesIO()
    dpi = px_per_mm * _MM_PER_INCH
    Image.fromarray(card_pixels(layout, px_per_mm)).save(stream, format="PNG", dpi=(dpi, dpi))
    write_whole(path, stream.getvalue())


def _rect_json(rect: Rect) -> dict[str, float]:
    return {
        "x_mm": round(rect.x_mm, 4),
        "y_mm": round(rect.y_mm, 4),
        "width_mm": round(rect.width_mm, 4),
        "height_mm": round(rect.height_mm, 4),
    }


def _patch_json(patch: Patch) -> dict[str, Any]:
    return {
        "name": patch.name,
        **_rect_json(patch.rect),
        "srgb": list(patch.srgb),
        "reflectance": [round(value, 6) for value in patch.reflectance],
    }


def layout_json(layout: CardLayout) -> dict[str, Any]:
    """Return the sheet as plain values for JSON.

    Parameters
    ----------
    layout : CardLayout
        The sheet.

    Returns
    -------
    dict
        Every marker, the bar field and its bars, grey steps, colour patches, base line, standing
        place with its gap, and ruler, in mm from the sheet's top left corner, x to the right and
        y down; nominal linear reflectance is relative to bare paper, red, green, blue.
    """
    return {
        "card": "densitycam",
        "paper": layout.paper,
        "layout_version": layout.version,
        "unit": "mm from the sheet's top left corner, x to the right, y down",
        "width_mm": layout.width_mm,
        "height_mm": layout.height_mm,
        "marker_dictionary": MARKER_DICTIONARY,
        "markers": [{"id": m.id, **_rect_json(m.rect)} for m in layout.markers],
        "bar_field": _rect_json(layout.bar_field),
        "bars": [_patch_json(p) for p in layout.bars],
        "grey_steps": {
            "left": [_patch_json(p) for p in layout.grey_left],
            "right": [_patch_json(p) for p in layout.grey_right],
        },
        "colour_patches": [_patch_json(p) for p in layout.colours],
        "base_line_y_mm": layout.base_line_y_mm,
        "standing_place": {**_rect_json(layout.stand), "gap_mm": layout.gap_mm},
        "ruler": _rect_json(layout.ruler),
    }
