"""The control chart: slide after slide against what photos foretold, with the limits of chance."""

from __future__ import annotations

import textwrap
from pathlib import Path

from densitycam.calibration.drift import ControlChart
from densitycam.report.figures import (
    BLUE,
    GREEN,
    GREY,
    INK,
    SETTINGS,
    VERMILION,
    check_suffix,
    open_frame,
    save_figure,
    white_figure,
)
from densitycam.wording import one_line

#: Up to this many slides each carries its name; of more, every so many.
_NAMED_SLIDES = 14

#: Letters of the title and of a slide's name that fit.
_TITLE, _LABEL = 58, 22

#: Half the height of the chart without a slide beyond it, and where a slide further out is drawn
#: [standard deviations].
_REACH, _MOST = 4.0, 8.0


def write_control_chart(path: str | Path, *, title: str, chart: ControlChart) -> None:
    """Write a calibration's control chart.

    Parameters
    ----------
    path : str or Path
        Where to, ending in .png or .svg.
    title : str
        Species and vessel.
    chart : ControlChart
        The slides in order of time; may have none.

    Raises
    ------
    DensitycamError
        For another suffix, or where the file cannot be written.
    """
    import matplotlib
    from matplotlib.ticker import FixedLocator, FuncFormatter

    check_suffix(path)
    heights = [min(max(c.sigmas, -_MOST), _MOST) for c in chart.checks]
    places = range(1, len(heights) + 1)
    reach = max([_REACH, *(abs(h) + 1.4 for h in heights)])
    with matplotlib.rc_context(SETTINGS):
        figure = white_figure(7.2, 5.8)
        ax = figure.subplots()
        ax.set_title(one_line(title, _TITLE), loc="left", fontsize=13, fontweight="bold")
        ax.set_xlim(0.4, max(len(heights), 5) + 0.6)
        ax.set_ylim(-reach, reach + 0.3 * reach)  # room for the legend
        ax.axhspan(-1, 1, facecolor=GREEN, alpha=0.20, edgecolor="none")
        ax.axhspan(
            -2, 2, facecolor=GREEN, alpha=0.13, edgecolor="none", label="where most slides lie"
        )
        for limit in (-3, 3):
            ax.axhline(
                limit,
                color=VERMILION,
                linewidth=1.3,
                linestyle=(0, (5, 3)),
                label="limit of chance (three sigma)" if limit == 3 else None,
            )
        ax.axhline(0, color=GREY, linewidth=1.3)
        ax.plot(places, heights, color=BLUE, linewidth=1.0, alpha=0.6)
        legends = {False: "one slide", True: "slide that breaks a rule"}
        for n, height, check, broken in zip(
            places, heights, chart.checks, chart.broken, strict=True
        ):
            alarm = bool(broken)
            ax.plot(
                n,
                height,
                "D" if alarm else "o",
                color=VERMILION if alarm else BLUE,
                markersize=8,
                markeredgecolor="white",
                label=legends.pop(alarm, None),
            )
            if len(heights) <= _NAMED_SLIDES:
                ax.annotate(
                    f"{100 * (check.counted / check.foretold - 1):+.0f} %",
                    (n, height),
                    xytext=(0, 9 if height >= 0 else -9),
                    textcoords="offset points",
                    ha="center",
                    va="bottom" if height >= 0 else "top",
                    fontsize=9,
                )
        if not heights:
            ax.text(0.5, 0.6, "no two slides yet", transform=ax.transAxes, ha="center", color=GREY)
        every = -(-len(heights) // _NAMED_SLIDES) or 1
        ticks = list(places)[::every]
        ax.xaxis.set_major_locator(FixedLocator(ticks))
        labels = [one_line(c.label, _LABEL) for c in chart.checks]
        names = dict(zip(places, labels, strict=True))
        ax.xaxis.set_major_formatter(FuncFormatter(lambda n, _: names.get(round(n), "")))
        if any(len(label) > 6 for label in labels):
            ax.tick_params(axis="x", labelrotation=40, labelsize=9)
            for text in ax.get_xticklabels():
                text.set_horizontalalignment("right")
                text.set_rotation_mode("anchor")
        ax.set_ylabel("count above or below its photo\n(standard deviations of both)")
        ax.yaxis.set_major_locator(FixedLocator(range(-int(reach), int(reach) + 1)))
        open_frame(ax, grid="y")
        ax.legend(loc="upper left", ncols=2, frameon=False, fontsize=9)
        figure.supxlabel(
            f"{textwrap.fill(one_line(chart.sentence, 84 * 5), 84)}\n"
            "Rules: Shewhart's three sigma and the Western Electric runs.",
            fontsize=9.5,
            color=INK,
            x=0.02,
            ha="left",
        )
        save_figure(figure, path, title=title)
