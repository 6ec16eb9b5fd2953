"""From optical depths to cells/mL: a curve a signal, slides that move it, intervals that hold.

Each signal i (contrast or mean, red or green) has a curve of its own

    ln(cells/mL x path_mm) = a_i + b_i x_i + g_i x_i^2,   x_i = ln(optical depth / 1.5)

Beer and Lambert say b = 1, g = 0; there the prior stands, and a starts from published optics.
Slides move the curves by Bayesian linear regression; a new reading takes each signal's answer
and weighs them by their errors, which hands over from contrast to mean brightness by itself.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from densitycam.calibration.checked import check_calibration, number_within
from densitycam.calibration.estimate import Estimate
from densitycam.calibration.pigment import Pigment, pigment_of, pigment_signs
from densitycam.calibration.robust import Block, left_out, robust_posterior
from densitycam.calibration.signals import CENTRE_DEPTH, SIGNALS, Signal, signals_of
from densitycam.calibration.species import species_folder
from densitycam.counting.slide import SlideCount
from densitycam.errors import DensitycamError
from densitycam.json_text import UNFIT, read_json
from densitycam.student_t import t_quantile
from densitycam.vessel.blank import SEEN_SIGMAS
from densitycam.vessel.reading import Reading

if TYPE_CHECKING:
    import numpy as np

#: Version of the text that `calibration_to_json` writes; older ones are read too.
FORMAT = 3
#: Before this format `KeptPoint.pigment` was another quantity: blue less red, not both together.
#: Taken for today's it makes healthy cultures look bleached, so it is left out; the next fit
#: measures it anew.
_SAME_PIGMENT = 3

#: Prior of slope and bend. Contrast follows Beer and Lambert closely and bends up a little as
#: scattered light fills in; mean brightness counts light scattered on, so it saturates.
SLOPE_PRIOR = {"contrast": (1.0, 0.12), "mean": (1.15, 0.25)}
BEND_PRIOR = {"contrast": (0.02, 0.06), "mean": (0.05, 0.10)}

#: A fitted bend could turn a curve; for its noise it is taken to rise at least so steeply (an
#: assumption: 1 is Beer and Lambert's).
LEAST_SLOPE = 0.3

#: Prior of the gains [ln]: one factor common to all signals (pigment and size of the cells),
#: and each signal's own (how much of the scattering this geometry sees).
COMMON_GAIN_SD, OWN_GAIN_SD = 0.6, {"contrast": 0.3, "mean": 0.5}

#: How far one photo strays from the curve beyond its own noise [ln]: shared by all its signals
#: (lamp direction, place of the vessel), and each signal's own. Chosen on 144 simulated photos of
#: tuning seeds, print registered, so that 95 % intervals hold somewhat more than 95 %.
SHARED_STRAY_SD, OWN_STRAY_SD = 0.025, {"contrast": 0.038, "mean": 0.15}

#: Weight, in slides, of the prior on how large that straying is (an assumption).
STRAY_PRIOR_SLIDES = 6.0

#: Few slides that agree by chance, or one that no chance explains, move the scale of that straying
#: no further than this (an assumption).
STRAY_SCALES = (0.7, 2.5)

#: A slide is named as doubtful where it is bad with more than this probability: near 3.4 standard
#: deviations from the others, or, of two slides that contradict each other, both.
DOUBT = 0.4

#: Rounds of the fit, and how far each goes towards its own answer. More rounds change an estimate
#: by 0.13 % at most (80 calibrations of tests/benchmarks/calibrations.py).
_ROUNDS, _STEP = 8, 0.3

#: Straying beyond this many standard deviations, by chance once in 2000 slides, is not the photos'
#: usual straying: it widens their interval no further.
DOUBTFUL_SIGMAS = 3.5

#: Optical depths between which the starting calibration claims anything (an assumption: below,
#: the assumed blank's error is a fifth of the depth and more; above, contrast is lost).
START_DEPTHS = (0.15, 5.0)

#: How far below and above the counted densities a calibration reaches, as factors. Above, where
#: curves bend and contrast gives way to brightness, a slide foretells less far: with a factor of
#: two the answer of one calibration in five hundred fell by a hundredth at its end.
REACH, REACH_ABOVE = 2.0, 1.5

#: How many of its standard deviations noise can have moved a signal from what the others foretell;
#: what lies further is the curve's fault and leaves the signal's noise as it is.
MOST_NOISE = 2.0

#: Another light path: extra standard deviation [ln], constant and per ln of path ratio. Chosen on
#: 32 simulated photos of one species through 20, 60 and 100 mm, each vessel read by each other's
#: calibration: they were off by up to 0.15 on average, and 99.7 % of 95 % intervals held. No
#: narrower, because real vessels differ in more than their width.
OTHER_PATH_SD, OTHER_PATH_SLOPE = 0.06, 0.06

#: Paths that differ by less than this [ln] are of one vessel: in those photos, up to 25 degrees
#: askew, a flat one was crossed on ways up to 7 % longer.
SAME_PATH = 0.08

#: Standard deviation [ln] from which a contrast that fades tells no density any more: its 95 %
#: limits then lie a factor of ten and more to either side (an assumption).
UNTOLD_SD = 1.2

#: A pale culture whose density seems this far ahead of its forecast [ln] is milky, not bleached (an
#: assumption; tests/benchmarks/signs.py measures what comes of it).
MILKY_LEAP = 0.15

#: Share of scattering that takes contrast away or turns light back, for the starting gains; an
#: assumption, good to a factor of two, which is what COMMON_GAIN_SD says.
_SCATTER_IN_CONTRAST, _SCATTER_IN_MEAN, _LONGER_WAY = 0.20, 0.04, 1.5

#: Between these any cell's cross section lies [um2]; those that ship lie from 1 to 140.
_CROSS_SECTION_UM2 = (1e-4, 1e6)


@dataclass(frozen=True)
class CalibrationPoint:
    """One photo's reading paired with one slide count of the same culture.

    Parameters
    ----------
    reading : Reading
        The photo's measurement.
    slide : SlideCount
        The count of the undiluted culture.
    label : str
        What the user calls it, such as the photo's name.
    """

    reading: Reading
    slide: SlideCount
    label: str


@dataclass(frozen=True)
class KeptPoint:
    """A calibration point as stored: the signals and the count, no more than the fit needs.

    Parameters
    ----------
    label : str
        What the user calls it.
    path_mm : float
        Light path of the photo [mm].
    dilution : float
        Of the sample in the photo.
    signals : tuple of Signal
        The reading's signals.
    cells_per_ml, relative_sd : float
        The count of the undiluted culture and its standard deviation in ln.
    pigment : Pigment or None
        The photo's pigment and hue, for signs of a sick culture.
    weight : float
        Probability that the slide is good: near 1 where it agrees with the others, near 0 for a
        bad one.
    strayed : float
        Distance from what the other slides say, in standard deviations.
    off : float
        The count over what the other slides say: 2 for a count twice too high.
    """

    label: str
    path_mm: float
    dilution: float
    signals: tuple[Signal, ...]
    cells_per_ml: float
    relative_sd: float
    pigment: Pigment | None = None
    weight: float = 1.0
    strayed: float = 0.0
    off: float = 1.0

    @property
    def doubtful(self) -> bool:
        """Whether it strays so far from the others that it is named."""
        return self.weight < 1 - DOUBT

    @property
    def believed(self) -> bool:
        """Whether it is likelier good than bad."""
        return self.weight > 0.5


@dataclass(frozen=True)
class Calibration:
    """A species' calibration, in one vessel or to start with.

    Parameters
    ----------
    id : str
        Species and a hash of the content.
    species : str
        Species id.
    path_mm : float or None
        Light path of its slides [mm]; None for a starting calibration.
    coefficients : tuple of float
        a, b, g of each signal in the order of `SIGNALS`, then the vessel's blank; 13 in all.
    covariance : tuple of tuple of float
        Their covariance, 13 x 13.
    stray_scale : float
        Factor on the straying of single photos, learnt from the slides.
    stray_df : float
        Degrees of freedom behind it, for the interval's Student-t.
    points : tuple of KeptPoint
        The slides; empty for a starting calibration.
    range_low, range_high : float
        Validity for `path_mm` [cells/mL]: half of the least counted density to half as much
        again as the largest, there no further than contrast is seen; nan for a starting one.
    software : str
        Version that fitted it.
    """

    id: str
    species: str
    path_mm: float | None
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    stray_scale: float
    stray_df: float
    points: tuple[KeptPoint, ...]
    range_low: float
    range_high: float
    software: str

    @property
    def n_slides(self) -> int:
        """Slides behind it."""
        return len(self.points)

    @property
    def doubtful(self) -> tuple[str, ...]:
        """Labels of slides that stray from the others."""
        return tuple(p.label for p in self.points if p.doubtful)


def start_calibration(species_id: str) -> Calibration:
    """Return a species' starting calibration from published optics, not yet checked by a count.

    Parameters
    ----------
    species_id : str
        Folder name in `calibration/`.

    Returns
    -------
    Calibration
        With no points and the wide errors it deserves (about a factor of two either way).

    Raises
    ------
    DensitycamError
        When the species has no readable start.json.
    """
    import numpy as np

    from densitycam import __version__

    path = Path(species_folder()) / species_id / "start.json"
    try:
        facts = read_json(path.read_text(encoding="utf-8"))
        absorption = number_within(facts["absorption_675_um2"], *_CROSS_SECTION_UM2)
        scattering = number_within(facts["scattering_um2"], *_CROSS_SECTION_UM2)
        shares = {c: number_within(facts[f"{c}_share"], 0.01, 10.0) for c in ("red", "green")}
    except FileNotFoundError:
        raise DensitycamError(
            f"There is no starting calibration for {species_id!r}.",
            "Check the species' name with 'densitycam vessel --help'.",
        ) from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise DensitycamError(
            f"{path.name} of {species_id} cannot be used ({error}).", "Restore the file."
        ) from None
    mean, covariance = np.zeros(13), np.zeros((13, 13))
    for i, name in enumerate(SIGNALS):
        kind, colour = name.split()
        pigment = absorption * shares[colour]
        # 1 um2 a cell at 1e6 cells/mL is 1 1/m, so 1e-9 1/mm at one cell/mL.
        if kind == "contrast":
            per_cell = (pigment + _SCATTER_IN_CONTRAST * scattering) * 1e-9
        else:
            per_cell = (_LONGER_WAY * pigment + _SCATTER_IN_MEAN * scattering) * 1e-9
        mean[3 * i : 3 * i + 3] = (
            math.log(CENTRE_DEPTH / per_cell),
            SLOPE_PRIOR[kind][0],
            BEND_PRIOR[kind][0],
        )
        covariance[3 * i, 3 * i] = OWN_GAIN_SD[kind] ** 2
        covariance[3 * i + 1, 3 * i + 1] = SLOPE_PRIOR[kind][1] ** 2
        covariance[3 * i + 2, 3 * i + 2] = BEND_PRIOR[kind][1] ** 2
    covariance[0:12:3, 0:12:3] += COMMON_GAIN_SD**2
    covariance[12, 12] = 1.0
    return _named(
        species=species_id,
        path_mm=None,
        mean=mean,
        covariance=covariance,
        stray_scale=1.0,
        stray_df=STRAY_PRIOR_SLIDES,
        points=(),
        limits=(math.nan, math.nan),
        software=__version__,
    )


def fit_calibration(start: Calibration, points: Sequence[CalibrationPoint]) -> Calibration:
    """Let slides move the starting calibration.

    Parameters
    ----------
    start : Calibration
        The prior, from `start_calibration`.
    points : sequence of CalibrationPoint
        At least one that `can_calibrate`.

    Returns
    -------
    Calibration
        One slide sets the gain; more let slope and bend move. A bad slide counts less and is
        named in `doubtful`.

    Raises
    ------
    DensitycamError
        When no point is usable.
    """
    from densitycam import __version__

    kept = [_keep(p) for p in points if can_calibrate(p)]
    if not kept:
        raise DensitycamError(
            "None of the slides can be used for a calibration.",
            "It needs a count above zero of a culture whose photo could be measured.",
        )
    mean, covariance, scale, df, kept = _fit(start, kept)
    path = math.exp(sum(math.log(k.path_mm) for k in kept) / len(kept))
    trusted = [k for k in kept if k.believed] or kept
    counted = [k.cells_per_ml * k.path_mm / k.dilution / path for k in trusted]
    # Past the densest slide brightness alone tells nothing, see `_told_by`.
    densest = max(counted)
    highest = max(densest, min(densest * REACH_ABOVE, _contrast_end(trusted, mean) / path))
    return _named(
        species=start.species,
        path_mm=path,
        mean=mean,
        covariance=covariance,
        stray_scale=scale,
        stray_df=df,
        points=tuple(kept),
        limits=(min(counted) / REACH, highest),
        software=__version__,
    )


def loosened(calibration: Calibration) -> Calibration:
    """Return a calibration as a prior whose shape is believed and whose gain is not.

    For recalibrating after a drift: slopes, bends and the signals' places to one another stay as
    the old slides taught them, and the first new slide sets the gain.

    Parameters
    ----------
    calibration : Calibration
        The one that no longer holds.

    Returns
    -------
    Calibration
        To be given to `fit_calibration` with the new slides; without points of its own.
    """
    import numpy as np

    covariance = np.array(calibration.covariance)
    covariance[0:12:3, 0:12:3] += COMMON_GAIN_SD**2
    return replace(
        calibration,
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
        points=(),
        path_mm=None,
        range_low=math.nan,
        range_high=math.nan,
    )


def can_calibrate(point: CalibrationPoint) -> bool:
    """Tell whether a fit can use a point: a count above zero, and a reading with a signal.

    Parameters
    ----------
    point : CalibrationPoint
        A reading and the slide counted with it.
    """
    counted = point.slide.cells > 0 and math.isfinite(point.slide.relative_sd)
    return counted and bool(signals_of(point.reading))


def _keep(point: CalibrationPoint) -> KeptPoint:
    return KeptPoint(
        label=point.label,
        path_mm=point.reading.path_mm,
        dilution=point.reading.dilution,
        signals=signals_of(point.reading),
        cells_per_ml=point.slide.cells_per_ml,
        relative_sd=point.slide.relative_sd,
        pigment=pigment_of(point.reading),
    )


def _fit(
    start: Calibration, kept: list[KeptPoint]
) -> tuple[np.ndarray, np.ndarray, float, float, list[KeptPoint]]:
    """Regress again and again, each time with the noise and straying that the fits before tell.

    Each round goes part of the way: with whole steps one fit in six swings between two answers.
    """
    import numpy as np

    n = len(kept)
    prior = np.array(start.coefficients), np.array(start.covariance)
    scale = 1.0
    strayed, off, bad = np.zeros(n), np.zeros(n), np.zeros(n)
    mean, covariance, _ = robust_posterior(*prior, _blocks(prior[0], kept, scale, None))
    curves = mean
    for _ in range(_ROUNDS):
        blocks = _blocks(prior[0], kept, scale, curves)
        mean, covariance, bad = robust_posterior(*prior, blocks)
        curves = curves + _STEP * (mean - curves)
        if n < 2:  # nothing judges a single slide
            continue
        for j, (m, c) in enumerate(left_out(*prior, blocks, bad)):
            answer = _combine(m, c, kept[j].signals, scale)
            assert answer is not None  # kept points have signals
            told, sd = answer
            off[j] = _log_seen(kept[j]) - told
            strayed[j] = off[j] / math.hypot(sd, kept[j].relative_sd)
        if n > 2:
            spread = float(np.sum((1 - bad) * np.minimum(strayed**2, DOUBTFUL_SIGMAS**2)))
            scale = math.sqrt(
                (STRAY_PRIOR_SLIDES + spread) / (STRAY_PRIOR_SLIDES + float(np.sum(1 - bad)))
            )
            scale = min(max(scale, STRAY_SCALES[0]), STRAY_SCALES[1])
    judged = [
        replace(k, weight=float(1 - w), strayed=float(s), off=math.exp(o))
        for k, w, s, o in zip(kept, bad, strayed, off, strict=True)
    ]
    return mean, covariance, scale, STRAY_PRIOR_SLIDES + n, judged


def _blocks(
    prior_mean: np.ndarray,
    kept: Sequence[KeptPoint],
    scale: float,
    curves: np.ndarray | None,
) -> list[Block]:
    """Return slides as the regression takes them.

    `curves` are coefficients of a fit before this one, by which a slide's count says what noise
    its signals should have and where on the curve they should have stood; without them they are
    taken at their word.
    """
    import numpy as np

    blocks = []
    for point in kept:
        signals, counted = point.signals, _log_seen(point)
        if curves is not None:
            signals = _expected(signals, curves, counted)
        photo = _noise(signals, prior_mean, scale)
        noise = photo + point.relative_sd**2
        design = _design(signals)
        seen = np.full(len(signals), counted)
        if curves is not None:
            adjusted = _design(_adjusted(signals, curves, counted, photo, noise))
            seen += (adjusted - design) @ curves
            design = adjusted
        blocks.append(Block(design, seen, noise))
    return blocks


def _adjusted(
    signals: Sequence[Signal],
    curves: np.ndarray,
    counted: float,
    photo: np.ndarray,
    noise: np.ndarray,
) -> list[Signal]:
    """Move signals to where the photo's noise and the count's put them on the curve together.

    Noise of the photo lies along x; regressed on as it was seen, it flattens curves and reads thin
    cultures as denser. York's adjusted points (York 1966, Can J Phys 44, 1079, from memory; they
    make each round a Gauss-Newton step of the fit with errors in both). `photo` and `noise` are
    covariances of the signals' answers, without and with the count's error. What a bad slide would
    move further than `MOST_NOISE` is not the photo's noise.
    """
    import numpy as np

    short = counted - _design(signals) @ curves
    most = MOST_NOISE * np.sqrt(np.diag(photo))
    shifts = np.clip(photo @ np.linalg.solve(noise, short), -most, most)
    return [
        replace(s, x=s.x + float(d) / _slope(curves, s))
        for s, d in zip(signals, shifts, strict=True)
    ]


def _log_seen(point: KeptPoint) -> float:
    """ln(cells/mL x path) of the fluid that stood in the vessel."""
    return math.log(point.cells_per_ml / point.dilution * point.path_mm)


def _design(signals: Sequence[Signal]) -> np.ndarray:
    """One row a signal, shape (S, 13).

    The last column is the blank's: how far, in its standard deviations, the vessel's own
    attenuation lies above what was taken off. Slides in the vessel teach it.
    """
    import numpy as np

    design = np.zeros((len(signals), 13))
    for row, signal in enumerate(signals):
        i = 3 * SIGNALS.index(signal.name)
        design[row, i : i + 3] = (1.0, signal.x, signal.x**2)
        design[row, 12] = -SLOPE_PRIOR[signal.name.split()[0]][0] * signal.blank_sd
    return design


def _slope(coefficients: np.ndarray, signal: Signal) -> float:
    """Slope of a signal's curve where it stands, never so flat that noise would weigh nothing."""
    i = 3 * SIGNALS.index(signal.name)
    return max(float(coefficients[i + 1] + 2 * coefficients[i + 2] * signal.x), LEAST_SLOPE)


