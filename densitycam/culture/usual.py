"""How a vessel usually grows: its rate at each density, learned from its own photos."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from densitycam.culture.growth import NOISE_DEGREES, relative_noise, usable_points
from densitycam.culture.logistic import log_gain
from densitycam.culture.series import DensityPoint, Split

if TYPE_CHECKING:
    import numpy as np

__all__ = ["WANDER_SD", "Followed", "Photo", "Usual", "follow", "photos_of", "usual_growth"]

#: How far back the usual is learned from [day]. Our own choice: some four batches, so that
#: a season or another lamp becomes the new usual.
USUAL_DAYS = 35.0
#: What a photo of median certainty errs by itself, and how a culture wanders from its usual growth
#: in a day, as SD of ln density, before the vessel's own photos have shown it. A point's
#: relative_sd also holds the calibration's error, which all photos share. Our own choice.
PHOTO_SD, WANDER_SD = 0.055, 0.03
#: How much more a settled culture's reading errs, as SD of ln density. Our own choice.
SETTLED_SD = 0.12
#: What is known of any culture's growth before its first photo: specific growth rate, and how much
#: lower it is at the densest, each 0 give or take this [1/day]. Wide: home cultures grow by 0.2 to
#: 1.5 a day (from memory).
PRIOR_RATE_SD = 1.0
#: What a split costs beyond its dilution, as lag or a jug read wrong, 0 give or take this [ln]; and
#: by how much it differs from one split to the next [ln]. Our own choice.
PRIOR_SETBACK_SD, SPLIT_SD = 0.15, 0.06
#: Degrees of freedom of the Student errors by which far-off steps lose their weight in the usual
#: (Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84:881, from memory).
TAIL_DEGREES = 4.0
#: Rounds of re-weighting those steps. Our own choice.
ROUNDS = 12
#: Shortest time between photos that tells a rate [day]. Our own choice: a quarter of a day.
MIN_STEP_DAYS = 0.25


@dataclass(frozen=True)
class Photo:
    """One photo of a vessel's series.

    Parameters
    ----------
    when : datetime
        Capture time.
    day : float
        Since the first photo [day].
    log, sd : float
        ln density and its noise.
    pigment : float or None
        Pigment per scatter [ln].
    log_dilution : float
        ln of the known dilution since the photo before, 0 for none; nan where it cannot be known.
    splits : tuple of (float, float)
        Day and ln kept share of each split since the photo before; empty where not known.
    """

    when: datetime
    day: float
    log: float
    sd: float
    pigment: float | None
    log_dilution: float
    splits: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Usual:
    """Growth as this vessel usually does it: rate - slope x density, never below 0.

    Parameters
    ----------
    rate, slope : float
        Specific growth rate far below the ceiling [1/day], and by how much it falls per cell/mL.
    setback : float
        What a split costs beyond its dilution [ln], as when growth pauses for a day.
    covariance : ndarray of float64, shape (3, 3)
        Of (rate, slope, setback).
    scale : float
        What the photos scatter over what was taken for it.
    """

    rate: float
    slope: float
    setback: float
    covariance: np.ndarray
    scale: float

    def carry(self, log: float, days: float) -> float:
        """Return the gain in ln density over some days of undisturbed growth.

        Parameters
        ----------
        log : float
            Density at their begin [ln cells/mL].
        days : float
            How many, >= 0 [day].

        Returns
        -------
        float
            >= 0 [ln]; 0 for a vessel that usually does not grow.
        """
        if self.rate <= 0:
            return 0.0
        ceiling = self.rate / self.slope if self.slope > 0 else math.inf
        gain = log_gain(log_density=log, days=days, rate_per_day=self.rate, ceiling=ceiling)
        return max(gain, 0.0)

    def carry_to(self, log: float, day: float, photo: Photo) -> tuple[float, float]:
        """Carry a density of some day on to the next photo, each split at its moment.

        Parameters
        ----------
        log : float
            The density [ln cells/mL].
        day : float
            Its day, on the clock of `Photo.day` [day].
        photo : Photo
            The next one, with the splits before it.

        Returns
        -------
        gain : float
            In ln density, the dilutions taken off.
        variance : float
            Of the gain, by the error of what is usual.
        """
        gain = exposure = 0.0
        days = photo.day - day
        for until, dilution in (*photo.splits, (photo.day, None)):
            grown = self.carry(log, until - day)
            exposure += (until - day) * _mean_density(log, log + grown)
            if dilution is not None:
                grown -= self.setback
                log += dilution
            log, gain, day = log + grown, gain + grown, until
        return gain, self._variance((days, exposure, float(len(photo.splits))))

    def error(self, photos: Sequence[Photo]) -> float:
        """Return the standard deviation of the gain over a stretch, the usual's own error with it.

        That error is common to all steps and adds up, where the photos' noise does not.

        Parameters
        ----------
        photos : sequence of Photo
            The stretch in order of time, at least one.

        Returns
        -------
        float
            Of ln density, >= 0.
        """
        days = exposure = splits = 0.0
        for a, b in pairwise(photos):
            days += b.day - a.day
            exposure += _exposure(a, b)
            splits += len(b.splits)
        noise = photos[0].sd ** 2 + photos[-1].sd ** 2
        noise += WANDER_SD**2 * days + SPLIT_SD**2 * splits
        return math.sqrt(self._variance((days, exposure, splits)) + self.scale**2 * noise)

    def _variance(self, over: tuple[float, float, float]) -> float:
        """Variance of a gain over so many days, cells/mL x days, and splits."""
        days, exposure, splits = over
        row = (days, -exposure, -splits)
        return max(float(self.covariance.dot(row).dot(row)), 0.0)


def _mean_density(log: float, end_log: float) -> float:
    """Mean density over a stretch of steady growth between two densities [ln]."""
    if abs(end_log - log) < 1e-6:
        return math.exp(log)
    return (math.exp(end_log) - math.exp(log)) / (end_log - log)


def _exposure(a: Photo, b: Photo) -> float:
    """Density summed up over the days between two photos [cells/mL x day], splits in between."""
    rate = (b.log - b.log_dilution - a.log) / (b.day - a.day) if b.day > a.day else 0.0
    log, day, total = a.log, a.day, 0.0
    for until, dilution in (*b.splits, (b.day, 0.0)):
        end = log + rate * (until - day)
        total += (until - day) * _mean_density(log, end)
        log, day = end + dilution, until
    return total


def photos_of(points: Sequence[DensityPoint], splits: Sequence[Split]) -> list[Photo]:
    """Return the usable photos in order of time, with the dilution between, free of shared error.

    Parameters
    ----------
    points : sequence of DensityPoint
        Of one vessel, in any order.
    splits : sequence of Split
        Of the same vessel.

    Returns
    -------
    list of Photo
        Those of the last `USUAL_DAYS` days before the newest one.
    """
    kept = usable_points(points)
    if not kept:
        return []
    kept = [p for p in kept if kept[-1].when - p.when <= timedelta(days=USUAL_DAYS)]
    photos: list[Photo] = []
    for n, (p, relative) in enumerate(zip(kept, relative_noise(kept, PHOTO_SD), strict=True)):
        between = [s for s in splits if n and kept[n - 1].when <= s.when < p.when]
        known = all(not s.inferred and 0 < s.kept_share < 1 for s in between)
        photos.append(
            Photo(
                when=p.when,
                day=(p.when - kept[0].when).total_seconds() / 86400.0,
                log=math.log(p.cells_per_ml),
                sd=math.hypot(PHOTO_SD * relative, SETTLED_SD * ("settled" in p.flags)),
                pigment=p.pigment if p.pigment is not None and math.isfinite(p.pigment) else None,
                log_dilution=sum(math.log(s.kept_share) for s in between) if known else math.nan,
                splits=tuple(
                    ((s.when - kept[0].when).total_seconds() / 86400.0, math.log(s.kept_share))
                    for s in sorted(between, key=lambda s: s.when)
                )
                if known
                else (),
            )
        )
    return photos


def usual_growth(photos: Sequence[Photo], *, least_steps: int) -> Usual | None:
    """Learn how fast a vessel grows at which density.

    Parameters
    ----------
    photos : sequence of Photo
        From `photos_of`.
    least_steps : int
        How many steps from photo to photo it takes, of `MIN_STEP_DAYS` or more each, their
        dilution known.

    Returns
    -------
    Usual or None
        None with fewer steps.

    Notes
    -----
    Gain = rate x days - slope x exposure - setback x splits, by least squares under a weak prior;
    steps that stray are weighed down as in Student's t (iteratively reweighted).
    """
    import numpy as np

    steps = [
        (a, b)
        for a, b in pairwise(photos)
        if b.day - a.day >= MIN_STEP_DAYS and b.log_dilution == b.log_dilution
    ]
    if len(steps) < least_steps:
        return None
    top = max(math.exp(b.log) for _, b in steps)
    days = np.array([b.day - a.day for a, b in steps])
    gains = np.array([b.log - b.log_dilution - a.log for a, b in steps])
    exposures = np.array([_exposure(a, b) / top for a, b in steps])
    splits = np.array([len(b.splits) for _, b in steps], dtype=float)
    noise = np.array([a.sd**2 + b.sd**2 for a, b in steps]) + WANDER_SD**2 * days
    noise += SPLIT_SD**2 * splits
    rows = np.column_stack([days, -exposures, -splits])
    prior = np.diag([PRIOR_RATE_SD**-2, PRIOR_RATE_SD**-2, PRIOR_SETBACK_SD**-2])
    trust = np.ones(len(steps))
    for _ in range(ROUNDS):
        weights = trust / noise
        covariance = np.linalg.inv(prior + rows.T @ (rows * weights[:, None]))
        best = covariance @ (rows.T @ (gains * weights))
        if best[1] < 0:  # growing faster the denser it is: noise, so the slope is 0
            best = best - covariance[:, 1] * (best[1] / covariance[1, 1])
        # A split nobody logged, or a photo far off, must not pass for this vessel's usual.
        misfits = (gains - rows @ best) ** 2 / noise
        trust = (TAIL_DEGREES + 1) / (TAIL_DEGREES + misfits)
    scale = math.sqrt((NOISE_DEGREES + np.sum(trust * misfits)) / (NOISE_DEGREES + len(steps)))
    unit = np.array([1.0, 1.0 / top, 1.0])
    return Usual(
        rate=float(best[0]),
        slope=float(best[1]) / top,
        setback=float(best[2]),
        covariance=covariance * np.outer(unit, unit) * scale**2,
        scale=scale,
    )


@dataclass(frozen=True)
class Followed:
    """One photo held against where the usual carried the photo before it.

    Parameters
    ----------
    level, variance : float
        Of ln density, this photo weighed in.
    gain : float
        What was hoped for since the photo before, a known dilution taken off [ln].
    short : float
        How far the photo falls short of that, in standard deviations; -inf where nothing before
        it can be held against it.
    """

    level: float
    variance: float
    gain: float
    short: float


def follow(photos: Sequence[Photo], usual: Usual) -> list[Followed]:
    """Carry each photo's density on to the next along the usual growth (Kalman filter).

    Parameters
    ----------
    photos : sequence of Photo
        From `photos_of`.
    usual : Usual
        What they are held against.

    Returns
    -------
    list of Followed
        One a photo.
    """
    followed: list[Followed] = []
    for n, p in enumerate(photos):
        noise = (p.sd * usual.scale) ** 2
        if n == 0 or p.log_dilution != p.log_dilution:
            followed.append(Followed(p.log, noise, 0.0, -math.inf))
            continue
        before, days = followed[-1], p.day - photos[n - 1].day
        gain, unsure = usual.carry_to(before.level, photos[n - 1].day, p)
        level = before.level + p.log_dilution + gain
        variance = before.variance + unsure
        variance += usual.scale**2 * (WANDER_SD**2 * days + SPLIT_SD**2 * len(p.splits))
        short = level - p.log
        weight = variance / (variance + noise)
        followed.append(
            Followed(
                level=level - weight * short,
                variance=variance * (1.0 - weight),
                gain=gain,
                short=short / math.sqrt(variance + noise),
            )
        )
    return followed
