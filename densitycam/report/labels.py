"""Names beside the points of a plot, placed so that none covers another, a point or the frame."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

from densitycam.report.figures import boxes_for_missing_letters

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Annotation

    #: Left, bottom, right, top [px].
    Box = tuple[float, float, float, float]

#: Directions in which a name may stand from its point, liked most first [degree].
_DIRECTIONS = (-40, 140, 40, -140, 0, 180, -90, 90, -20, 160, 20, -160, -65, 115, 65, -115)
#: Distances from the point's middle to the name's nearest edge [pt].
_DISTANCES = (8.0, 14.0, 22.0, 32.0, 44.0)
#: What covering costs: another name, a point or the frame; an interval's line; one more distance.
_COST_NAME, _COST_LINE, _COST_FAR = 100.0, 3.0, 2.0


def overlap(a: Box, b: Box) -> bool:
    """Tell whether two boxes share an area.

    Parameters
    ----------
    a, b : Box
        In the same unit; boxes that only touch share none.
    """
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def name_points(
    ax: Axes,
    points: Sequence[tuple[float, float]],
    names: Sequence[str],
    *,
    strokes: Sequence[tuple[float, float, float, float]] = (),
    taken: Sequence[Box] = (),
    point_size: float = 7.0,
    font_size: float = 8.5,
    colour: str = "black",
) -> list[Annotation]:
    """Write each point's name beside it, where it covers least, and join the two by a thin line.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        With its limits and scales set and everything else drawn; its place is fixed here.
    points : sequence of (x, y)
        In data units.
    names : sequence of str
        One a point.
    strokes : sequence of (x0, y0, x1, y1)
        Upright or level lines that names should rather not cross, in data units.
    taken : sequence of (left, bottom, right, top)
        Boxes kept free, as shares of the axes.
    point_size, font_size : float
        Of the points' marks and of the names [pt].
    colour : str
        Of the names.

    Returns
    -------
    list of matplotlib.text.Annotation
        In the order of the points.

    Notes
    -----
    Greedy: the most crowded point chooses first. It is enough for a dozen points.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.text import Text

    figure = cast("Figure", ax.figure)  # no chart of ours has a figure within a figure
    canvas = FigureCanvasAgg(figure)
    with boxes_for_missing_letters():
        figure.draw_without_rendering()  # so that the layout has its final size
    renderer = canvas.get_renderer()
    pt = figure.dpi / 72.0
    spots = [tuple(map(float, ax.transData.transform(p))) for p in points]
    notes = [
        ax.annotate(
            name,
            point,
            xytext=(0, 0),
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=font_size,
            color=colour,
            arrowprops={
                "arrowstyle": "-",
                "color": colour,
                "linewidth": 0.6,
                "shrinkA": 0,
                "shrinkB": point_size / 2,
            },
        )
        for name, point in zip(names, points, strict=True)
    ]
    sizes = []
    for note in notes:
        note.set_in_layout(False)
        with boxes_for_missing_letters():
            extent = Text.get_window_extent(note, renderer)  # the name without its line
        sizes.append((extent.width, extent.height))
    frame = ax.bbox
    half = (point_size / 2 + 1.0) * pt
    marks = [(x - half, y - half, x + half, y + half) for x, y in spots]
    lines = []
    for x0, y0, x1, y1 in strokes:
        (a, b), (c, d) = ax.transData.transform([(x0, y0), (x1, y1)])
        lines.append((min(a, c) - pt, min(b, d) - pt, max(a, c) + pt, max(b, d) + pt))
    full = [
        (
            frame.x0 + left * frame.width,
            frame.y0 + bottom * frame.height,
            frame.x0 + right * frame.width,
            frame.y0 + top * frame.height,
        )
        for left, bottom, right, top in taken
    ]

    def crowd(n: int) -> float:
        others = [math.dist(spots[n], spot) for m, spot in enumerate(spots) if m != n]
        return min(others, default=math.inf)

    for n in sorted(range(len(notes)), key=crowd):
        width, height = sizes[n]
        best = (math.inf, 0.0, 0.0, (0.0, 0.0, 0.0, 0.0))
        for rank, far in enumerate(_DISTANCES):
            for liking, degrees in enumerate(_DIRECTIONS):
                cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
                # The name's nearest edge lies `far` from the point, whichever way it stands.
                dx = cos * (far * pt + width / 2)
                dy = sin * (far * pt + height / 2)
                x, y = spots[n][0] + dx, spots[n][1] + dy
                box = (x - width / 2, y - height / 2, x + width / 2, y + height / 2)
                cost = _COST_FAR * rank + 0.01 * liking
                cost += _COST_NAME * sum(overlap(box, other) for other in (*marks, *full))
                cost += _COST_LINE * sum(overlap(box, line) for line in lines)
                inside = (
                    frame.x0 < box[0]
                    and box[2] < frame.x1
                    and frame.y0 < box[1]
                    and box[3] < frame.y1
                )
                cost += 0.0 if inside else _COST_NAME
                if cost < best[0]:
                    best = (cost, dx / pt, dy / pt, box)
        _, dx, dy, box = best
        notes[n].set_position((dx, dy))
        full.append(box)
    return notes