def _noise(signals: Sequence[Signal], coefficients: np.ndarray, scale: float) -> np.ndarray:
    """Covariance of the signals' answers by photo noise and straying, shape (S, S)."""
    import numpy as np

    photo = np.array([_slope(coefficients, s) * s.sd for s in signals])
    straying = scale * np.array([s.straying for s in signals])
    own = photo**2 + (straying * [OWN_STRAY_SD[s.name.split()[0]] for s in signals]) ** 2
    return np.diag(own) + np.outer(straying, straying) * SHARED_STRAY_SD**2


def _combine(
    mean: np.ndarray, covariance: np.ndarray, signals: Sequence[Signal], scale: float
) -> tuple[float, float] | None:
    """Weigh the signals' answers to one ln(cells/mL x path) and its standard deviation.

    Generalised least squares with weights kept at or above zero, so that a signal that rises
    never lowers the answer. The first answer says what each signal should have been, and so how
    much its noise weighs; the second uses that.
    """
    if not signals:
        return None
    first, _ = _weigh(mean, covariance, signals, scale)
    return _weigh(mean, covariance, _expected(signals, mean, first), scale)


def _expected(
    signals: Sequence[Signal], coefficients: np.ndarray, log_seen: float
) -> tuple[Signal, ...]:
    """Give each signal the noise of the optical depth that a density foretells for it.

    A depth that noise made larger would otherwise boast of a smaller relative error, weigh more
    and pull thin cultures upward.
    """
    settled = []
    for signal in signals:
        i = 3 * SIGNALS.index(signal.name)
        a, b, g = coefficients[i : i + 3]
        short = (log_seen - a - b * signal.x - g * signal.x**2) / _slope(coefficients, signal)
        most = MOST_NOISE * math.hypot(signal.sd, signal.blank_sd)
        ratio = math.exp(-min(max(short, -most), most))
        settled.append(replace(signal, sd=signal.sd * ratio, blank_sd=signal.blank_sd * ratio))
    return tuple(settled)


