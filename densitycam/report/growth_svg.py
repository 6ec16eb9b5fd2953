"""The growth chart as SVG for a page: colours by class, so that light and dark styles both fit."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import escape

from densitycam.culture.series import DensityPoint
from densitycam.report.figures import density_ticks
from densitycam.report.growth_chart import ChartPanel, density_span, time_span
from densitycam.report.numbers import (
    density_scale,
    format_cells_interval,
    format_day,
    format_percent,
    significant,
)
from densitycam.wording import one_line

__all__ = ["growth_svg", "legend_html"]

#: Widest gap between labels of days [px].
_TICK_PX = 68.0
#: A split's words are left out where the next one is nearer [px].
_SPLIT_PX = 62.0
#: Letters of the title that a screen reader reads.
_TITLE = 110


@dataclass(frozen=True)
class _Frame:
    """Where days and densities lie in the picture."""

    x: Callable[[datetime], float]
    y: Callable[[float], float]
    left: float
    right: float
    top: float
    bottom: float

    def height(self, value: float) -> float:
        """Return the place of a density, held within the frame."""
        return min(max(self.y(value), self.top), self.bottom)


def growth_svg(panel: ChartPanel, *, width: int, height: int, ident: str) -> str:
    """Draw a vessel's growth.

    Parameters
    ----------
    panel : ChartPanel
        Its history.
    width, height : int
        Size at which it is shown [px]; letters keep theirs.
    ident : str
        Unique in the page, for the parts that name the picture.

    Returns
    -------
    str
        An svg element, 95 % intervals as bars, with a title, a description and a tip at each mark.
    """
    first, last = time_span([panel])
    low, high = density_span(panel)
    left, right, top, bottom = 46.0, width - 8.0, 22.0, height - 34.0
    span = (last - first).total_seconds()

    def x(when: datetime) -> float:
        return left + (right - left) * (when - first).total_seconds() / span

    def y(value: float) -> float:
        return bottom - (bottom - top) * math.log(value / low) / math.log(high / low)

    frame = _Frame(x, y, left, right, top, bottom)
    parts = [
        *_axes(frame, first, last, low, high),
        *_band(frame, panel),
        *_splits(frame, panel),
        *_ahead(frame, panel, last),
        *_points(frame, panel),
        *_slides(frame, panel),
        *_bounds(frame, panel),
        *_refused(frame, panel, first, last),
    ]
    if not panel.points and not panel.more_than:
        parts.append(
            f'<text class="words" x="{width / 2:.0f}" y="{height / 2:.0f}" '
            'text-anchor="middle">no measured photo yet</text>'
        )
    described = f"{ident}-title {ident}-desc"
    title = escape(one_line(panel.title, _TITLE))
    return (
        f'<svg viewBox="0 0 {width} {height}" role="img" aria-labelledby="{described}">'
        f'<title id="{ident}-title">{title}: density over days</title>'
        f'<desc id="{ident}-desc">{escape(_described(panel))}</desc>{"".join(parts)}</svg>'
    )


def _described(panel: ChartPanel) -> str:
    """Say in a sentence what the picture shows."""
    points = sorted(panel.points, key=lambda p: p.when)
    if not points:
        return "No density was measured yet."
    newest = points[-1]
    splits = f"{len(panel.splits)} split{'' if len(panel.splits) == 1 else 's'}"
    text = (
        f"{len(points)} densities from {format_day(points[0].when)} to {format_day(newest.when)}, "
        f"{splits}; the last {format_cells_interval(newest.cells_per_ml, newest.low, newest.high)}."
    )
    if panel.ahead is not None:
        text += f" It should reach its harvest density about {format_day(panel.ahead.day)}."
    return text


def _axes(frame: _Frame, first: datetime, last: datetime, low: float, high: float) -> list[str]:
    factor, word = density_scale(high / 1.2)
    parts = []
    for tick in density_ticks(low, high):
        at = frame.y(tick)
        parts.append(
            f'<line class="grid" x1="{frame.left:.1f}" x2="{frame.right:.1f}" y1="{at:.1f}" '
            f'y2="{at:.1f}"/><text class="tick" x="{frame.left - 6:.1f}" y="{at + 4:.1f}" '
            f'text-anchor="end">{float(significant(tick / factor)):g}</text>'
        )
    parts.append(f'<text class="words" x="2" y="12">{f"{word} cells/mL".strip()}</text>')
    days = (last - first).total_seconds() / 86400
    room = max(2.0, (frame.right - frame.left) / _TICK_PX)
    steps = (1, 2, 3, 4, 7, 14, 28, 56, 91)
    step = next((n for n in steps if days / n <= room), math.ceil(days / room))
    day = datetime(first.year, first.month, first.day) + timedelta(days=1)
    while day <= last:
        at = frame.x(day)
        parts.append(
            f'<line class="axis" x1="{at:.1f}" x2="{at:.1f}" y1="{frame.bottom:.1f}" '
            f'y2="{frame.bottom + 5:.1f}"/>'
        )
        if frame.left + 14 < at < frame.right - 14:
            parts.append(
                f'<text class="tick" x="{at:.1f}" y="{frame.bottom + 19:.1f}" '
                f'text-anchor="middle">{format_day(day)}</text>'
            )
        day += timedelta(days=step)
    parts.append(
        f'<line class="axis" x1="{frame.left:.1f}" x2="{frame.right:.1f}" '
        f'y1="{frame.bottom:.1f}" y2="{frame.bottom:.1f}"/>'
    )
    return parts


def _band(frame: _Frame, panel: ChartPanel) -> list[str]:
    top, bottom = frame.height(panel.harvest_high), frame.height(panel.harvest_low)
    return [
        f'<rect class="band" x="{frame.left:.1f}" y="{top:.1f}" '
        f'width="{frame.right - frame.left:.1f}" height="{bottom - top:.1f}"/>'
    ]


def _splits(frame: _Frame, panel: ChartPanel) -> list[str]:
    splits = sorted(panel.splits, key=lambda s: s.when)
    places = [frame.x(s.when) for s in splits]
    parts = []
    for n, (split, at) in enumerate(zip(splits, places, strict=True)):
        known = math.isfinite(split.kept_share)
        word = f"split, kept {format_percent(split.kept_share)}" if known else "new culture"
        if split.inferred:
            word = f"{word} (not logged, concluded from the fall)"
        parts.append(
            f'<g><title>{format_day(split.when)}: {word}</title><line class="split" '
            f'x1="{at:.1f}" x2="{at:.1f}" y1="{frame.top:.1f}" y2="{frame.bottom:.1f}"/></g>'
        )
        following = places[n + 1] if n + 1 < len(places) else frame.right + 20
        if following - at >= _SPLIT_PX and at + 46 < frame.right:
            mark = "?" if split.inferred else ""
            short = f"kept {format_percent(split.kept_share)}{mark}" if known else "new"
            parts.append(
                f'<text class="tick" x="{at + 4:.1f}" y="{frame.top + 11:.1f}">{short}</text>'
            )
    return parts


def _ahead(frame: _Frame, panel: ChartPanel, last: datetime) -> list[str]:
    ahead = panel.ahead
    if ahead is None:
        return []
    goal, end = frame.height(ahead.goal), frame.x(ahead.day)
    parts = [
        f'<line class="ahead" x1="{frame.x(ahead.begin):.1f}" '
        f'y1="{frame.height(ahead.cells_per_ml):.1f}" x2="{end:.1f}" y2="{goal:.1f}"/>'
    ]
    if ahead.earliest is not None:
        late = frame.x(min(ahead.latest, last)) if ahead.latest else frame.right
        parts.append(
            f'<line class="bar" x1="{frame.x(ahead.earliest):.1f}" x2="{late:.1f}" '
            f'y1="{goal:.1f}" y2="{goal:.1f}"/>'
        )
    parts.append(
        f'<line class="bar wide" x1="{end:.1f}" x2="{end:.1f}" y1="{goal - 6:.1f}" '
        f'y2="{goal + 6:.1f}"/>'
    )
    return [f"<g><title>ready about {format_day(ahead.day)}</title>{''.join(parts)}</g>"]


def _bar(frame: _Frame, at: float, low: float, high: float) -> str:
    bottom = frame.height(low) if low > 0 else frame.bottom
    top = frame.height(high) if math.isfinite(high) else frame.top
    return f'<line class="bar" x1="{at:.1f}" x2="{at:.1f}" y1="{top:.1f}" y2="{bottom:.1f}"/>'


def _points(frame: _Frame, panel: ChartPanel) -> list[str]:
    points = sorted((p for p in panel.points if p.cells_per_ml > 0), key=lambda p: p.when)
    cuts = sorted(s.when for s in panel.splits)
    runs: list[list[DensityPoint]] = [[]]
    for p in points:
        before = runs[-1][-1].when if runs[-1] else None
        if before is not None and any(before <= cut < p.when for cut in cuts):
            runs.append([])
        runs[-1].append(p)
    parts = [
        f'<polyline class="curve" points="{_corners(frame, run)}"/>' for run in runs if len(run) > 1
    ]
    for p in points:
        at, y = frame.x(p.when), frame.height(p.cells_per_ml)
        kind = "dot sign" if p.flags else "dot"
        said = format_cells_interval(p.cells_per_ml, p.low, p.high)
        tip = f"{format_day(p.when)} {p.when:%H:%M}: {said}"
        if p.flags:
            tip += f"; {', '.join(p.flags)}"
        parts.append(
            f"<g><title>{escape(tip)}</title>{_bar(frame, at, p.low, p.high)}"
            f'<circle class="{kind}" cx="{at:.1f}" cy="{y:.1f}" r="4"/></g>'
        )
    return parts


def _corners(frame: _Frame, run: Sequence[DensityPoint]) -> str:
    return " ".join(f"{frame.x(p.when):.1f},{frame.height(p.cells_per_ml):.1f}" for p in run)


def _slides(frame: _Frame, panel: ChartPanel) -> list[str]:
    parts = []
    for when, value, low, high in panel.slides:
        at, y = frame.x(when), frame.height(value)
        tip = f"{format_day(when)}: slide count, {format_cells_interval(value, low, high)}"
        parts.append(
            f'<g class="slide"><title>{escape(tip)}</title>{_bar(frame, at, low, high)}'
            f'<path d="M{at:.1f} {y - 6:.1f}l6 6-6 6-6-6z"/></g>'
        )
    return parts


def _bounds(frame: _Frame, panel: ChartPanel) -> list[str]:
    parts = []
    for when, value in panel.more_than:
        at, y = frame.x(when), frame.height(value)
        tip = f"{format_day(when)}: too dense to see through"
        parts.append(
            f'<g><title>{tip}</title><path class="bound" d="M{at - 5:.1f} {y:.1f}h10m-5 0v-16'
            'm-4 5l4-5 4 5"/></g>'
        )
    return parts


def _refused(frame: _Frame, panel: ChartPanel, first: datetime, last: datetime) -> list[str]:
    y = frame.bottom - 9
    return [
        f"<g><title>{format_day(when)}: not measured, {escape(why)}</title>"
        f'<path class="cross" d="M{frame.x(when) - 4:.1f} {y - 4:.1f}l8 8m0-8l-8 8"/></g>'
        for when, why in panel.refused
        if first <= when <= last
    ]


def legend_html(panel: ChartPanel) -> str:
    """Return a list that says what the marks of a panel mean, those that are in it.

    Parameters
    ----------
    panel : ChartPanel
        The one that `growth_svg` draws.
    """

    def item(shown: object, mark: str, words: str) -> str:
        if not shown:
            return ""
        return (
            f'<li><svg class="key" viewBox="0 0 24 16" aria-hidden="true">{mark}</svg>{words}</li>'
        )

    return (
        '<ul class="legend">'
        + item(True, '<rect class="band" x="1" y="3" width="22" height="10"/>', "harvest band")
        + item(
            any(not p.flags for p in panel.points),
            '<line class="bar" x1="12" x2="12" y1="0" y2="16"/>'
            '<circle class="dot" cx="12" cy="8" r="4"/>',
            "photo, 95 % interval",
        )
        + item(
            any(p.flags for p in panel.points),
            '<circle class="dot sign" cx="12" cy="8" r="4"/>',
            "photo with a warning sign",
        )
        + item(
            panel.slides,
            '<g class="slide"><path d="M12 2l6 6-6 6-6-6z"/></g>',
            "slide count",
        )
        + item(
            panel.more_than,
            '<path class="bound" d="M7 15h10m-5 0v-13m-4 5l4-5 4 5"/>',
            "more than this (too dense)",
        )
        + item(panel.refused, '<path class="cross" d="M8 4l8 8m0-8l-8 8"/>', "photo not measured")
        + item(panel.splits, '<line class="split" x1="12" x2="12" y1="0" y2="16"/>', "split")
        + item(
            panel.ahead,
            '<line class="ahead" x1="1" x2="23" y1="13" y2="4"/>',
            "forecast; the bar is the day\u2019s 95 % interval",
        )
        + "</ul>"
    )
