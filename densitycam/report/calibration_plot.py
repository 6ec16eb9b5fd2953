"""The calibration plot: what photos said against what slides counted, and by how much they part."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from densitycam.report.figures import (
    BLUE,
    GREEN,
    GREY,
    INK,
    SETTINGS,
    VERMILION,
    check_suffix,
    finite_positive,
    open_frame,
    save_figure,
    set_density_axis,
    white_figure,
)
from densitycam.report.labels import name_points
from densitycam.report.numbers import format_off
from densitycam.wording import one_line

#: Up to this many points each carries its name.
_NAMED_POINTS = 12

#: Letters of the title and of a point's name that fit.
_TITLE, _LABEL = 54, 22

#: Where the legend stands, as shares of the upper panel: left, bottom, right, top.
_LEGEND = (0.0, 0.84, 0.55, 1.0)


@dataclass(frozen=True)
class PlotPoint:
    """One photo paired with one slide count.

    Parameters
    ----------
    label : str
        Day or name.
    counted, counted_low, counted_high : float
        The slide's density and its 95 % limits [cells/mL].
    estimated, estimated_low, estimated_high : float
        What the photo says by a calibration that has not seen this slide [cells/mL].
    off : float
        For a slide that strays far from the others: its count over what they say, such as 2 for
        one twice too high; 1 for a slide that agrees.
    """

    label: str
    counted: float
    counted_low: float
    counted_high: float
    estimated: float
    estimated_low: float
    estimated_high: float
    off: float = 1.0


def write_calibration_plot(
    path: str | Path,
    *,
    title: str,
    points: Sequence[PlotPoint],
    range_low: float,
    range_high: float,
    band: Sequence[tuple[float, float, float]] = (),
    note: str = "",
) -> None:
    """Write estimate against count on logarithmic axes, and the difference in percent below.

    Parameters
    ----------
    path : str or Path
        Where to, ending in .png or .svg.
    title : str
        Species and vessel.
    points : sequence of PlotPoint
        The pairs; may be empty.
    range_low, range_high : float
        Where the calibration holds [cells/mL], 0 < low < high.
    band : sequence of (density, low, high)
        95 % limits of a fresh photo at some densities [cells/mL], rising.
    note : str
        A line under the title.

    Raises
    ------
    DensitycamError
        For another suffix, or where the file cannot be written.
    ValueError
        For a range that is not 0 < low < high.
    """
    import matplotlib

    check_suffix(path)
    if not 0 < range_low < range_high < math.inf:
        raise ValueError(f"range must be 0 < low < high, not {range_low}, {range_high}")
    shown = [p for p in points if finite_positive([p.counted]) and finite_positive([p.estimated])]
    values = [range_low, range_high]
    for p in shown:
        values += finite_positive([p.counted, p.estimated])
        values += finite_positive(
            v
            for v in (p.counted_low, p.counted_high, p.estimated_low, p.estimated_high)
            if p.counted / 4 < v < p.counted * 4
        )
    low, high = min(values) / 1.25, max(values) * 1.25

    with matplotlib.rc_context(SETTINGS):
        figure = white_figure(6.6, 8.4)
        ax, below = figure.subplots(2, 1, sharex=True, height_ratios=(2.6, 1.0))
        ax.set_xscale("log")
        ax.set_yscale("log")
        ax.set_xlim(low, high)
        ax.set_ylim(low, high)
        set_density_axis(ax.yaxis, low, high, label="from the photo")
        for panel in (ax, below):
            panel.axvspan(
                range_low,
                range_high,
                facecolor=GREEN,
                alpha=0.13,
                edgecolor="none",
                label="where this calibration holds",
            )
            for end in (range_low, range_high):
                panel.axvline(end, color=GREEN, linewidth=1.1, linestyle=(0, (4, 3)))
            open_frame(panel)
        if band:
            at = [b[0] for b in band]
            shade = {"facecolor": BLUE, "alpha": 0.16, "edgecolor": "none"}
            ax.fill_between(
                at,
                [max(b[1], low) for b in band],
                [min(b[2], high) for b in band],
                label="where 95 % of new photos lie",
                **shade,
            )
        ax.plot([low, high], [low, high], color=GREY, linewidth=1.3, label="photo and slide agree")
        ax.set_title(one_line(title, _TITLE), loc="left", fontsize=13, fontweight="bold")

        limit = _residual_limit(shown)
        below.axhline(0.0, color=GREY, linewidth=1.3)
        below.set_ylim(-limit, limit)
        below.set_ylabel("photo less slide (%)")
        if band:
            below.fill_between(
                at,
                [max(_percent(b[1], b[0]), -limit) for b in band],
                [min(_percent(b[2], b[0]), limit) for b in band],
                **shade,
            )
        legends = {
            False: "one slide count, with 95 % intervals",
            True: "slide that strays from the others",
        }
        for p in shown:
            stray = p.off != 1.0
            colour, mark = (VERMILION, "D") if stray else (BLUE, "o")
            label = legends.pop(stray, None)
            ax.hlines(
                p.estimated,
                *_clip(p.counted_low, p.counted_high, low, high),
                color=colour,
                linewidth=1.4,
                alpha=0.75,
            )
            ax.vlines(
                p.counted,
                *_clip(p.estimated_low, p.estimated_high, low, high),
                color=colour,
                linewidth=1.4,
                alpha=0.75,
            )
            ax.plot(
                p.counted,
                p.estimated,
                mark,
                color=colour,
                markersize=7,
                markeredgecolor="white",
                label=label,
            )
            residual = _percent(p.estimated, p.counted)
            below.vlines(
                p.counted,
                *_clip(
                    _percent(p.estimated_low, p.counted),
                    _percent(p.estimated_high, p.counted),
                    -limit,
                    limit,
                ),
                color=colour,
                linewidth=1.4,
                alpha=0.75,
            )
            below.plot(
                p.counted, residual, mark, color=colour, markersize=7, markeredgecolor="white"
            )
        if not shown:
            ax.text(
                0.5, 0.2, "no slide counts yet", transform=ax.transAxes, ha="center", color=GREY
            )
        set_density_axis(below.xaxis, low, high, label="counted on the slide")
        ax.legend(
            loc="upper left", facecolor="white", framealpha=0.85, edgecolor="none", fontsize=10
        )
        caption = "Each photo is judged by a calibration that has not seen its slide."
        if note:
            caption = f"{caption}\n{note}"
        figure.supxlabel(caption, fontsize=8.5, color=GREY, x=0.02, ha="left")
        # Of many slides only those that stray are named.
        named = [p for p in shown if len(shown) <= _NAMED_POINTS or p.off != 1.0]
        if named:
            name_points(
                ax,
                [(p.counted, p.estimated) for p in named],
                [_name(p) for p in named],
                strokes=[stroke for p in shown for stroke in _cross(p, low, high)],
                taken=[_LEGEND],
                colour=INK,
            )
        save_figure(figure, path, title=title)


def _name(p: PlotPoint) -> str:
    """Return a point's name, with the factor that a straying one is off."""
    label = one_line(p.label, _LABEL)
    return label if p.off == 1.0 else f"{label}: {format_off(p.off)}"


def _percent(value: float, reference: float) -> float:
    return 100.0 * (value / reference - 1.0)


def _clip(a: float, b: float, low: float, high: float) -> tuple[float, float]:
    first = max(a, low) if math.isfinite(a) else low
    last = min(b, high) if math.isfinite(b) else high
    return first, last


def _cross(p: PlotPoint, low: float, high: float) -> list[tuple[float, float, float, float]]:
    """Return a point's two intervals as lines x0, y0, x1, y1 on the upper panel."""
    left, right = _clip(p.counted_low, p.counted_high, low, high)
    bottom, top = _clip(p.estimated_low, p.estimated_high, low, high)
    return [(left, p.estimated, right, p.estimated), (p.counted, bottom, p.counted, top)]


def _residual_limit(points: Sequence[PlotPoint]) -> float:
    """Return half the height of the lower panel [%]: every point, and most of every interval."""
    reach = [20.0]
    for p in points:
        reach.append(1.25 * abs(_percent(p.estimated, p.counted)))
        for v in (p.estimated_low, p.estimated_high):
            if math.isfinite(v):
                reach.append(min(1.1 * abs(_percent(v, p.counted)), 100.0))
    return max(reach)
