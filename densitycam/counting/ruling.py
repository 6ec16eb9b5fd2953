"""The ruling of a counting chamber in a photo: its turn, its scale, its lines and its squares."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from densitycam.errors import PhotoRefusedError

if TYPE_CHECKING:
    import numpy as np

__all__ = [
    "MOTIFS",
    "FoundRuling",
    "Motif",
    "Square",
    "above_usual",
    "find_ruling",
    "flattened",
    "squared_up",
]

# Shares, widths and thresholds without another source, here and in the functions below, were tuned
# on simulated slides: seeds 0 to 79 and 10000 of tests/benchmarks/slides.py.

#: Longest side of the picture in which turn and scale are looked for [px].
_SMALL_PX = 1024
#: A picture with a shorter side than this holds no square that could be counted [px].
_LEAST_PX = 300
#: Squares looked for are between these shares of the small picture's shorter side.
_SIDE_SHARE = (0.09, 1.0)
#: Chunks along a line in which its place is measured [um].
_CHUNK_UM = 25.0
#: Least agreement of the line profiles with the ruling's, and of the lines round a square.
_LEAST_MATCH = 0.40
_LEAST_SEEN = 0.65
#: The same over a sixth of a square's side, and how many sixths must show it.
_LEAST_PIECE, _PIECES, _MOST_PIECES = 0.40, 6, 4
#: Least depth of a line round a square against the lines' mean.
_LEAST_DEPTH = 0.35
#: Other motifs of a chamber are tried where they agree at least this share of the best.
_RIVAL = 0.6
#: A wider line is out of focus, or the ruling was taken for a larger one: standard deviation [um].
_WIDEST_LINE_UM = 2.6
#: Agreement from which a picture surely shows a ruling.
_SURE_MATCH = 0.50
#: Share of the field that is dark, above which cells hide the lines.
_CROWDED = 0.15
#: A triple line's outer line may run inside a square this close to its edge [um].
_BORDER_UM = 18.0


@dataclass(frozen=True)
class Motif:
    """What repeats in a ruling, along both axes.

    Parameters
    ----------
    chamber, unit : str
        Ids in `densitycam.counting.chambers`.
    period_um : tuple of float
        After which the lines repeat, the wider first [um].
    lines_um : tuple of float
        Places of the lines in one period, from its start [um].
    triple : bool
        Whether the line at 0 has one more on either side, a few micrometres off.
    square_um : tuple of float
        Start and end of a counted square in the period; the end of the second axis follows its
        own period in the same share [um].
    """

    chamber: str
    unit: str
    period_um: tuple[float, float]
    lines_um: tuple[float, ...]
    triple: bool
    square_um: tuple[float, float]


#: Rulings that are found: the nets of `densitycam.counting.chambers` line by line, with which a
#: test compares them; the places of double lines and halved strips are from memory, as there.
MOTIFS: tuple[Motif, ...] = (
    Motif(
        "improved-neubauer", "group", (200.0, 200.0), (0.0, 50.0, 100.0, 150.0), True, (0.0, 200.0)
    ),
    Motif("improved-neubauer", "sixteenth", (250.0, 250.0), (0.0,), False, (0.0, 250.0)),
    Motif(
        "thoma",
        "group",
        (250.0, 250.0),
        (0.0, 50.0, 100.0, 150.0, 200.0, 225.0),
        False,
        (0.0, 200.0),
    ),
    Motif(
        "neubauer",
        "group",
        (250.0, 250.0),
        (0.0, 50.0, 100.0, 150.0, 200.0, 225.0),
        False,
        (0.0, 200.0),
    ),
    Motif("buerker", "group", (250.0, 250.0), (25.0, 225.0), False, (25.0, 225.0)),
    Motif("fuchs-rosenthal", "group", (250.0, 250.0), (0.0,), False, (0.0, 250.0)),
    Motif("malassez", "rectangle", (250.0, 200.0), (0.0,), False, (0.0, 250.0)),
    Motif("sedgewick-rafter", "square", (1000.0, 1000.0), (0.0,), False, (0.0, 1000.0)),
)


@dataclass(frozen=True)
class Square:
    """One square of the ruling that lies wholly in sight.

    Parameters
    ----------
    number : int
        From 1, in reading order as the ruling is seen upright.
    left_um, top_um, right_um, bottom_um : float
        Its edges, the middles of its lines, in the ruling's frame [um].
    """

    number: int
    left_um: float
    top_um: float
    right_um: float
    bottom_um: float


@dataclass(frozen=True, eq=False)
class FoundRuling:
    """A ruling found in a photo.

    Its frame has u to the right and v down as the ruling is seen when turned upright by less than
    an eighth of a turn.

    Parameters
    ----------
    motif : Motif
        What repeats.
    px_per_um : float
        Scale in the middle of the picture [px/um].
    rotation_deg : float
        Turn of the ruling in the picture, clockwise, -45 to 45 [deg].
    periods_um : tuple of float
        Period along u and along v [um].
    dark : bool
        Whether the lines are darker than the ground.
    gap_um : float
        Between the lines of a triple line [um]; 0 where there is none.
    line_sigma_um : tuple of float
        Standard deviation of a single line's profile along u and along v [um].
    line_depth : float
        Light lost (or gained) in the middle of a line, share of the ground.
    origin_px : tuple of float
        Where the frame's origin lies (x, y), before the bend [px].
    bend_u, bend_v : ndarray of float, shape (10,)
        Cubic polynomials in (u, v) / `reach_um` that carry lens distortion and slant [um].
    reach_um : float
        Scale of those polynomials [um].
    squares : tuple of Square
        Squares wholly in sight, in reading order.
    """

    motif: Motif
    px_per_um: float
    rotation_deg: float
    periods_um: tuple[float, float]
    dark: bool
    gap_um: float
    line_sigma_um: tuple[float, float]
    line_depth: float
    origin_px: tuple[float, float]
    bend_u: np.ndarray
    bend_v: np.ndarray
    reach_um: float
    squares: tuple[Square, ...] = ()

    def to_px(self, um: np.ndarray) -> np.ndarray:
        """Return where points of the frame lie in the photo.

        Parameters
        ----------
        um : ndarray of float, shape (..., 2)
            u and v [um].

        Returns
        -------
        ndarray of float, shape (..., 2)
            x and y [px].
        """
        import numpy as np

        um = np.asarray(um, dtype=np.float64)
        terms = _terms(um[..., 0], um[..., 1], self.reach_um)
        bent = um + np.stack([terms @ self.bend_u, terms @ self.bend_v], axis=-1)
        turn = math.radians(self.rotation_deg)
        c, s = math.cos(turn), math.sin(turn)
        x = (c * bent[..., 0] - s * bent[..., 1]) * self.px_per_um + self.origin_px[0]
        y = (s * bent[..., 0] + c * bent[..., 1]) * self.px_per_um + self.origin_px[1]
        return np.stack([x, y], axis=-1)

    def lines(self, axis: int, low_um: float, high_um: float) -> list[tuple[float, bool]]:
        """Return the lines of constant u (axis 0) or v (axis 1) between two places.

        Parameters
        ----------
        axis : {0, 1}
            0 for lines of constant u, 1 for those of constant v.
        low_um, high_um : float
            The two places, both included [um].

        Returns
        -------
        list of (float, bool)
            Place [um], and whether it is the middle of a triple line.
        """
        period = self.periods_um[axis]
        scale = period / self.motif.period_um[0]
        found = []
        for k in range(math.floor(low_um / period) - 1, math.ceil(high_um / period) + 1):
            for at in self.motif.lines_um:
                place = k * period + at * scale
                if low_um <= place <= high_um:
                    found.append((place, self.motif.triple and at == 0.0))
        return sorted(found)


def _terms(u: np.ndarray, v: np.ndarray, reach: float) -> np.ndarray:
    import numpy as np

    a, b = u / reach, v / reach
    one = np.ones_like(a)
    return np.stack([one, a, b, a * a, a * b, b * b, a**3, a * a * b, a * b * b, b**3], axis=-1)


def flattened(light: np.ndarray, *, sigma_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Divide out the lamp and the vignetting.

    Parameters
    ----------
    light : ndarray of float32, shape (H, W) or (H, W, 3)
        Linear light.
    sigma_px : float
        Width of what counts as ground [px].

    Returns
    -------
    ratio : ndarray of float32, same shape
        Light over the ground round it; 1 is bare glass, and 1 outside the field.
    field : ndarray of bool, shape (H, W)
        The eyepiece's round field.
    """
    import cv2
    import numpy as np

    height, width = light.shape[:2]
    shrink = max(1.0, sigma_px / 6.0)
    size = (max(8, round(width / shrink)), max(8, round(height / shrink)))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    grey = small if small.ndim == 2 else small.mean(axis=2)
    # Most of a slide is bare glass, so a high percentile is the ground, and the dark surround of
    # the field lies far below it.
    bright = float(np.percentile(grey, 90))
    field = (grey > 0.25 * bright).astype(np.uint8)
    field = cv2.morphologyEx(field, cv2.MORPH_CLOSE, np.ones((7, 7), np.uint8))
    inner = cv2.erode(field, np.ones((5, 5), np.uint8)).astype(np.float32)
    if inner.sum() < 0.05 * inner.size:
        inner = field.astype(np.float32)
    sigma = sigma_px / shrink
    planes = [small] if small.ndim == 2 else cv2.split(small)
    grounds = []
    for plane in planes:
        ground = _smooth(plane, inner, sigma)
        # Once more without what stands out, cells and lines.
        odd = np.abs(plane / np.maximum(ground, 1e-6) - 1) > 0.05
        calm = inner * ~odd
        grounds.append(_smooth(plane, np.maximum(calm, 0.02 * inner), sigma))
    field_full = cv2.resize(inner, (width, height), interpolation=cv2.INTER_LINEAR) > 0.5
    full = [
        cv2.resize(g.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
        for g in grounds
    ]
    ground = full[0] if light.ndim == 2 else cv2.merge(full)
    ratio = light / np.maximum(ground, 1e-4)
    ratio[~field_full] = 1.0
    return ratio.astype(np.float32), field_full


def above_usual(profile: np.ndarray, reach_px: int) -> np.ndarray:
    """Return how far a profile stands above what is usual round each place.

    Parameters
    ----------
    profile : ndarray of float, shape (n,)
        Along a line across the picture.
    reach_px : int
        How far to either side the median is taken [px].

    Returns
    -------
    ndarray of float, shape (n,)
        The profile less its running median.
    """
    import numpy as np

    padded = np.pad(profile, reach_px, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach_px + 1)
    above: np.ndarray = profile - np.median(windows, axis=1)
    return above


def _smooth(plane: np.ndarray, weight: np.ndarray, sigma: float) -> np.ndarray:
    """Gaussian mean over what has weight."""
    import cv2
    import numpy as np

    top = cv2.GaussianBlur(plane * weight, (0, 0), sigma)
    bottom = cv2.GaussianBlur(weight, (0, 0), sigma)
    far = float((plane * weight).sum() / max(weight.sum(), 1e-6))
    return np.where(bottom > 1e-3, top / np.maximum(bottom, 1e-3), far)


def find_ruling(light: np.ndarray, *, chamber: str, unit: str | None = None) -> FoundRuling:
    """Find the ruling in a photo.

    Parameters
    ----------
    light : ndarray of float32, shape (H, W)
        Linear light, grey.
    chamber : str
        Chamber id.
    unit : str or None, default None
        Which squares are in the picture; None finds out.

    Returns
    -------
    FoundRuling
        With its squares that lie wholly in sight.

    Raises
    ------
    PhotoRefusedError
        With flag "no-ruling" where no ruling of that chamber is found; "no-square" where no whole
        square is in sight; "cells-crowded" where cells hide the lines.

    Notes
    -----
    The turn is where the picture's power spectrum has its two rays at right angles. The scale is
    where the profiles along both axes agree best with the ruling's lines (normalised
    correlation over scale and offset). Then each line is followed in short pieces, and a cubic
    polynomial fitted to their places carries lens distortion and slant.
    """
    import cv2
    import numpy as np

    motifs = [m for m in MOTIFS if m.chamber == chamber and unit in (None, m.unit)]
    if not motifs:
        known = [m.unit for m in MOTIFS if m.chamber == chamber]
        wanted = f"{unit} squares" if known else "squares"
        raise PhotoRefusedError(
            f"The {wanted} of the {chamber} chamber cannot be found in a photo.",
            f"Photograph its {' or '.join(known)} squares, or count by eye."
            if known
            else "Count by eye.",
            flag="no-ruling",
        )
    height, width = light.shape
    if min(height, width) < _LEAST_PX:
        raise _no_ruling(chamber)
    shrink = min(1.0, _SMALL_PX / max(height, width))
    size = (round(width * shrink), round(height * shrink))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA) if shrink < 1 else light
    ratio, field = flattened(small, sigma_px=max(size) / 25)
    dark = np.clip(1.0 - ratio, -0.25, 0.25) * field

    turn = _rotation(dark, field)
    turned, weight = _turned(dark, field, turn)
    profiles = [_profile(turned, weight, axis) for axis in (0, 1)]
    fits = _best_fits(profiles, motifs, min(size))
    if not fits or fits[0].match < _LEAST_MATCH:
        raise _no_ruling(chamber)
    cut_off = False
    for fit in fits:
        if fit.match < max(_LEAST_MATCH, _RIVAL * fits[0].match):
            continue
        start = _placed(fit, turn, turned.shape[0], shrink, (width, height))
        ruling, sheet = _followed(start, light)
        if not min(ruling.line_sigma_um) < _WIDEST_LINE_UM:
            continue
        squares = _squares_in_sight(ruling, sheet, (width, height))
        if not squares:
            cut_off = True
        elif _explains_all(ruling, sheet, squares):
            return replace(ruling, squares=squares)
    if fits[0].match > _SURE_MATCH and float((dark[field] > 0.1).mean()) > _CROWDED:
        raise PhotoRefusedError(
            "So many cells lie in the picture that the ruling's lines cannot be followed.",
            "Dilute the sample 1:5 with clean salt water, load it again, and count with "
            "--dilution 5.",
            flag="cells-crowded",
        )
    if cut_off:
        raise PhotoRefusedError(
            "No square of the ruling lies wholly in the picture with all its lines to be seen.",
            "Move the slide until a whole square is in the field, or use a weaker objective.",
            flag="no-square",
        )
    raise _no_ruling(chamber)


