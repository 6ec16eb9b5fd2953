"""Whether a calibration still holds: each slide against what photos foretold of it, as a chart.

A slide's residual is ln(counted / foretold) over the standard deviation that both own up to. While
the calibration holds, residuals scatter around 0 with standard deviation 1: a Shewhart chart of
individuals with pre-specified limits, judged by the Western Electric rules.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

from densitycam.calibration.estimate import Estimate
from densitycam.calibration.model import (
    Calibration,
    CalibrationPoint,
    can_calibrate,
    estimate,
    fit_calibration,
)
from densitycam.counting.slide import SlideCount
from densitycam.wording import significant

__all__ = [
    "RULES",
    "ControlChart",
    "SlideCheck",
    "check_slide",
    "control_chart",
    "foretold_in_turn",
    "individuals_limits",
    "run_rules",
]

#: The four rules, each on one side of the middle: how many of how many slides in a row lie beyond
#: so many sigmas (Western Electric Co. 1956, Statistical Quality Control Handbook, pp. 25-28, from
#: memory). Together they cry wolf once in 91.75 slides (Champ & Woodall 1987, Technometrics 29,
#: 393, from memory; computed again in the tests).
RULES = MappingProxyType(
    {
        "one beyond three sigma": (1, 1, 3.0),
        "two of three beyond two sigma": (2, 3, 2.0),
        "four of five beyond one sigma": (4, 5, 1.0),
        "eight in a row on one side": (8, 8, 0.0),
    }
)

#: Mean range of two normal values over their standard deviation, 2 / sqrt(pi); its tables print
#: 1.128, and 2.660 for 3 / d2.
D2 = 2.0 / math.sqrt(math.pi)

#: How many slides back an alarm is still told: as far as the longest rule reaches.
_REMEMBERED = max(among for _, among, _ in RULES.values())

#: Slides from which their scatter can be told, and the factor over the owned-up error that is told:
#: of eight slides that err as they own up to, 5 in 100 series scatter more by chance (200,000
#: simulated series of normal values).
_SCATTER_SLIDES, _WIDE_SCATTER = 8, 1.6


@dataclass(frozen=True)
class SlideCheck:
    """One slide against what its photo said by a calibration that had not seen it.

    Parameters
    ----------
    label : str
        What the user calls it.
    counted, foretold : float
        Density on the slide and from the photo [cells/mL].
    sd : float
        Standard deviation of ln(counted / foretold), of both together.
    """

    label: str
    counted: float
    foretold: float
    sd: float

    @property
    def sigmas(self) -> float:
        """How many standard deviations the count lies above what was foretold."""
        return math.log(self.counted / self.foretold) / self.sd


@dataclass(frozen=True)
class ControlChart:
    """A calibration's slides in order of time, and what they say of it.

    Parameters
    ----------
    checks : tuple of SlideCheck
        In order of time.
    broken : tuple of tuple of str
        For each, the `RULES` that it completes.
    state : {"holds", "one slide off", "drifted", "too few"}
        As of the last slide.
    since : str
        Label of the first slide of the run that drifted, or of the slide that is off; "" else.
    off : float
        Counts over what photos foretold, over that run; 1 where the calibration holds.
    scatter : float
        Standard deviation of the residuals by their moving range, 1 as owned up to; nan for
        fewer than two.
    sentence : str
        For the keeper.
    """

    checks: tuple[SlideCheck, ...]
    broken: tuple[tuple[str, ...], ...]
    state: str
    since: str
    off: float
    scatter: float
    sentence: str


def check_slide(label: str, *, counted: SlideCount, foretold: Estimate) -> SlideCheck | None:
    """Hold a count against a photo's answer.

    Parameters
    ----------
    label : str
        What the user calls the slide.
    counted : SlideCount
        The count.
    foretold : Estimate
        The photo's answer by a calibration that has not seen the count.

    Returns
    -------
    SlideCheck or None
        None for a count of zero or an answer that is only a limit: neither has a ratio.
    """
    if counted.cells == 0 or foretold.status != "measured":
        return None
    return SlideCheck(
        label=label,
        counted=counted.cells_per_ml,
        foretold=foretold.cells_per_ml,
        sd=math.hypot(counted.relative_sd, foretold.relative_sd),
    )


def foretold_in_turn(
    start: Calibration, points: Sequence[CalibrationPoint]
) -> tuple[SlideCheck, ...]:
    """Foretell each slide from those before it.

    Parameters
    ----------
    start : Calibration
        The starting calibration, or the one before these slides.
    points : sequence of CalibrationPoint
        In order of time.

    Returns
    -------
    tuple of SlideCheck
        From the second slide on; the first is what the starting calibration is corrected by.
    """
    checks = []
    for n in range(1, len(points)):
        before = [p for p in points[:n] if can_calibrate(p)]
        if not before:
            continue
        told = estimate(points[n].reading, fit_calibration(start, before))
        check = check_slide(points[n].label, counted=points[n].slide, foretold=told)
        if check is not None:
            checks.append(check)
    return tuple(checks)


def run_rules(residuals: Sequence[float]) -> tuple[tuple[str, ...], ...]:
    """Say for each residual which of the `RULES` it completes.

    Parameters
    ----------
    residuals : sequence of float
        In order of time [standard deviations].

    Returns
    -------
    tuple of tuple of str
        One for each residual; empty where no rule is broken by it.
    """
    found = []
    for n, last in enumerate(residuals):
        side = math.copysign(1.0, last)
        broken = []
        for name, (needed, among, beyond) in RULES.items():
            window = residuals[max(0, n - among + 1) : n + 1]
            if side * last > beyond and sum(side * r > beyond for r in window) >= needed:
                broken.append(name)
        found.append(tuple(broken))
    return tuple(found)


def individuals_limits(values: Sequence[float]) -> tuple[float, float, float]:
    """Return the middle and three-sigma limits of single values by their moving range.

    Parameters
    ----------
    values : sequence of float
        At least two, in order of time.

    Returns
    -------
    middle, low, high : float
        Mean, and mean -/+ 3 x mean moving range / d2.

    Raises
    ------
    ValueError
        For fewer than two values.

    Notes
    -----
    Shewhart chart of individuals (ISO 7870-2 and NIST/SEMATECH e-Handbook, sec. 6.3.2.2).
    """
    if len(values) < 2:
        raise ValueError(f"limits need two values or more, not {len(values)}")
    middle = sum(values) / len(values)
    ranges = [abs(b - a) for a, b in pairwise(values)]
    reach = 3.0 * sum(ranges) / len(ranges) / D2
    return middle, middle - reach, middle + reach


def control_chart(checks: Sequence[SlideCheck]) -> ControlChart:
    """Judge whether the calibration holds.

    Parameters
    ----------
    checks : sequence of SlideCheck
        In order of time.

    Returns
    -------
    ControlChart
        With a plain sentence.
    """
    residuals = [c.sigmas for c in checks]
    broken = run_rules(residuals)
    scatter = math.nan
    if len(residuals) > 1:
        middle, _, high = individuals_limits(residuals)
        scatter = (high - middle) / 3.0

    def chart(state: str, since: int | None, off: float, sentence: str) -> ControlChart:
        return ControlChart(
            checks=tuple(checks),
            broken=broken,
            state=state,
            since="" if since is None else checks[since].label,
            off=off,
            scatter=scatter,
            sentence=sentence,
        )

    if not checks:
        return chart("too few", None, 1.0, "Too few slides to tell whether the calibration holds.")
    first = _change_point(residuals)
    run = checks[first:]
    recent = max(first, len(checks) - _REMEMBERED)
    rules = [name for names in broken[recent:] for name in names]
    off = math.exp(_weighted([(math.log(c.counted / c.foretold), c.sd) for c in run]))
    drifting = [name for name in rules if RULES[name][0] > 1]
    if drifting:
        together = (
            f"{len(run)} slides count {_apart(off)} what their photos foretold, taken together"
            if len(run) > 1
            else f"one slide counts {_apart(off)} what its photo foretold"
        )
        return chart(
            "drifted",
            first,
            off,
            f"The calibration no longer holds: since {run[0].label}, {together} ({drifting[-1]}, "
            "a Western Electric rule). Recalibrate from the slides since then.",
        )
    if broken[-1]:
        return chart(
            "one slide off",
            len(checks) - 1,
            checks[-1].counted / checks[-1].foretold,
            f"The slide of {checks[-1].label} counts "
            f"{_apart(checks[-1].counted / checks[-1].foretold)} what its photo foretold, more "
            "than chance explains: check chamber, squares and dilution, mix and count once more. "
            "If the next one says the same, the calibration no longer holds.",
        )
    slides = f"{len(checks)} slide{'' if len(checks) == 1 else 's'}"
    sentence = f"The calibration holds: {slides} lie where their photos foretold, within chance."
    if len(checks) == 1:
        sentence = "The calibration holds so far: one slide lies where its photo foretold."
    if len(checks) >= _SCATTER_SLIDES and scatter > _WIDE_SCATTER:
        sentence = (
            f"On the whole the calibration holds, yet slides scatter {scatter:.1f} times as much "
            "as their errors explain: mix longer, let cells settle, fill the chamber evenly, or "
            "count more."
        )
    return chart("holds", None, 1.0, sentence)


def _change_point(residuals: Sequence[float]) -> int:
    """Return from which residual on a shift to the last one's side is likeliest.

    Of all starts the one whose sum over root of length is largest: the maximum-likelihood change
    point of normal values with known spread (Hinkley 1970, Biometrika 57, 1, from memory).
    """
    side = math.copysign(1.0, residuals[-1])
    best, first = -math.inf, len(residuals) - 1
    total = 0.0
    for n in range(len(residuals) - 1, -1, -1):
        total += side * residuals[n]
        height = total / math.sqrt(len(residuals) - n)
        if height > best:
            best, first = height, n
    return first


def _weighted(values: Sequence[tuple[float, float]]) -> float:
    return sum(v / sd**2 for v, sd in values) / sum(1 / sd**2 for _, sd in values)


def _apart(factor: float) -> str:
    """Return a factor as words: "34 % above", "41 % below", "2.1 times", "0.010 times"."""
    if not 0.05 < factor < 1.9:
        return f"{significant(factor)} times"
    percent = significant(abs(factor - 1) * 100)
    return f"{percent} % {'above' if factor >= 1 else 'below'}"
