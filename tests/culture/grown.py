"""Photos of a batch that grows along a known curve, for the tests that look ahead."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta

import numpy as np

from densitycam.culture.series import DensityPoint

START = datetime(2024, 3, 1, 18, 20)


def at(day: float) -> datetime:
    return START + timedelta(days=float(day))


def points(
    curve: Callable[[float], float],
    days: Iterable[float],
    *,
    noise: float = 0.0,
    rng: np.random.Generator | None = None,
    stated: float = 0.13,
    flags: tuple[str, ...] = (),
) -> list[DensityPoint]:
    """Photos on these days; noise and what they state of it as SD of ln density."""
    half = math.exp(1.96 * stated)
    seen = [(d, curve(d) * math.exp(noise * rng.standard_normal() if rng else 0.0)) for d in days]
    return [DensityPoint(at(d), x, x / half, x * half, stated, flags) for d, x in seen]


def exponential(day: float) -> float:
    return 3e6 * math.exp(0.43 * day)


def logistic(day: float) -> float:
    return 4e7 / (1 + (4e7 / 3e6 - 1) * math.exp(-0.7 * day))
