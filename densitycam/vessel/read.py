"""From a photo file to the culture's `Reading`: the front door of photo and vessel together."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from densitycam.card.profile import PrintProfile
from densitycam.errors import PhotoRefusedError
from densitycam.photo.card_finder import CardFix, decode_with_card, refuse
from densitycam.photo.card_view import CardView, light_of_bare_card, square_up
from densitycam.photo.decode import LinearPhoto, decode_photo
from densitycam.photo.quantiles import median
from densitycam.vessel.bars import (
    CENTRAL_SHARE,
    SEA_WATER_INDEX,
    BarRows,
    bars_behind,
    middle_part,
    read_bars,
)
from densitycam.vessel.blank import Blank, assumed_blank, with_blank
from densitycam.vessel.outline import (
    find_sides,
    fluid_rows,
    outer_width_mm,
    outline,
    two_vessels_in,
)
from densitycam.vessel.reading import BarRow, Reading, rgb_of
from densitycam.vessel.signs import (
    BAR_EDGE_MM,
    BUBBLY,
    PATCHY,
    PATCHY_AMONG_BUBBLES,
    foam_bottom_row,
    is_settled,
    patchiness,
)

if TYPE_CHECKING:
    import numpy as np

#: Error of contrast and of mean transmittance that no row scatter shows: tone curve, reference,
#: glare. As a share of the value, and of full scale.
RELATIVE_FLOOR, CONTRAST_FLOOR, MEAN_FLOOR = 0.015, 0.004, 0.004

#: How far photos stray from one another beyond their own noise, against round vessels: flat walls
#: bend no light, so that neither place nor line of sight matters as much; a soft bag bulges anew.
#: On tuning seeds; a bag's after tests/benchmarks/bags.py, where intervals at 1.0 held 91 %.
STRAYING = {"cylinder": 1.0, "flat": 0.6, "bag": 1.3}

#: What comes to it where the print is not registered, for its greys bend the tone curve.
NOMINAL_STRAYING = 1.2

#: A cylinder looked at from above takes more contrast than its longer way alone: what is scattered
#: far from the bars strays further. Attenuation goes with a power of the way so much above 1, for
#: each millimetre of path (1.5 +/- 0.6 through 60 mm, 2.0 +/- 0.5 through 100 mm of tuning seeds;
#: 1.0 +/- 0.2 through a flat bottle).
SLANT_EXTRA_PER_MM = 0.009

#: Refusals that two vessels beside each other may bring about.
LIKE_TWO_VESSELS = ("uneven-light", "flicker", "moved", "blurred", "tone")

#: Empty glass is this neutral: its darkest channel's mean transmittance over its lightest's.
DRY_NEUTRAL = 0.75

#: How far a window of one period of bars reaches above its middle [mm].
WINDOW_REACH_MM = 10.0

#: Linear light before correction below which a channel counts as crushed to zero, as the blue
#: of a dense green culture is: five of 255 codes.
CRUSHED = 0.0016


@dataclass(frozen=True)
class PhotoReading:
    """A reading with what is needed to show, date and recognise the photo it came from.

    Parameters
    ----------
    reading : Reading
        The optical measurement.
    taken_at : datetime
        Capture time, local, naive.
    time_source : {"exif", "name", "file"}
        Where the time came from.
    utc_offset : str or None
        Of the camera's clock, such as "+01:00", where the photo says it.
    sha256 : str
        Hash of the file's bytes.
    capture : str or None
        As in `densitycam.photo.decode.LinearPhoto`.
    upright_rgb : ndarray of uint8, shape (H, W, 3)
        The photo as it was read; `picture_of` gives a finer one to draw on.
    sheet_to_photo : ndarray of float64, shape (3, 3)
        Homography from the sheet's millimetres to its pixels.
    paper : {"a4", "letter"}
        The card's format.
    px_per_mm : float
        Scale over the bars [px/mm].
    tilt_deg : float
        Line of sight against the card's normal [degree].
    tone_misfit, light_ratio, blur_mm : float
        Quality figures of `CardView`.
    tags : tuple of int
        Ids of the vessel tags in the photo, rising.
    """

    reading: Reading
    taken_at: datetime
    time_source: str
    utc_offset: str | None
    sha256: str
    capture: str | None
    upright_rgb: np.ndarray
    sheet_to_photo: np.ndarray
    paper: str
    px_per_mm: float
    tilt_deg: float
    tone_misfit: float
    light_ratio: float
    blur_mm: float
    tags: tuple[int, ...] = ()


def read_photo(
    path: str | Path,
    *,
    path_mm: float,
    shape: str,
    dilution: float = 1.0,
    blank: Blank | None = None,
    profile: PrintProfile | None = None,
    width_mm: float | None = None,
) -> PhotoReading:
    """Measure the culture in a photo.

    Parameters
    ----------
    path : str or Path
        The photo.
    path_mm : float
        The vessel's inner width along the line of sight [mm].
    shape : {"cylinder", "flat", "bag"}
        The vessel's shape.
    dilution : float, default 1
        Final over drawn volume, where a diluted sample was snapped.
    blank : Blank or None
        The same vessel with clean salt water; without it a clean glass one is assumed.
    profile : PrintProfile or None
        The print's own reflectances, where it is registered.
    width_mm : float or None
        The vessel's outer width as seen from the front [mm], where it is known.

    Returns
    -------
    PhotoReading
        The reading and the photo's own facts.

    Raises
    ------
    DensitycamError
        When the file cannot be opened.
    PhotoRefusedError
        When the photo cannot be measured; its flag says why.
    ValueError
        For a path or dilution out of range, or an unknown shape.
    """
    if not path_mm > 0 or not dilution >= 1 or shape not in CENTRAL_SHARE:
        raise ValueError(f"path_mm {path_mm}, dilution {dilution}, shape {shape!r}")
    photo, fix = decode_with_card(path)
    try:
        view = square_up(photo, fix, profile=profile)
    except PhotoRefusedError as refusal:
        if refusal.flag in LIKE_TWO_VESSELS and _shows_two_vessels(photo, fix):
            raise refuse("two-vessels") from refusal
        raise
    return PhotoReading(
        reading=read_view(
            view, path_mm=path_mm, shape=shape, dilution=dilution, blank=blank, width_mm=width_mm
        ),
        taken_at=photo.taken_at,
        time_source=photo.time_source,
        utc_offset=photo.utc_offset,
        sha256=photo.sha256,
        capture=photo.capture,
        upright_rgb=photo.rgb,
        sheet_to_photo=fix.sheet_to_photo,
        paper=fix.layout.paper,
        px_per_mm=fix.px_per_mm,
        tilt_deg=fix.tilt_deg,
        tone_misfit=view.tone_misfit,
        light_ratio=view.light_ratio,
        blur_mm=view.blur_mm,
        tags=fix.tags,
    )


def picture_of(path: str | Path, seen: PhotoReading) -> tuple[np.ndarray, np.ndarray]:
    """Return a photo that was read as finely as one draws on it.

    Parameters
    ----------
    path : str or Path
        The photo.
    seen : PhotoReading
        What `read_photo` returned of it, perhaps at a coarser scale.

    Returns
    -------
    rgb : ndarray of uint8, shape (H, W, 3)
        Its upright pixels.
    sheet_to_photo : ndarray of float64, shape (3, 3)
        Homography from the sheet's millimetres to them.

    Raises
    ------
    DensitycamError
        When the file cannot be opened any more.
    """
    import numpy as np

    rgb = decode_photo(path).rgb
    times = rgb.shape[1] / seen.upright_rgb.shape[1]
    # Pixel centres lie at whole numbers: the first one's at half a pixel from the edge.
    finer = np.array([[times, 0, (times - 1) / 2], [0, times, (times - 1) / 2], [0, 0, 1.0]])
    return rgb, finer @ seen.sheet_to_photo


def _shows_two_vessels(photo: LinearPhoto, fix: CardFix) -> bool:
    try:
        light = light_of_bare_card(photo, fix)
    except PhotoRefusedError:
        return False
    return two_vessels_in(light, fix.layout, fix.camera_mm)


def read_view(
    view: CardView,
    *,
    path_mm: float,
    shape: str,
    dilution: float = 1.0,
    blank: Blank | None = None,
    width_mm: float | None = None,
) -> Reading:
    """Measure the culture on a squared-up card.

    Parameters
    ----------
    view : CardView
        From `square_up`.
    path_mm, shape, dilution, blank, width_mm
        As in `read_photo`.

    Returns
    -------
    Reading
        Its `path_mm` is the mean chord through the part that was read [mm].

    Raises
    ------
    PhotoRefusedError
        When no vessel can be read on it; its flag says why.
    """
    field = view.layout.bar_field
    left, right = find_sides(view, path_mm=path_mm, shape=shape, width_mm=width_mm)
    bars = read_bars(view, left_mm=left, right_mm=right, path_mm=path_mm, shape=shape)
    reading = _reading_of_rows(
        bars,
        view=view,
        left_mm=left,
        right_mm=right,
        chord_mm=path_mm
        * mean_chord_share(shape)
        * slant(
            view.camera_mm,
            middle_mm=(left + right) / 2,
            middle_y_mm=field.y_mm + field.height_mm / 2,
            shape=shape,
        )
        ** (1 + (SLANT_EXTRA_PER_MM * path_mm if shape == "cylinder" else 0.0)),
        dilution=dilution,
        blank=blank,
    )
    first, last = middle_part(view, left_mm=left, right_mm=right, shape=shape)
    reading = replace(
        reading, outline=replace(reading.outline, read_left_mm=first, read_right_mm=last)
    )
    nominal = 0.0 if view.registered else NOMINAL_STRAYING
    reading = replace(reading, straying=math.hypot(STRAYING[shape], nominal))
    in_sight = field.x_mm < left and right < field.right_mm
    if shape == "bag" or not in_sight:
        return reading
    width = outer_width_mm(view, left_mm=left, right_mm=right, path_mm=path_mm, shape=shape)
    return replace(reading, outline=replace(reading.outline, width_mm=width))


def mean_chord_share(shape: str) -> float:
    """Return the mean light path over the part that is read, as a share of the inner width.

    The chord at a share u of the radius is sqrt(1 - u^2); its mean over 0 to u is
    (u sqrt(1 - u^2) + asin u) / (2 u). A soft bag's section is a lens: to the second order the
    mean is 1 - u^2 / 3 where it is flat and 1 - u^2 / 6 where it is round; taken is between.

    Parameters
    ----------
    shape : {"cylinder", "flat", "bag"}
        Form of the fluid.

    Returns
    -------
    float
        Dimensionless, pi/4 to 1; 1 for a flat vessel.
    """
    if shape == "flat":
        return 1.0
    u = CENTRAL_SHARE[shape]
    if shape == "bag":
        return 1 - u * u / 4
    return (u * math.sqrt(1 - u * u) + math.asin(u)) / (2 * u)


def slant(camera_mm: np.ndarray, *, middle_mm: float, middle_y_mm: float, shape: str) -> float:
    """Return how much longer the way through the fluid is for a line of sight at an angle.

    Parameters
    ----------
    camera_mm : ndarray of float64, shape (3,)
        Camera's place: x right, y down, z out of the sheet [mm].
    middle_mm : float
        The vessel's middle, from the sheet's left [mm].
    middle_y_mm : float
        The bars' middle, from the sheet's top [mm].
    shape : {"cylinder", "flat", "bag"}
        A cylinder is met square on by every line that crosses its axis, seen from above.

    Returns
    -------
    float
        1 / cos of the angle inside the fluid (Snell), >= 1.
    """
    across = 0.0 if shape == "cylinder" else (middle_mm - camera_mm[0]) / camera_mm[2]
    upward = (middle_y_mm - camera_mm[1]) / camera_mm[2]
    squared = across**2 + upward**2
    sine = math.sqrt(squared / (1 + squared)) / SEA_WATER_INDEX
    return 1 / math.sqrt(1 - sine**2)


def _reading_of_rows(
    bars: BarRows,
    *,
    view: CardView,
    left_mm: float,
    right_mm: float,
    chord_mm: float,
    dilution: float,
    blank: Blank | None,
) -> Reading:
    """Combine rows into one reading: robust over rows, blank taken off, signs looked for."""
    import numpy as np

    usable = median(bars.raw_white) > CRUSHED
    lead = usable[:2] if usable[:2].any() else np.array([True, True])
    row_contrast = bars.contrast_t[:, :2][:, lead].mean(axis=1)
    row_mean = bars.mean_t[:, :2][:, lead].mean(axis=1)
    count = min(fluid_rows(row_contrast), fluid_rows(row_mean))
    above = bars.mean_t[count + 2 :]
    if len(above) and median(above.min(axis=1) / above.max(axis=1)) < DRY_NEUTRAL:
        count = len(row_contrast)  # no empty glass up there: patches on the wall, not a surface
    foam_mm = _foam_bottom_mm(bars, view)
    if foam_mm is not None:
        under = int(np.sum(bars.height_mm + WINDOW_REACH_MM <= foam_mm))
        count = max(min(count, under + 1), 2)
    # The uppermost row under the surface may straddle it; leave it out where enough remain.
    fluid = slice(0, count - 1 if count < len(bars.height_mm) and count > 3 else count)

    contrast, contrast_se = _combine(bars.contrast_t[fluid], bars.spread[fluid])
    mean, mean_se = _combine(bars.mean_t[fluid], np.zeros_like(bars.mean_t[fluid]))
    contrast_se = np.sqrt(contrast_se**2 + (RELATIVE_FLOOR * contrast) ** 2 + CONTRAST_FLOOR**2)
    mean_se = np.sqrt(mean_se**2 + (RELATIVE_FLOOR * mean) ** 2 + MEAN_FLOOR**2)

    top_mm = view.layout.base_line_y_mm - (bars.height_mm[fluid][-1] + WINDOW_REACH_MM)
    raw = Reading(
        path_mm=chord_mm,
        contrast_t=rgb_of(contrast),
        contrast_t_se=rgb_of(contrast_se),
        mean_t=rgb_of(mean),
        mean_t_se=rgb_of(mean_se),
        veil=rgb_of(median(bars.veil[fluid])),
        # What follows from the blank is filled in by with_blank.
        attenuation=(np.nan,) * 3,
        attenuation_se=(np.nan,) * 3,
        absorbance=(np.nan,) * 3,
        absorbance_se=(np.nan,) * 3,
        blank_se=np.nan,
        usable=(bool(usable[0]), bool(usable[1]), bool(usable[2])),
        greenness=np.nan,
        turbidity_per_mm=np.nan,
        dilution=dilution,
        outline=outline(view, left_mm=left_mm, right_mm=right_mm, top_mm=top_mm),
        rows=tuple(
            BarRow(float(h), rgb_of(c), rgb_of(m), rgb_of(v))
            for h, c, m, v in zip(
                bars.height_mm[fluid],
                bars.contrast_t[fluid],
                bars.mean_t[fluid],
                bars.veil[fluid],
                strict=True,
            )
        ),
        flags=(),
    )
    reading = with_blank(raw, blank or assumed_blank(chord_mm))
    signs = []
    if "too-thin" not in reading.flags and is_settled(
        heights_mm=bars.height_mm[fluid],
        row_contrast=row_contrast[fluid],
        row_mean=row_mean[fluid],
    ):
        signs.append("settled")
    if foam_mm is not None:
        signs.append("foam")
    bubbly = bars.strip.spots_share > BUBBLY
    if bubbly:
        signs.append("bubbles")
    patches = _patchiness(bars, view, top_mm=float(bars.height_mm[fluid][-1]))
    if patches > (PATCHY_AMONG_BUBBLES if bubbly else PATCHY):
        signs.append("film")
    return replace(reading, flags=(*reading.flags, *signs), left_out=bars.strip.left_out)


def _foam_bottom_mm(bars: BarRows, view: CardView) -> float | None:
    """Return where foam begins, as seen through the fluid [mm above the base line], or None."""
    strip, layout = bars.strip, view.layout
    bar, from_edge = bars_behind(strip.at_mm, layout)
    bar_seen, from_edge_seen = bars_behind(strip.seen_mm, layout)
    row = foam_bottom_row(
        strip.light,
        black=(bar % 2 == 0)
        & (from_edge > BAR_EDGE_MM)
        & (bar_seen % 2 == 0)
        & (from_edge_seen > BAR_EDGE_MM),
        height_mm=layout.base_line_y_mm - strip.at_mm,
        px_per_mm=strip.px_per_mm,
        among_bubbles=strip.spots_share > BUBBLY,
    )
    return None if row is None else float(layout.base_line_y_mm - strip.seen_mm[row])


def _patchiness(bars: BarRows, view: CardView, *, top_mm: float) -> float:
    """Return the fluid's patchiness up to a little above the middle of its uppermost row."""
    strip = bars.strip
    height = view.layout.base_line_y_mm - strip.seen_mm
    fluid = height < top_mm + 5.0
    bar, from_edge = bars_behind(strip.seen_mm[fluid], view.layout)
    return patchiness(
        strip.light[fluid], bar=bar, from_edge_mm=from_edge, px_per_mm=strip.px_per_mm
    )


def _combine(values: np.ndarray, spread: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows' median and its standard error, the larger of scatter and own errors.

    Neighbouring windows overlap by half, so R rows count as R / 2 independent ones; the median's
    error is 1.2533 times the mean's (normal scatter).
    """
    import numpy as np

    middle = median(values)
    scatter = 1.4826 * median(np.abs(values - middle))
    independent = max(len(values) / 2, 1.0)
    own = median(spread)
    return middle, 1.2533 * np.hypot(scatter, own) / np.sqrt(independent)
