"""Whether numbers from a file can be a calibration: by others no density may be told."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from densitycam.calibration.signals import SIGNALS

if TYPE_CHECKING:
    from densitycam.calibration.model import Calibration, KeptPoint

__all__ = ["check_calibration", "number_within"]

#: Far beyond what any culture, vessel and photo give, near enough that no answer overflows. Gains,
#: slopes and bends of a signal in turn [ln]; the last coefficient is the blank's.
_GAIN, _SLOPE, _BEND, _BLANK = (-50.0, 100.0), (-5.0, 10.0), (-2.0, 2.0), (-20.0, 20.0)
#: Largest variance of a coefficient; the prior's are 0.7 and less, doubled after a drift.
_LARGEST_VARIANCE = 4.0
#: ln of an optical depth, over the middle one.
_DEPTH = (-50.0, 10.0)
#: Rounding to nine digits may leave a covariance so far from symmetric and from its least
#: eigenvalue 0, as shares of its largest entry.
_ROUNDED = 1e-6


def number_within(value: object, low: float, high: float) -> float:
    """Return a number from `low` to `high`, both allowed.

    Parameters
    ----------
    value : object
        As it stands in a file.
    low, high : float
        Limits, in the unit of the value.

    Returns
    -------
    float
        The value.

    Raises
    ------
    ValueError
        For what is no number, or lies outside.
    """
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
        raise ValueError(f"{value!r:.40} is no number from {low:g} to {high:g}")
    return float(value)


def check_calibration(calibration: Calibration) -> None:
    """Refuse a calibration that no fit can have given.

    Parameters
    ----------
    calibration : Calibration
        As read from a file: 13 coefficients, a covariance of 13 x 13, anything in its fields.

    Raises
    ------
    ValueError
        For the first field that cannot be.
    """
    for name in ("id", "species", "software"):
        if not isinstance(getattr(calibration, name), str):
            raise ValueError(f"{name} is no text")
    for i, value in enumerate(calibration.coefficients):
        number_within(value, *(_BLANK if i == 12 else (_GAIN, _SLOPE, _BEND)[i % 3]))
    _check_covariance(calibration.covariance)
    number_within(calibration.stray_scale, 0.01, 100.0)
    number_within(calibration.stray_df, 2.0, 1e6)
    limits = calibration.range_low, calibration.range_high
    if calibration.path_mm is None:
        if calibration.points or not all(isinstance(v, float) and math.isnan(v) for v in limits):
            raise ValueError("it has slides or a range, and no light path")
    else:
        number_within(calibration.path_mm, 1e-3, 1e6)
        if number_within(limits[0], 0.0, 1e15) > number_within(limits[1], 0.0, 1e15):
            raise ValueError("its range ends before it begins")
    for point in calibration.points:
        _check_point(point)


def _check_covariance(covariance: tuple[tuple[float, ...], ...]) -> None:
    import numpy as np

    matrix = np.array(covariance, float)
    if matrix.shape != (13, 13) or not np.isfinite(matrix).all():
        raise ValueError("the covariance is no matrix of 13 x 13 numbers")
    largest = float(np.abs(matrix).max())
    if largest > _LARGEST_VARIANCE:
        raise ValueError(f"the covariance holds {largest:g}, more than {_LARGEST_VARIANCE:g}")
    slack = _ROUNDED * max(largest, 1e-12)
    if np.abs(matrix - matrix.T).max() > slack or np.linalg.eigvalsh(matrix)[0] < -slack:
        raise ValueError("the covariance is none: not symmetric, or of variances below zero")


def _check_point(point: KeptPoint) -> None:
    if not isinstance(point.label, str):
        raise ValueError("a slide's label is no text")
    names = [s.name for s in point.signals]
    if not names or len(set(names)) < len(names) or not set(names) <= set(SIGNALS):
        raise ValueError(f"a slide's signals are {names!r:.60}")
    for value, low, high in _numbers_of(point):
        number_within(value, low, high)


def _numbers_of(point: KeptPoint) -> Iterator[tuple[Any, float, float]]:
    """Give each number of a slide with its least and its largest believable value."""
    yield point.path_mm, 1e-3, 1e6
    yield point.dilution, 1.0, 1e6
    yield point.cells_per_ml, 1e-6, 1e15
    yield point.relative_sd, 0.0, 100.0
    yield point.weight, -1e-6, 1.0 + 1e-6
    yield point.strayed, -1e9, 1e9
    yield point.off, 0.0, 1e300
    for signal in point.signals:
        yield signal.x, *_DEPTH
        yield signal.sd, 1e-9, 1e18
        yield signal.blank_sd, 0.0, 1e18
        yield signal.straying, 1e-3, 1e3
    if point.pigment is not None:
        yield point.pigment.x, *_DEPTH
        yield point.pigment.pigment, -30.0, 30.0
        if point.pigment.hue is not None:
            yield point.pigment.hue, -30.0, 30.0