def _weigh(
    mean: np.ndarray, covariance: np.ndarray, signals: Sequence[Signal], scale: float
) -> tuple[float, float]:
    """Weigh the signals' answers once; see `_combine`."""
    import numpy as np

    design = _design(signals)
    answers = design @ mean
    errors = design @ covariance @ design.T + _noise(signals, mean, scale)
    active = list(range(len(signals)))
    while True:
        inverse = np.linalg.inv(errors[np.ix_(active, active)])
        weights = inverse.sum(axis=1) / inverse.sum()
        if len(active) == 1 or weights.min() >= 0:
            break
        active.pop(int(np.argmin(weights)))
    variance = weights @ errors[np.ix_(active, active)] @ weights
    return float(weights @ answers[active]), float(np.sqrt(variance))


def estimate(reading: Reading, calibration: Calibration) -> Estimate:
    """Turn a reading into cells/mL of the undiluted culture.

    Parameters
    ----------
    reading : Reading
        One photo's measurement.
    calibration : Calibration
        The species' calibration.

    Returns
    -------
    Estimate
        With status "less-than" where the culture cannot be told from clean water, "more-than"
        where no contrast is left and mean brightness lies beyond what slides have checked.
    """
    import numpy as np

    mean, covariance = np.array(calibration.coefficients), np.array(calibration.covariance)
    scale, df = calibration.stray_scale, calibration.stray_df
    to_culture = reading.dilution / reading.path_mm
    other = _other_path(reading, calibration)
    signals = signals_of(reading)
    contrast_seen = any(s.name.startswith("contrast") for s in signals)
    notes = []
    if other > 0:
        notes.append("Calibrated in a vessel of another light path: scaled, with a wider interval.")

    def bounded(status: str, low: float, high: float) -> Estimate:
        return Estimate(
            status=status,
            cells_per_ml=math.nan,
            low=low,
            high=high,
            relative_sd=math.inf,
            calibration_id=calibration.id,
            checked_by_counts=calibration.n_slides,
            inside_range=False,
            notes=tuple(notes),
        )

    if "too-thin" in reading.flags or not signals:
        if contrast_seen or "too-thin" in reading.flags:
            return bounded("less-than", 0.0, _thin_limit(reading, calibration) * to_culture)
        return bounded("more-than", _dense_limit(reading, calibration) * to_culture, math.inf)
    if contrast_seen and not calibration.points:
        # Uncounted, brightness and contrast may be apart by a factor of two, and an answer that
        # passed from one to the other would jump by it.
        signals = tuple(s for s in signals if s.name.startswith("contrast"))
    answer = _combine(mean, covariance, signals, scale)
    assert answer is not None  # there are signals
    log_seen, sd = answer
    sd = math.hypot(sd, other)
    if not contrast_seen:
        notes.append("No bar shows through: read from mean brightness alone.")
    width = t_quantile(0.975, df) * sd
    if not _told_by(signals, calibration, sd):
        least = max(math.exp(log_seen - width), _dense_limit(reading, calibration))
        return bounded("more-than", least * to_culture, math.inf)
    density = math.exp(log_seen) * to_culture
    inside = _inside(math.exp(log_seen), reading, calibration)
    if not inside:
        notes.append("Outside the densities that slides have checked: count a slide.")
    return Estimate(
        status="measured",
        cells_per_ml=density,
        low=density * math.exp(-width),
        high=density * math.exp(width),
        relative_sd=sd,
        calibration_id=calibration.id,
        checked_by_counts=calibration.n_slides,
        inside_range=inside,
        notes=tuple(notes),
    )


