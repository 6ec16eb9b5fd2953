"""What the charts share: settings, colours, frames and density axes, saving."""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from densitycam.atomic_file import write_whole
from densitycam.errors import DensitycamError
from densitycam.report.numbers import density_scale, significant
from densitycam.wording import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

#: Colours that stay apart for the colour-blind (Okabe & Ito 2008, "Color Universal Design").
BLUE, VERMILION, GREEN, GREY = "#0072B2", "#D55E00", "#009E73", "#5F6B6D"
SKY_BLUE, PURPLE, YELLOW = "#56B4E9", "#CC79A7", "#F0E442"
INK = "#22302F"
#: Lines that only guide the eye: the same grey, paler.
_GRID = "#D9DEDD"

#: Letters of the title that a file carries: those of all its vessels.
_LONGEST_TITLE = 1000

#: Pinned, so that a user's own matplotlib settings change nothing and the same input gives the
#: same bytes. Its keys are open because matplotlib's list of them differs between its versions.
SETTINGS: dict[Any, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 11.0,
    "text.usetex": False,
    "text.parse_math": False,
    "text.color": INK,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.unicode_minus": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "path.sketch": None,
    "savefig.bbox": "standard",
    "savefig.facecolor": "white",
    "svg.fonttype": "none",
    "svg.hashsalt": "densitycam",
}

_DPI = 160


def white_figure(width_in: float, height_in: float) -> Figure:
    """Return an empty chart on white, with a little room round what it will hold.

    Parameters
    ----------
    width_in, height_in : float
        Its size [inch].

    Returns
    -------
    Figure
        Made under `SETTINGS` where the caller has set them.
    """
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    room = ConstrainedLayoutEngine(h_pad=0.12, w_pad=0.12)
    return Figure(figsize=(width_in, height_in), facecolor="white", layout=room)


def open_frame(ax: Axes, *, grid: Literal["both", "x", "y"] = "both") -> None:
    """Give a panel faint grid lines under its data and no frame above and to the right.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        The panel.
    grid : {"both", "x", "y"}
        Which axes' ticks carry grid lines.
    """
    ax.grid(axis=grid, color=_GRID, linewidth=0.7)
    ax.set_axisbelow(True)
    ax.spines[["top", "right"]].set_visible(False)


def density_ticks(low: float, high: float) -> list[float]:
    """Return readable ticks of a logarithmic density axis.

    Parameters
    ----------
    low, high : float
        The axis' ends [cells/mL], 0 < low < high.

    Returns
    -------
    list of float
        1-2-5 steps, decades only over more than three decades; at least two where the axis
        spans a factor of 2.5.
    """
    decades = math.log10(high / low)
    steps = (1, 10) if decades > 3 else (1, 2, 5) if decades > 0.8 else (1, 1.5, 2, 3, 4, 5, 7)
    first, last = math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1
    ticks = {m * 10.0**e for e in range(first, last) for m in steps}
    return sorted(t for t in ticks if low * 0.999 <= t <= high * 1.001)


def set_density_axis(axis: Axis, low: float, high: float, *, label: str) -> None:
    """Give a logarithmic axis plain numbers in one unit, named in its label.

    Parameters
    ----------
    axis : matplotlib.axis.Axis
        `axes.xaxis` or `axes.yaxis`, already logarithmic.
    low, high : float
        Its ends [cells/mL].
    label : str
        What is shown, before the unit.
    """
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    factor, word = density_scale(high / 1.2)
    if low < factor / 200:  # an axis over many decades reads best in its middle's unit
        factor, word = density_scale(math.sqrt(low * high))
    axis.set_major_locator(FixedLocator(density_ticks(low, high)))
    axis.set_minor_locator(NullLocator())
    axis.set_major_formatter(
        FuncFormatter(lambda value, _: f"{float(significant(value / factor)):g}")
    )
    axis.set_label_text(f"{label} ({word} cells/mL)".replace("( ", "("))


def finite_positive(values: Iterable[float]) -> list[float]:
    """Return those values that a logarithmic axis can show.

    Parameters
    ----------
    values : iterable of float
        In any unit, which is kept.
    """
    return [v for v in values if math.isfinite(v) and v > 0]


@contextmanager
def boxes_for_missing_letters() -> Iterator[None]:
    """Draw a vessel's name in a script that the font lacks as boxes, without a warning."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def save_figure(figure: Figure, path: str | Path, *, title: str) -> None:
    """Write a figure as PNG or SVG, by the file's suffix; whole, and the same bytes every time.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Built under `SETTINGS`, without pyplot.
    path : str or Path
        Where to; must end in .png or .svg.
    title : str
        Written into the file.

    Raises
    ------
    DensitycamError
        For another suffix, or where the file cannot be written.
    """
    suffix = check_suffix(path)
    metadata: dict[str, Any] = {"Title": one_line(title, _LONGEST_TITLE)}
    if suffix == "svg":
        metadata |= {"Date": None, "Creator": "densitycam"}
    else:
        metadata |= {"Software": "densitycam"}
    stream = io.BytesIO()
    with boxes_for_missing_letters():
        figure.savefig(stream, format=suffix, dpi=_DPI, metadata=metadata)
    write_whole(path, stream.getvalue())


def check_suffix(path: str | Path) -> str:
    """Return "png" or "svg", or say which of the two to choose.

    Parameters
    ----------
    path : str or Path
        The file asked for.

    Returns
    -------
    str
        Its format.

    Raises
    ------
    DensitycamError
        For another suffix.
    """
    suffix = Path(path).suffix.lower().lstrip(".")
    if suffix not in ("png", "svg"):
        raise DensitycamError(
            f"A chart cannot be written as {Path(path).name!r}.",
            "Give it a name that ends in .png or .svg.",
        )
    return suffix