def _placed(
    fit: _Fit, turn: float, side: int, shrink: float, size_px: tuple[int, int]
) -> FoundRuling:
    """Carry a fit from the turned small picture to the photo; periods count from its middle."""
    import numpy as np

    width, height = size_px
    middle = (np.array([width, height]) - 1) / 2
    scale = fit.px_per_um / shrink
    periods = np.array(fit.periods_um) * scale
    at = (np.array(fit.offset) - (side - 1) / 2) / shrink
    at = at - np.round(at / periods) * periods
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    return FoundRuling(
        motif=fit.motif,
        px_per_um=scale,
        rotation_deg=turn,
        periods_um=fit.periods_um,
        dark=fit.dark,
        gap_um=fit.gap_um,
        line_sigma_um=(math.nan, math.nan),
        line_depth=math.nan,
        origin_px=(
            float(middle[0] + c * at[0] - s * at[1]),
            float(middle[1] + s * at[0] + c * at[1]),
        ),
        bend_u=np.zeros(10),
        bend_v=np.zeros(10),
        reach_um=max(width, height) / 2 / scale,
    )


def _no_ruling(chamber: str) -> PhotoRefusedError:
    return PhotoRefusedError(
        f"The ruling of the {chamber} chamber was not found in the picture.",
        "Focus on the lines, take the picture straight down the eyepiece, and name the chamber "
        "with --chamber; where cells cover the lines, dilute the sample.",
        flag="no-ruling",
    )