def species_signs(
    reading: Reading, calibration: Calibration, *, foretold: tuple[float, float] | None = None
) -> tuple[str, ...]:
    """Return the signs that need to know the culture's usual pigment.

    Parameters
    ----------
    reading : Reading
        One photo's measurement.
    calibration : Calibration
        With slides; a starting calibration has nothing to compare with.
    foretold : tuple of float or None
        Density that earlier photos of the batch foretell [cells/mL] and its standard deviation
        [ln]. It tells the two causes of paleness apart: foreign scatter makes the density seem
        to leap ahead of the forecast, lost pigment does not.

    Returns
    -------
    tuple of str
        "milky" or "bleached", or "pale" where no forecast tells which; "colour-shift".
    """
    usual = [p.pigment for p in calibration.points if p.pigment is not None and p.believed]
    signs = list(pigment_signs(pigment_of(reading, at_most=True), usual))
    if "pale" in signs and foretold is not None:
        now = estimate(reading, calibration)
        if now.status == "measured":
            ahead = math.log(now.cells_per_ml / foretold[0])
            unsure = math.hypot(now.relative_sd, foretold[1])
            milky = ahead > max(MILKY_LEAP, unsure)
            signs[signs.index("pale")] = "milky" if milky else "bleached"
    return tuple(signs)


