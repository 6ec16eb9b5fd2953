"""The growth chart: density over days, splits, the harvest band, and what was not measured."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from densitycam.culture.series import DensityPoint, Split
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
from densitycam.report.numbers import format_day, format_percent
from densitycam.wording import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDTH_IN, _PANEL_IN = 7.2, 4.6

#: Letters of a title, on two lines, and on one.
_TITLE, _TITLE_LINE = 110, 58

#: An interval reaching further than this factor beyond its point does not stretch the axis.
_REACH = 4.0

#: A photo that was not measured stretches the axis by this much at most.
_NEAR = timedelta(days=7)


@dataclass(frozen=True)
class Ahead:
    """A forecast: from the newest density to the one from which it is harvested.

    Parameters
    ----------
    begin : datetime
        Of the newest density.
    cells_per_ml, goal : float
        The newest density, and the one aimed at [cells/mL].
    day : datetime
        When it should get there.
    earliest, latest : datetime or None
        95 % interval of the day; None where not known.
    """

    begin: datetime
    cells_per_ml: float
    goal: float
    day: datetime
    earliest: datetime | None
    latest: datetime | None


@dataclass(frozen=True)
class ChartPanel:
    """One vessel's history.

    Parameters
    ----------
    title : str
        Vessel and species.
    points : sequence of DensityPoint
        Measured photos.
    splits : sequence of Split
        Harvests with top-up; those concluded from the densities are marked "?".
    harvest_low, harvest_high : float
        The species' harvest band [cells/mL].
    refused : sequence of (datetime, str)
        Photos that were not measured, and why.
    more_than : sequence of (datetime, float)
        Photos too dense to see through, and the density they exceed [cells/mL].
    slides : sequence of (datetime, float, float, float)
        Slide counts: density and its 95 % limits [cells/mL].
    note : str
        A line under the panel.
    ahead : Ahead or None
        The forecast.
    """

    title: str
    points: Sequence[DensityPoint]
    splits: Sequence[Split]
    harvest_low: float
    harvest_high: float
    refused: Sequence[tuple[datetime, str]] = ()
    more_than: Sequence[tuple[datetime, float]] = ()
    slides: Sequence[tuple[datetime, float, float, float]] = ()
    note: str = ""
    ahead: Ahead | None = None


def write_growth_charts(path: str | Path, panels: Sequence[ChartPanel]) -> None:
    """Write several vessels' growth charts into one picture, one under another.

    Parameters
    ----------
    path : str or Path
        Where to, ending in .png or .svg.
    panels : sequence of ChartPanel
        At least one.

    Raises
    ------
    DensitycamError
        For another suffix, or where the file cannot be written.
    ValueError
        For no panels, or a harvest band that is not 0 < low < high.
    """
    import matplotlib

    check_suffix(path)
    if not panels:
        raise ValueError("a growth chart needs at least one panel")
    for panel in panels:
        if not 0 < panel.harvest_low < panel.harvest_high:
            raise ValueError(
                f"harvest band must be 0 < low < high, not {panel.harvest_low}, "
                f"{panel.harvest_high}"
            )
    with matplotlib.rc_context(SETTINGS):
        figure = white_figure(_WIDTH_IN, _PANEL_IN * len(panels))
        axes = figure.subplots(len(panels), 1, squeeze=False)[:, 0]
        span = time_span(panels)
        for ax, panel in zip(axes, panels, strict=True):
            _draw_panel(ax, panel, span)
        save_figure(figure, path, title="; ".join(panel.title for panel in panels))


def time_span(panels: Sequence[ChartPanel]) -> tuple[datetime, datetime]:
    """Return first and last day over all panels, so that stacked vessels share their days.

    A photo that could not be read often has no date but its file's. One far from everything
    else would squeeze the rest into a corner, so it does not stretch the axis.

    Parameters
    ----------
    panels : sequence of ChartPanel
        Those that share an axis.

    Returns
    -------
    tuple of datetime
        Local, naive, with some room on both sides; a week of the year 2000 for nothing at all.
    """
    sure = [
        when
        for p in panels
        for when in (
            *(x.when for x in p.points),
            *(s.when for s in p.splits),
            *(t for t, _ in p.more_than),
            *(s[0] for s in p.slides),
            *((p.ahead.day, p.ahead.earliest or p.ahead.day) if p.ahead else ()),
        )
    ]
    refused = [when for p in panels for when, _ in p.refused]
    if sure:
        first, last = min(sure) - _NEAR, max(sure) + _NEAR
        refused = [when for when in refused if first <= when <= last]
    times = sure + refused
    if not times:
        return datetime(2000, 1, 1), datetime(2000, 1, 8)
    first, last = min(times), max(times)
    pad = max((last - first) * 0.04, timedelta(hours=12))
    return first - pad, last + pad


def density_span(panel: ChartPanel) -> tuple[float, float]:
    """Return the ends of a density axis that holds a panel [cells/mL].

    Parameters
    ----------
    panel : ChartPanel
        Its harvest band is always held.

    Returns
    -------
    tuple of float
        Lower and upper end, > 0 [cells/mL].
    """
    values = finite_positive([panel.harvest_low, panel.harvest_high])
    for p in panel.points:
        limits = (max(p.low, p.cells_per_ml / _REACH), min(p.high, p.cells_per_ml * _REACH))
        values += finite_positive([p.cells_per_ml, *limits])
    values += finite_positive(v * 1.3 for _, v in panel.more_than)
    for _, value, low, high in panel.slides:
        values += finite_positive([value, max(low, value / _REACH), min(high, value * _REACH)])
    # Room below for the marks of refused photos, above for the words at the splits.
    span = math.log(max(values) / min(values))
    return (
        min(values) / math.exp(0.10 * span + (0.14 * span if panel.refused else 0.0)),
        max(values) * math.exp(0.16 * span),
    )


def _draw_panel(ax: Axes, panel: ChartPanel, span: tuple[datetime, datetime]) -> None:
    from matplotlib.dates import date2num

    elsewhere = sum(not span[0] <= when <= span[1] for when, _ in panel.refused)
    aside = f"{elsewhere} not measured, of another date" if elsewhere else ""
    note = "; ".join(part for part in (panel.note, aside) if part)
    low, high = density_span(panel)
    ax.set_yscale("log")
    ax.set_xlim(date2num(span[0]), date2num(span[1]))
    ax.set_ylim(low, high)
    set_density_axis(ax.yaxis, low, high, label="density")
    _set_day_axis(ax, span)
    open_frame(ax, grid="y")
    ax.set_title(
        textwrap.fill(one_line(panel.title, _TITLE), _TITLE_LINE),
        loc="left",
        fontsize=13,
        fontweight="bold",
        pad=20 if note else 8,
    )

    ax.axhspan(
        panel.harvest_low,
        panel.harvest_high,
        facecolor=GREEN,
        alpha=0.16,
        edgecolor="none",
        label="harvest band",
    )
    _draw_splits(ax, panel)
    _draw_points(ax, panel)
    if panel.ahead is not None:
        _draw_ahead(ax, panel.ahead)
    if panel.slides:
        times, values, lows, highs = zip(*panel.slides, strict=True)
        _bars(ax, times, values, lows, highs, colour=VERMILION)
        ax.plot(
            times,
            values,
            "D",
            color=VERMILION,
            markersize=7,
            markeredgecolor="white",
            zorder=5,
            label="slide count",
        )
    if panel.more_than:
        times, values = zip(*panel.more_than, strict=True)
        for when, value in panel.more_than:
            ax.annotate(
                "",
                xy=(date2num(when), value),
                xytext=(0, 24),
                textcoords="offset points",
                arrowprops={
                    "arrowstyle": "<|-",
                    "color": BLUE,
                    "linewidth": 1.6,
                    "shrinkA": 0,
                    "shrinkB": 0,
                },
                zorder=4,
            )
        ax.plot(
            times,
            values,
            linestyle="none",
            marker="_",
            color=BLUE,
            markersize=11,
            markeredgewidth=2,
            label="more than this (too dense)",
            zorder=4,
        )
    shown = [(when, why) for when, why in panel.refused if span[0] <= when <= span[1]]
    if shown:
        ax.plot(
            [date2num(when) for when, _ in shown],
            [0.035] * len(shown),
            linestyle="none",
            marker="x",
            color=INK,
            markersize=7,
            markeredgewidth=1.8,
            transform=ax.get_xaxis_transform(),
            label=textwrap.fill(f"not measured ({_reasons(shown)})", 42),
            zorder=4,
        )
    if not panel.points and not panel.more_than:
        ax.text(0.5, 0.35, "no measured photo yet", transform=ax.transAxes, ha="center", color=GREY)
    handles, labels = ax.get_legend_handles_labels()
    ax.legend(
        handles,
        labels,
        loc="upper left",
        bbox_to_anchor=(-0.02, -0.11),
        ncols=2,
        frameon=False,
        fontsize=10,
        handletextpad=0.6,
        columnspacing=1.6,
        borderaxespad=0.0,
    )
    if note:
        ax.annotate(
            note,
            xy=(0.0, 1.0),
            xycoords="axes fraction",
            xytext=(0, 6),
            textcoords="offset points",
            va="bottom",
            fontsize=9,
            color=GREY,
        )


def _reasons(refused: Sequence[tuple[datetime, str]]) -> str:
    words = list(dict.fromkeys(why for _, why in refused))
    return ", ".join(words) if len(words) <= 2 else f"{words[0]}, {words[1]} and others"


def _draw_splits(ax: Axes, panel: ChartPanel) -> None:
    from matplotlib.dates import date2num

    for split in sorted(panel.splits, key=lambda s: s.when):
        ax.axvline(date2num(split.when), color=GREY, linestyle=(0, (3, 3)), linewidth=1.1, zorder=1)
        mark = "?" if split.inferred else ""
        ax.annotate(
            f"split{mark}\nkept {format_percent(split.kept_share)}",
            xy=(date2num(split.when), 1.0),
            xycoords=ax.get_xaxis_transform(),
            xytext=(4, -1),
            textcoords="offset points",
            ha="left",
            va="top",
            fontsize=9,
            color=INK,
        )


def _draw_points(ax: Axes, panel: ChartPanel) -> None:
    """Draw the measured photos, their line broken at every split."""
    from matplotlib.dates import date2num

    points = sorted(
        (p for p in panel.points if math.isfinite(p.cells_per_ml) and p.cells_per_ml > 0),
        key=lambda p: p.when,
    )
    if not points:
        return
    cuts = sorted(s.when for s in panel.splits)
    runs: list[list[DensityPoint]] = [[]]
    for p in points:
        last = runs[-1][-1].when if runs[-1] else None
        if last is not None and any(last <= cut < p.when for cut in cuts):
            runs.append([])
        runs[-1].append(p)
    for run in runs:
        ax.plot(
            [date2num(p.when) for p in run],
            [p.cells_per_ml for p in run],
            color=BLUE,
            linewidth=1.6,
            zorder=2,
        )
    _bars(
        ax,
        [p.when for p in points],
        [p.cells_per_ml for p in points],
        [p.low for p in points],
        [p.high for p in points],
        colour=BLUE,
    )
    plain = [p for p in points if not p.flags]
    signed = [p for p in points if p.flags]
    for chosen, face, label in (
        (plain, BLUE, "photo, with 95 % interval"),
        (signed, "white", "photo with a warning sign"),
    ):
        if chosen:
            ax.plot(
                [date2num(p.when) for p in chosen],
                [p.cells_per_ml for p in chosen],
                "o",
                markersize=6.5,
                color=BLUE,
                markerfacecolor=face,
                markeredgecolor=BLUE,
                markeredgewidth=1.6,
                zorder=3,
                label=label,
            )


def _draw_ahead(ax: Axes, ahead: Ahead) -> None:
    from matplotlib.dates import date2num

    day = date2num(ahead.day)
    ax.plot(
        [date2num(ahead.begin), day],
        [ahead.cells_per_ml, ahead.goal],
        color=BLUE,
        linewidth=1.4,
        linestyle=(0, (2, 2)),
        zorder=2,
        label="forecast, with 95 % interval of the day",
    )
    end = ax.get_xlim()[1]
    if ahead.earliest is not None:
        late = end if ahead.latest is None else date2num(ahead.latest)
        ax.hlines(ahead.goal, date2num(ahead.earliest), late, color=BLUE, linewidth=1.4, zorder=2)
    ax.plot([day], [ahead.goal], "|", color=BLUE, markersize=11, markeredgewidth=2, zorder=3)


def _bars(
    ax: Axes,
    times: Sequence[datetime],
    values: Sequence[float],
    lows: Sequence[float],
    highs: Sequence[float],
    *,
    colour: str,
) -> None:
    from matplotlib.dates import date2num

    bottom, top = ax.get_ylim()
    ax.vlines(
        [date2num(when) for when in times],
        [max(v, bottom) if math.isfinite(v) else bottom for v in lows],
        [min(v, top) if math.isfinite(v) else top for v in highs],
        color=colour,
        linewidth=1.4,
        alpha=0.75,
        zorder=2,
    )


def _set_day_axis(ax: Axes, span: tuple[datetime, datetime]) -> None:
    """Put ticks at midnights a whole number of days apart, months in English everywhere."""
    from matplotlib.dates import date2num, num2date
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    days = (span[1] - span[0]).total_seconds() / 86400
    step = next((n for n in (1, 2, 3, 4, 7, 14, 28, 56, 91) if days / n <= 8), math.ceil(days / 8))
    midnight = datetime(span[0].year, span[0].month, span[0].day)
    ticks = []
    while midnight <= span[1]:
        if midnight >= span[0]:
            ticks.append(date2num(midnight))
        midnight += timedelta(days=step if ticks else 1)
    ax.xaxis.set_major_locator(FixedLocator(ticks))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: format_day(num2date(value))))