def _rotation(dark: np.ndarray, field: np.ndarray) -> float:
    """Return the turn of two families of lines at right angles, -45 to 45 [deg]."""
    import cv2
    import numpy as np

    height, width = dark.shape
    soft = cv2.GaussianBlur(cv2.erode(field.astype(np.float32), np.ones((9, 9))), (0, 0), 9)
    window = soft * np.outer(np.hanning(height), np.hanning(width)).astype(np.float32)
    side = _SMALL_PX
    power = np.abs(np.fft.fftshift(np.fft.fft2(dark * window, (side, side)))) ** 2
    power = cv2.GaussianBlur(power.astype(np.float32), (0, 0), 1.0)
    angles = np.radians(np.arange(0, 180, 0.25))
    radii = np.arange(6, 0.30 * side)
    x = side / 2 + np.outer(np.cos(angles), radii)
    y = side / 2 + np.outer(np.sin(angles), radii)
    polar = cv2.remap(power, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    ray = np.log1p(polar / np.maximum(np.median(polar, axis=0), 1e-12)).sum(axis=1)
    half = len(angles) // 2
    # Both families must be there: a fibre alone draws one ray.
    above = np.maximum(ray - np.median(ray), 0.0)
    both = np.sqrt(above[:half] * above[half:])
    start = math.degrees(angles[int(np.argmax(both))])
    best = max(
        (start + step for step in np.arange(-1.0, 1.01, 0.1)),
        key=lambda turn: _stripiness(dark, field, turn),
    )
    best = max(
        (best + step for step in np.arange(-0.08, 0.081, 0.02)),
        key=lambda turn: _stripiness(dark, field, turn),
    )
    return float((best + 45) % 90 - 45)


def _turned(dark: np.ndarray, field: np.ndarray, turn: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the picture turned upright about its middle, in a square that holds it, and field."""
    import cv2
    import numpy as np

    height, width = dark.shape
    side = math.ceil(math.hypot(height, width))
    matrix: np.ndarray = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), turn, 1.0)
    matrix[:, 2] += (side - 1) / 2 - np.array([(width - 1) / 2, (height - 1) / 2])
    turned = cv2.warpAffine(dark.astype(np.float32), matrix, (side, side))
    weight = cv2.warpAffine(field.astype(np.float32), matrix, (side, side))
    return turned, weight


def _stripiness(dark: np.ndarray, field: np.ndarray, turn: float) -> float:
    turned, weight = _turned(dark, field, turn)
    return sum(
        float((p.values**2 * p.weights).sum())
        for p in (_profile(turned, weight, 0, clip=False), _profile(turned, weight, 1, clip=False))
    )


class _Profile(NamedTuple):
    """Mean darkness across the lines of one axis, and how much each place weighs."""

    values: np.ndarray
    weights: np.ndarray


def _profile(turned: np.ndarray, weight: np.ndarray, axis: int, *, clip: bool = True) -> _Profile:
    """Return the profile along u (axis 0) or v (axis 1); the picture's middle weighs most."""
    import cv2
    import numpy as np

    side = turned.shape[0]
    place = (np.arange(side) - (side - 1) / 2) / side
    along = np.exp(-0.5 * (place / 0.22) ** 2).astype(np.float32)
    if axis == 0:
        top, bottom = along @ (turned * weight), along @ weight
    else:
        top, bottom = (turned * weight) @ along, weight @ along
    values = top / np.maximum(bottom, 1e-6)
    weights = np.where(bottom > 0.15 * bottom.max(), bottom, 0.0)
    weights = weights * np.exp(-0.5 * (place / 0.30) ** 2)
    width = 2 * (side // 24) + 1
    ground = cv2.blur(values.reshape(1, -1).astype(np.float32), (width, 1)).ravel()
    values = np.where(weights > 0, values - ground, 0.0)
    if clip:
        top_value = float(np.percentile(np.abs(values[weights > 0]), 99.5)) + 1e-9
        values = np.clip(values / top_value, -1.0, 1.0)
    values = values - float((values * weights).sum() / weights.sum())
    return _Profile(np.where(weights > 0, values, 0.0), weights)


@dataclass(frozen=True)
class _Fit:
    """One reading of the profiles."""

    motif: Motif
    periods_um: tuple[float, float]
    px_per_um: float
    offset: tuple[float, float]
    dark: bool
    gap_um: float
    match: float


def _best_fits(profiles: list[_Profile], motifs: list[Motif], side_px: int) -> list[_Fit]:
    """Return, best first, the scale and offsets at which each motif agrees best."""
    import numpy as np

    spectra = [_spectra(profile) for profile in profiles]
    best = []
    for motif in motifs:
        a, b = motif.square_um
        low, high = (share * side_px / (b - a) for share in _SIDE_SHARE)
        wide, narrow = motif.period_um
        ways = [(wide, narrow)] if wide == narrow else [(wide, narrow), (narrow, wide)]
        scales = np.exp(np.arange(math.log(low), math.log(high), _SCALE_STEP))
        rough = max(
            (fit for way in ways for fit in _fits(spectra, motif, way, scales, 8.5)),
            key=lambda fit: fit.match,
        )
        fine = rough.px_per_um * np.exp(np.arange(-0.006, 0.0061, 0.001))
        again = [
            fit
            for gap in ((6.0, 7.5, 9.0, 10.5) if motif.triple else (0.0,))
            for fit in _fits(spectra, motif, rough.periods_um, fine, gap)
            if fit.dark == rough.dark
        ]
        best.append(max(again, key=lambda fit: fit.match))
    return sorted(best, key=lambda fit: -fit.match)


#: Step of the scale in the first search, natural logarithm.
_SCALE_STEP = 0.006


class _Spectra(NamedTuple):
    """Fourier transforms of a profile and of its weights, padded to `size`."""

    signal: np.ndarray
    weight: np.ndarray
    length: int
    size: int
    total: float
    energy: float


def _spectra(profile: _Profile) -> _Spectra:
    import numpy as np

    values, weights = profile
    # The template starts up to a period (at most the profile's length) before the profile.
    size = 1 << (2 * len(values)).bit_length()
    return _Spectra(
        np.fft.rfft(values * weights, size),
        np.fft.rfft(weights, size),
        len(values),
        size,
        float(weights.sum()),
        float((values**2 * weights).sum()) + 1e-12,
    )


def _fits(
    spectra: list[_Spectra],
    motif: Motif,
    periods: tuple[float, float],
    scales: np.ndarray,
    gap: float,
) -> list[_Fit]:
    """Return, for each scale, how well dark and bright lines fit both profiles."""
    fits = []
    for scale in (float(s) for s in scales):
        found = [
            _agreement(s, motif, period, scale, gap)
            for s, period in zip(spectra, periods, strict=True)
        ]
        for dark in (True, False):
            (one, at_one), (two, at_two) = (f[0 if dark else 1] for f in found)
            match = 0.5 * min(one, two) + 0.25 * (one + two)
            fits.append(
                _Fit(motif, periods, scale, (at_one, at_two), dark, gap * motif.triple, match)
            )
    return fits


def _agreement(
    spectra: _Spectra, motif: Motif, period_um: float, scale: float, gap: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the best correlation with the motif's lines and where [px], dark and bright."""
    import numpy as np

    period = period_um * scale
    stretch = period_um / motif.period_um[0] * scale
    sigma = max(1.6, 0.9 * scale)
    x = np.arange(spectra.length + math.ceil(period), dtype=float)
    places = [at * stretch for at in motif.lines_um]
    if motif.triple:
        places += [-gap * scale, gap * scale]
    template = np.zeros(len(x))
    for at in places:
        off = (x - at + period / 2) % period - period / 2
        template += np.exp(-0.5 * (off / sigma) ** 2)
    template = np.minimum(template, 1.0)
    both = np.conj(np.fft.rfft(np.stack([template, template**2]), spectra.size))
    # Lag -k: the template starts k px before the profile.
    lags = -np.arange(math.floor(period)) % spectra.size
    cross, mass, energy = np.fft.irfft(
        np.stack([spectra.signal * both[0], spectra.weight * both[0], spectra.weight * both[1]]),
        spectra.size,
    )[:, lags]
    spread = np.maximum(energy - mass**2 / spectra.total, 1e-3 * spectra.total)
    match = cross / np.sqrt(spread * spectra.energy)
    high, low = int(np.argmax(match)), int(np.argmin(match))
    return (
        (float(match[high]), float(-high % period)),
        (-float(match[low]), float(-low % period)),
    )


class _Sheet(NamedTuple):
    """What stands out of the ground, lines positive, in the ruling's frame; nan outside."""

    values: np.ndarray
    start_um: float
    px_per_um: float

    def along(self, axis: int) -> np.ndarray:
        """Return the values with the lines of that axis running down the columns."""
        return self.values if axis == 0 else self.values.T

    def rows(self, low_um: float, high_um: float) -> slice:
        """Return the pixels between two places."""
        first, last = (round((x - self.start_um) * self.px_per_um) for x in (low_um, high_um))
        return slice(max(0, first), max(0, last))


def squared_up(
    picture: np.ndarray,
    ruling: FoundRuling,
    *,
    box_um: tuple[float, float, float, float],
    px_per_um: float,
    outside: float = 1.0,
) -> np.ndarray:
    """Return a part of the photo as the ruling's frame shows it, lines upright.

    Parameters
    ----------
    picture : ndarray of float32, shape (H, W) or (H, W, 3)
        The photo or what was made of it.
    ruling : FoundRuling
        The ruling in it.
    box_um : tuple of float
        Left, top, right, bottom in the ruling's frame [um].
    px_per_um : float
        Scale of the result [px/um].
    outside : float, default 1.0
        Value where the photo ends.

    Returns
    -------
    ndarray of float32, shape (h, w) or (h, w, 3)
        Pixel (i, j) has its middle at left + (j + 0.5) / px_per_um, top + (i + 0.5) / px_per_um.
    """
    import cv2
    import numpy as np

    left, top, right, bottom = box_um
    width, height = (max(1, round((b - a) * px_per_um)) for a, b in ((left, right), (top, bottom)))
    # The bend is smooth: worked out on a coarse net and filled in between.
    step = 16
    nx, ny = width // step + 2, height // step + 2
    u = left + (np.arange(nx) * step + 0.5) / px_per_um
    v = top + (np.arange(ny) * step + 0.5) / px_per_um
    net = ruling.to_px(np.stack(np.meshgrid(u, v), axis=-1)).astype(np.float32)
    x = np.arange(width, dtype=np.float32) / step
    y = np.arange(height, dtype=np.float32) / step
    mx, my = np.broadcast_to(x, (height, width)), np.broadcast_to(y[:, None], (height, width))
    full = cv2.remap(net, np.ascontiguousarray(mx), np.ascontiguousarray(my), cv2.INTER_LINEAR)
    channels = picture.shape[2] if picture.ndim == 3 else 1
    return cv2.remap(
        picture,
        full[..., 0],
        full[..., 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(outside,) * channels,
    )


def _followed(ruling: FoundRuling, light: np.ndarray) -> tuple[FoundRuling, _Sheet]:
    """Follow each line in pieces and bend the frame until it lies on them."""
    import cv2
    import numpy as np

    scale = min(ruling.px_per_um, 2.0)
    shrink = scale / ruling.px_per_um
    if shrink < 0.75:  # average before sampling more coarsely
        light = cv2.GaussianBlur(light, (0, 0), 0.4 / shrink)
    ratio, field = flattened(light, sigma_px=max(30.0, 25.0 * ruling.px_per_um))
    signed = np.clip((1.0 - ratio) if ruling.dark else (ratio - 1.0), -0.15, 0.25)
    signed[~field] = np.nan
    reach = ruling.reach_um * 1.3
    box = (-reach, -reach, reach, reach)

    def sheet_of(ruling: FoundRuling) -> _Sheet:
        values = squared_up(signed, ruling, box_um=box, px_per_um=scale, outside=math.nan)
        return _Sheet(values, -reach, scale)

    for degree, search in ((1, 9.0), (3, 8.0), (3, 5.0), (3, 3.0)):
        sheet = sheet_of(ruling)
        if ruling.gap_um:
            ruling = replace(ruling, gap_um=_gap(sheet, ruling))
        bends = []
        for axis, bend in ((0, ruling.bend_u), (1, ruling.bend_v)):
            place, along, off, match = _pieces(sheet, ruling, axis, search)
            u, v = (place, along) if axis == 0 else (along, place)
            bends.append(bend + _bend(u, v, off, match, degree, ruling.reach_um))
        ruling = replace(ruling, bend_u=bends[0], bend_v=bends[1])
    sheet = sheet_of(ruling)
    shapes = [_line_shape(sheet, ruling, axis) for axis in (0, 1)]
    depths = [depth for _, depth in shapes if not math.isnan(depth)]
    return (
        replace(
            ruling,
            line_sigma_um=(shapes[0][0], shapes[1][0]),
            line_depth=sum(depths) / len(depths) if depths else math.nan,
        ),
        sheet,
    )


def _bend(
    u: np.ndarray, v: np.ndarray, off: np.ndarray, match: np.ndarray, degree: int, reach: float
) -> np.ndarray:
    """Fit a polynomial to the lines' offsets, robustly (weights of Tukey 1977), shape (10,)."""
    import numpy as np

    fit = np.zeros(10)
    good = match > 0.55
    if good.sum() < 12:
        return fit
    u, v, off, weight = u[good], v[good], off[good], match[good]
    terms = _terms(u, v, reach)
    order = np.array([0, 1, 1, 2, 2, 2, 3, 3, 3, 3])
    use = order <= degree
    # Few lines cannot carry a cubic: each place along an axis bends only as its lines allow.
    penalty = np.where(order >= 2, 3e-3, 1e-6)[use] * len(u)
    robust = np.ones_like(off)
    a = terms[:, use]
    solution = np.zeros(use.sum())
    for _ in range(8):
        w = weight * robust
        normal = (a * w[:, None]).T @ a + np.diag(penalty)
        solution = np.linalg.solve(normal, (a * w[:, None]).T @ off)
        rest = off - a @ solution
        spread = 1.48 * float(np.median(np.abs(rest))) + 0.05
        robust = np.clip(1 - (rest / (4 * spread)) ** 2, 0, None) ** 2
    fit[use] = solution
    return fit


def _strip(
    sheet: _Sheet, axis: int, place_um: float, half_um: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Return the strip round a line and its columns' offsets from the line [um]."""
    import numpy as np

    values = sheet.along(axis)
    first = math.floor((place_um - half_um - sheet.start_um) * sheet.px_per_um - 0.5)
    last = math.ceil((place_um + half_um - sheet.start_um) * sheet.px_per_um - 0.5) + 1
    if first < 0 or last > values.shape[1]:
        return None
    offsets = sheet.start_um + (np.arange(first, last) + 0.5) / sheet.px_per_um - place_um
    return values[:, first:last], offsets


def _pieces(
    sheet: _Sheet, ruling: FoundRuling, axis: int, search: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Measure each line of one axis in pieces: place, along, offset [um], match."""
    import numpy as np

    start, scale = sheet.start_um, sheet.px_per_um
    rows = max(2, round(_CHUNK_UM * scale))
    n = sheet.values.shape[0] // rows
    results: list[list[float]] = []
    for place, triple in ruling.lines(axis, start, -start):
        margin = 5.0 + (ruling.gap_um if triple else 0.0)
        strip = _strip(sheet, axis, place, search + margin)
        if strip is None:
            continue
        values, offsets = strip
        blocks = values[: n * rows].reshape(n, rows, -1)
        holes = np.isnan(blocks).mean(axis=(1, 2))
        lit = np.flatnonzero(holes < 0.02)
        if not len(lit):
            continue
        # A cell on the line covers less than half of a piece.
        means = np.median(np.nan_to_num(blocks[lit]), axis=1)
        shifts = np.arange(-search, search + 1e-9, 0.5 / scale)
        templates = np.stack([_line(offsets - s, ruling, triple, scale) for s in shifts])
        near = np.abs(offsets[None] - shifts[:, None]) <= margin
        count = near.sum(axis=1)
        t = np.where(near, templates, 0.0)
        t = np.where(near, t - (t.sum(axis=1) / count)[:, None], 0.0)
        cross = means @ t.T
        mean = means @ near.T / count
        power = np.maximum(means**2 @ near.T - count * mean**2, 1e-12)
        match = cross / np.sqrt(power * (t**2).sum(axis=1))
        # Nearer is likelier, a little.
        k = np.argmax(match - 0.004 * np.abs(shifts), axis=1)
        for row, i in enumerate(k):
            value = match[row, i]
            shift = shifts[i]
            if 0 < i < len(shifts) - 1:
                a, b, c = match[row, i - 1 : i + 2]
                bend = a - 2 * b + c
                shift += 0.5 * (a - c) / bend * (shifts[1] - shifts[0]) if bend < -1e-9 else 0.0
            along = start + (lit[row] + 0.5) * rows / scale
            # A faint match of noise alone is no line.
            depth = cross[row, i] / (t[i] ** 2).sum()
            results.append([place, along, shift, float(value) if depth > 0.008 else 0.0])
    found = np.array(results).reshape(-1, 4)
    return found[:, 0], found[:, 1], found[:, 2], found[:, 3]


def _line(offsets: np.ndarray, ruling: FoundRuling, triple: bool, scale: float) -> np.ndarray:
    import numpy as np

    sigma = max(1.1, 0.7 / scale)
    places = (-ruling.gap_um, 0.0, ruling.gap_um) if triple else (0.0,)
    lines = (np.exp(-0.5 * ((offsets - p) / sigma) ** 2) for p in places)
    return sum(lines, np.zeros_like(offsets))


def _mean_line(
    sheet: _Sheet, ruling: FoundRuling, axis: int, *, triple: bool, half_um: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Return offsets and the mean profile across the better half of the lines of a kind [um]."""
    import numpy as np

    grid = np.arange(-half_um, half_um + 0.01, 0.25)
    profiles = []
    for place, is_triple in ruling.lines(axis, sheet.start_um / 1.5, -sheet.start_um / 1.5):
        strip = _strip(sheet, axis, place, half_um + 1.0) if is_triple == triple else None
        if strip is None:
            continue
        values, offsets = strip
        values = values[~np.isnan(values).any(axis=1)]
        if len(values) < 20 * sheet.px_per_um:
            continue
        profile = np.interp(grid, offsets, np.median(values, axis=0))
        profiles.append(profile - np.percentile(profile, 20))
    if not profiles:
        return None
    strongest = sorted(profiles, key=lambda p: -float(p[abs(grid) < 2].max()))
    return grid, np.mean(strongest[: max(1, (len(strongest) + 1) // 2)], axis=0)


def _gap(sheet: _Sheet, ruling: FoundRuling) -> float:
    """Return the gap of the triple lines that fits their mean profile best [um]."""
    import numpy as np

    gaps = np.arange(4.0, 14.1, 0.5)
    total = np.zeros(len(gaps))
    for axis in (0, 1):
        seen = _mean_line(sheet, ruling, axis, triple=True, half_um=20.0)
        if seen is None or np.ptp(seen[1]) < 1e-6:
            continue
        grid, profile = seen
        for i, gap in enumerate(gaps):
            line = _line(grid, replace(ruling, gap_um=float(gap)), True, sheet.px_per_um)
            total[i] += np.corrcoef(line, profile)[0, 1]
    return float(gaps[int(np.argmax(total))]) if total.any() else ruling.gap_um


def _line_shape(sheet: _Sheet, ruling: FoundRuling, axis: int) -> tuple[float, float]:
    """Return the standard deviation [um] and depth of the single lines' mean profile."""
    import numpy as np

    seen = _mean_line(sheet, ruling, axis, triple=False, half_um=8.0)
    if seen is None or seen[1].max() <= 0:
        return math.nan, math.nan
    grid, profile = seen
    # Width at half height, as a Gaussian's: fringes do not count.
    peak = int(np.argmax(profile))
    if abs(grid[peak]) > 4.0:  # no line stands here
        return math.nan, math.nan
    half = profile[peak] / 2
    ends = []
    for step in (-1, 1):
        i = peak
        while 0 < i < len(profile) - 1 and profile[i] > half:
            i += step
        inner = i - step
        part = (profile[inner] - half) / max(profile[inner] - profile[i], 1e-9)
        ends.append(grid[inner] + step * 0.25 * min(1.0, max(0.0, part)))
    return float((ends[1] - ends[0]) / 2.3548), float(profile[peak])


def _squares_in_sight(
    ruling: FoundRuling, sheet: _Sheet, size_px: tuple[int, int]
) -> tuple[Square, ...]:
    """Return the squares in the picture whose four lines are seen."""
    import numpy as np

    a, b = ruling.motif.square_um
    (pu, pv), wide = ruling.periods_um, ruling.motif.period_um[0]
    width, height = size_px
    reach = -sheet.start_um

    @cache
    def seen(axis: int, place: float, low: float, high: float) -> bool:
        return _line_seen(sheet, ruling, axis, place, low, high)

    found = []
    for row in range(-math.ceil(reach / pv), math.ceil(reach / pv)):
        for column in range(-math.ceil(reach / pu), math.ceil(reach / pu)):
            left, right = (column * pu + x * pu / wide for x in (a, b))
            top, bottom = (row * pv + x * pv / wide for x in (a, b))
            corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
            if np.abs(corners).max() > reach:
                continue
            px = ruling.to_px(corners)
            if (px < 2).any() or (px > np.array([width - 3, height - 3])).any():
                continue
            inside = sheet.values[sheet.rows(top, bottom), sheet.rows(left, right)]
            if inside.size == 0 or np.isnan(inside).mean() > 0.002:
                continue
            if (
                seen(0, left, top, bottom)
                and seen(0, right, top, bottom)
                and seen(1, top, left, right)
                and seen(1, bottom, left, right)
            ):
                found.append((top, left, right, bottom))
    return tuple(
        Square(number, left, top, right, bottom)
        for number, (top, left, right, bottom) in enumerate(found, start=1)
    )


def _line_seen(
    sheet: _Sheet, ruling: FoundRuling, axis: int, place: float, low: float, high: float
) -> bool:
    """Whether a line shows between two places along it, where it should be, and deep enough."""
    import numpy as np

    triple = any(t and abs(p - place) < 0.5 for p, t in ruling.lines(axis, place - 1, place + 1))
    # A companion line that the motif does not hold may run 6 um beside.
    strip = _strip(sheet, axis, place, 8.0 + ruling.gap_um if triple else 5.0)
    if strip is None:
        return False
    values, offsets = strip
    values = values[sheet.rows(low, high)]
    values = values[~np.isnan(values).any(axis=1)]
    if len(values) < 0.9 * (high - low) * sheet.px_per_um:
        return False
    line = _line(offsets, ruling, triple, sheet.px_per_um)
    line = line - line.mean()
    # Cells are dark, so that a line shows best where the strip is brightest.
    share = 35 if ruling.dark else 65
    # Most of its pieces must show it: a bubble may hide one, a line that ends half way fails.
    pieces = np.array_split(values, _PIECES)
    seen = 0
    for part in (values, *pieces):
        profile = np.percentile(part, share, axis=0)
        profile = profile - profile.mean()
        match = float(profile @ line) / math.sqrt(float(profile @ profile * (line @ line)) + 1e-12)
        depth = float(profile @ line / (line @ line))
        deep = depth > _LEAST_DEPTH * ruling.line_depth
        if part is values and not (deep and match > _LEAST_SEEN):
            return False
        seen += part is not values and deep and match > _LEAST_PIECE
    return seen >= _MOST_PIECES


def _explains_all(ruling: FoundRuling, sheet: _Sheet, squares: tuple[Square, ...]) -> bool:
    """Whether no line runs through the squares that this reading of the scale does not foresee.

    The small squares of one region of a ruling look like the large ones of another, but for the
    lines between them.
    """
    import numpy as np

    odd = checked = 0
    for square in squares:
        for axis in (0, 1):
            left, top, right, bottom = (
                square.left_um, square.top_um, square.right_um, square.bottom_um
            )  # fmt: skip
            if axis == 1:
                left, top, right, bottom = top, left, bottom, right
            inset = 0.1 * (bottom - top)
            columns = sheet.rows(left, right)
            block = sheet.along(axis)[sheet.rows(top + inset, bottom - inset), columns]
            # Cells may cover half of a column here and there; a line runs through.
            share = 25 if ruling.dark else 45
            profile = np.percentile(np.nan_to_num(block), share, axis=0)
            place = (
                sheet.start_um
                + (np.arange(columns.start, columns.stop) + 0.5)[: len(profile)] / sheet.px_per_um
            )
            free = (place > left + _BORDER_UM) & (place < right - _BORDER_UM)
            for line, triple in ruling.lines(axis, left, right):
                free &= np.abs(place - line) > 6.0 + (ruling.gap_um if triple else 0.0)
            if free.sum() < 5:
                continue
            checked += 1
            # Cells make the ground uneven.
            above = above_usual(profile, round(6.0 * sheet.px_per_um))
            odd += bool(above[free].max() > 0.4 * ruling.line_depth)
    return checked == 0 or odd <= 0.2 * checked