def _other_path(reading: Reading, calibration: Calibration) -> float:
    if calibration.path_mm is None:
        return 0.0
    ratio = abs(math.log(reading.path_mm / calibration.path_mm))
    return OTHER_PATH_SD + OTHER_PATH_SLOPE * ratio if ratio > SAME_PATH else 0.0


def _told_by(signals: Sequence[Signal], calibration: Calibration, sd: float) -> bool:
    """Return whether signals tell a density, or no more than that it is high.

    Past its range brightness hardly changes with density, and then a culture of any thickness
    reads like the densest slide: without contrast, a reading as dark as that slide is past it.
    """
    if any(s.name.startswith("contrast") for s in signals):
        return sd < UNTOLD_SD or all(s.x < 0 for s in signals)
    slides = [p for p in calibration.points if p.believed]
    if not slides:
        return False
    densest = {s.name: s.x for s in max(slides, key=_log_seen).signals}
    ahead = [s.x - densest[s.name] for s in signals if s.name in densest]
    return bool(ahead) and sum(ahead) < 0


def _inside(seen: float, reading: Reading, calibration: Calibration) -> bool:
    if calibration.path_mm is not None:
        return calibration.range_low <= seen / calibration.path_mm <= calibration.range_high
    depths = [d for d in reading.attenuation if math.isfinite(d)]
    return bool(depths) and START_DEPTHS[0] <= min(depths) and max(depths) <= START_DEPTHS[1]


def _curve(
    calibration: Calibration, name: str, depth: float, *, side: int = 0, straying: float = 1.0
) -> float:
    """Return cells/mL x path at an optical depth of one signal.

    On the curve, or at the 95 % limit that the curve and a photo's straying leave below (`side` -1)
    or above it (1).
    """
    import numpy as np

    mean, covariance = np.array(calibration.coefficients), np.array(calibration.covariance)
    signal = Signal(name, math.log(depth / CENTRE_DEPTH), 0.0, 0.0, straying)
    row = _design([signal])[0]
    strayed = float(_noise([signal], mean, calibration.stray_scale)[0, 0])
    sd = math.sqrt(float(row @ covariance @ row) + strayed)
    return math.exp(float(row @ mean) + side * t_quantile(0.975, calibration.stray_df) * sd)


def detection_limit(calibration: Calibration, *, attenuation: float, path_mm: float) -> float:
    """Return the density at which contrast in red loses this attenuation.

    Parameters
    ----------
    calibration : Calibration
        The species' calibration.
    attenuation : float
        Above the blank, > 0; the minimum detectable one of `densitycam.vessel.blank`.
    path_mm : float
        Light path [mm].

    Returns
    -------
    float
        Density that surely is told from clean water, by the best curve [cells/mL].
    """
    return min(_curve(calibration, name, attenuation) for name in SIGNALS[:2]) / path_mm


def _thin_limit(reading: Reading, calibration: Calibration) -> float:
    """Upper 95 % limit of a culture too thin to measure, cells/mL x path."""
    limits = []
    for channel, name in enumerate(SIGNALS[:2]):
        depth, error = reading.attenuation[channel], reading.attenuation_se[channel]
        if math.isfinite(depth):
            highest = max(depth, 0.0) + 1.96 * error
            limits.append(
                _curve(calibration, name, max(highest, 1e-3), side=1, straying=reading.straying)
            )
    return min(limits)


def _dense_limit(reading: Reading, calibration: Calibration) -> float:
    """Lower 95 % limit of a culture too dense to see through, cells/mL x path."""
    limits = [
        _curve(
            calibration,
            name,
            -math.log(SEEN_SIGMAS * reading.contrast_t_se[channel]),
            side=-1,
            straying=reading.straying,
        )
        for channel, name in enumerate(SIGNALS[:2])
        if SEEN_SIGMAS * reading.contrast_t_se[channel] < 0.5
    ]
    return max(limits, default=0.0)


def predictive_band(
    calibration: Calibration, densities: Sequence[float]
) -> tuple[tuple[float, float, float], ...]:
    """Return how wide the interval of a fresh photo is at each density.

    Parameters
    ----------
    calibration : Calibration
        With slides.
    densities : sequence of float
        Of the culture, undiluted, through the calibration's own light path [cells/mL].

    Returns
    -------
    tuple of (density, low, high)
        95 % limits [cells/mL] of a photo with the usual noise and straying of the calibration's
        own photos; densities at which no signal could be seen are left out.

    Raises
    ------
    ValueError
        For a starting calibration, which knows no photo's noise and no light path.
    """
    import numpy as np

    if calibration.path_mm is None or not calibration.points:
        raise ValueError("a starting calibration has no photos to take the usual noise from")
    mean, covariance = np.array(calibration.coefficients), np.array(calibration.covariance)
    usual = _usual_noise(calibration.points)
    straying = _usual_straying(calibration.points)
    width = t_quantile(0.975, calibration.stray_df)
    band = []
    for density in densities:
        log_seen = math.log(density * calibration.path_mm)
        signals = []
        for i, name in enumerate(SIGNALS):
            x = _depth_of(mean[3 * i : 3 * i + 3], log_seen)
            if x is None or not usual[name]:
                continue
            depth = CENTRE_DEPTH * math.exp(x)
            depths, noises, blanks = zip(*usual[name], strict=True)
            log_error = float(np.interp(depth, depths, noises)) + depth
            if log_error < -math.log(SEEN_SIGMAS):  # else it is lost, as in `signals_of`
                error = math.exp(log_error)
                own = error / depth / (1 - SEEN_SIGMAS * error)
                blank = math.exp(float(np.interp(depth, depths, blanks)))
                signals.append(Signal(name, x, own, blank / depth, straying))
        answer = _combine(mean, covariance, signals, calibration.stray_scale)
        if answer is not None:
            reach = math.exp(width * answer[1])
            band.append((float(density), density / reach, density * reach))
    return tuple(band)


def _usual_noise(points: Sequence[KeptPoint]) -> dict[str, list[tuple[float, float, float]]]:
    """Return each signal's noise in the slides' photos, by rising optical depth.

    Optical depth, ln of the transmittance's standard deviation, ln of the blank's.
    """
    usual: dict[str, list[tuple[float, float, float]]] = {name: [] for name in SIGNALS}
    for point in points:
        for signal in point.signals:
            depth = CENTRE_DEPTH * math.exp(signal.x)
            # What `signals_of` made of the transmittance's error, undone.
            error = signal.sd * depth / (1 + SEEN_SIGMAS * signal.sd * depth)
            usual[signal.name].append(
                (depth, math.log(error) - depth, math.log(max(signal.blank_sd * depth, 1e-9)))
            )
    return {name: sorted(found) for name, found in usual.items()}


def _usual_straying(points: Sequence[KeptPoint]) -> float:
    """Return how far the slides' photos stray by their vessel's shape and print, as a factor."""
    squares = [s.straying**2 for p in points for s in p.signals]
    return math.sqrt(sum(squares) / len(squares))


def _contrast_end(points: Sequence[KeptPoint], coefficients: np.ndarray) -> float:
    """Return cells/mL x path at which contrast is lost in the usual noise; 0 where none is seen."""
    ends = [0.0]
    usual = _usual_noise(points)
    for i, name in enumerate(SIGNALS):
        if name.startswith("contrast") and usual[name]:
            depth, noise, _ = usual[name][-1]
            lost = max(depth, -math.log(SEEN_SIGMAS) - noise)
            x = math.log(lost / CENTRE_DEPTH)
            a, b, g = (float(v) for v in coefficients[3 * i : 3 * i + 3])
            ends.append(math.exp(a + b * x + g * x * x))
    return max(ends)


def _depth_of(curve: np.ndarray, log_seen: float) -> float | None:
    """Return ln(optical depth / 1.5) at which a curve has a density; None past its turn."""
    a, b, g = (float(v) for v in curve)
    if abs(g) < 1e-6:
        return (log_seen - a) / b if b > 0 else None
    under = b * b - 4 * g * (a - log_seen)
    return None if under < 0 else (math.sqrt(under) - b) / (2 * g)


def leave_one_out(start: Calibration, points: Sequence[CalibrationPoint]) -> tuple[Estimate, ...]:
    """Estimate every slide's culture from the other slides alone.

    Parameters
    ----------
    start : Calibration
        The starting calibration.
    points : sequence of CalibrationPoint
        The slides; with one, the starting calibration itself answers.

    Returns
    -------
    tuple of Estimate
        In the order of `points`.
    """
    answers = []
    for j, point in enumerate(points):
        others = [p for n, p in enumerate(points) if n != j and can_calibrate(p)]
        answers.append(estimate(point.reading, fit_calibration(start, others) if others else start))
    return tuple(answers)


def _named(
    *,
    species: str,
    path_mm: float | None,
    mean: np.ndarray,
    covariance: np.ndarray,
    stray_scale: float,
    stray_df: float,
    points: tuple[KeptPoint, ...],
    limits: tuple[float, float],
    software: str,
) -> Calibration:
    """Round to what is meaningful, and name the calibration by its content."""
    coefficients = tuple(round(float(v), 9) for v in mean)
    matrix = tuple(tuple(float(f"{v:.9g}") for v in row) for row in covariance)
    body = json.dumps([species, path_mm, coefficients, matrix, [asdict(p) for p in points]])
    return Calibration(
        id=f"{species}-{hashlib.sha256(body.encode()).hexdigest()[:8]}",
        species=species,
        path_mm=path_mm,
        coefficients=coefficients,
        covariance=matrix,
        stray_scale=stray_scale,
        stray_df=stray_df,
        points=points,
        range_low=limits[0],
        range_high=limits[1],
        software=software,
    )


def calibration_to_json(calibration: Calibration) -> str:
    """Return a calibration as plain, diffable text, one number a line.

    Parameters
    ----------
    calibration : Calibration
        What is not finite is written as NaN or Infinity, which `calibration_from_json` reads.
    """
    return json.dumps({"format": FORMAT, **asdict(calibration)}, indent=1) + "\n"


def calibration_from_json(text: str) -> Calibration:
    """Read a calibration back.

    Parameters
    ----------
    text : str
        As `calibration_to_json` wrote it.

    Returns
    -------
    Calibration
        The same.

    Raises
    ------
    DensitycamError
        For damaged text or a newer format.
    """
    try:
        data: dict[str, Any] = read_json(text)
        version = int(data.pop("format"))
        if version > FORMAT:
            raise DensitycamError(
                f"This calibration has format {version}; this densitycam knows up to {FORMAT}.",
                "Upgrade densitycam.",
            )
        data["points"] = tuple(
            KeptPoint(
                **{
                    **p,
                    "signals": tuple(Signal(**s) for s in p["signals"]),
                    "pigment": Pigment(**p["pigment"])
                    if p["pigment"] and version >= _SAME_PIGMENT
                    else None,
                }
            )
            for p in data["points"]
        )
        data["coefficients"] = tuple(float(v) for v in data["coefficients"])
        data["covariance"] = tuple(tuple(float(v) for v in row) for row in data["covariance"])
        if len(data["coefficients"]) != 13 or any(len(r) != 13 for r in data["covariance"]):
            raise ValueError("13 coefficients and their covariance are needed")
        calibration = Calibration(**data)
        check_calibration(calibration)
        return calibration
    except UNFIT as error:
        raise DensitycamError(
            f"This calibration cannot be read ({error}).",
            "Fit it again with 'densitycam calibrate'.",
        ) from None
