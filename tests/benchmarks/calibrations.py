"""Measures calibrations on simulated readings: run it by hand, no test depends on it.

    python tests/benchmarks/calibrations.py [HOW_MANY] [SEED]

500 keepers calibrate with 3 to 12 slides of 100 to 800 cells; every sixth has a slide whose count
is wrong by a factor of two. No photo is drawn: a reading's numbers come from the forward model
below, which shares neither law nor constant with the estimator. It is diffuse light through a
scattering and absorbing fluid, a photo with assumed errors of place, tone and uneven light, a
chamber that is loaded and a sample that is thinned with the errors that Berkson found.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from densitycam.calibration.drift import control_chart, foretold_in_turn
from densitycam.calibration.model import (
    Calibration,
    CalibrationPoint,
    estimate,
    fit_calibration,
    loosened,
    start_calibration,
)
from densitycam.counting.slide import SlideCount, count_slide
from densitycam.vessel.reading import Outline, Reading

SPECIES = ("nannochloropsis", "isochrysis", "tetraselmis", "dunaliella")

#: Absorption at 675 nm and scattering per cell [um2] (Mie, Stramski et al. 2001 cell data: of
#: Isochrysis, Pavlova, Dunaliella, T. pseudonana), and where each stands as a guess for a keeper's
#: own species, whose cells are others.
CELLS = ((5.31, 36.98), (2.40, 27.81), (23.24, 81.86), (5.13, 18.99))

# Errors and spreads without a source beside them, here and in `keeper`, are assumed.

#: How much one photo errs [ln of optical depth, all channels alike]: place and light path.
PHOTO_PATH = 0.03
#: Tone curve and white balance: share of a transmittance, each channel by itself.
TONE = 0.012
#: Uneven light: share of mean brightness, all channels alike; contrast does not feel it.
UNEVEN = 0.03
#: Noise of what the rows say of themselves: of full scale, and as a share.
ROW_FLOOR, ROW_SHARE = 0.0025, 0.006
#: A vessel's wall differs from the assumed blank by this attenuation.
WALL = 0.03
#: Cells of another day: scattering (size) and pigment a cell [ln].
SIZE, PIGMENT = 0.02, 0.08

#: Chamber filling and dilution (Berkson, Magath & Hurn 1940, from memory).
LOADING, PIPETTE = 0.046, 0.047

NAN = math.nan


@dataclass(frozen=True)
class Keeper:
    """One keeper's species, vessel and habits, all drawn anew.

    Parameters
    ----------
    species : str
        What the keeper calls it: chooses the starting calibration.
    absorbing, scattering : float
        Per cell [um2].
    seen : float
        Share of scattering that takes contrast away in this geometry.
    green : float
        Pigment in green over pigment in red.
    leak : float
        Contrast that stray light in the lens fakes, as a share.
    longer, milk : float
        How much longer the way of diffuse light is, and how much of scattering sends light back.
    wall : float
        The wall's attenuation above the assumed blank.
    path_mm : float
        Light path [mm].
    """

    species: str
    absorbing: float
    scattering: float
    seen: float
    green: float
    leak: float
    longer: float
    milk: float
    wall: float
    path_mm: float

    def density_at(self, depth: float) -> float:
        """Return the density at which red contrast has this optical depth [cells/mL]."""
        return depth / ((self.absorbing + self.seen * self.scattering) * 1e-9 * self.path_mm)


def keeper(rng: np.random.Generator) -> Keeper:
    """Draw a keeper."""
    absorbing, scattering = CELLS[rng.integers(len(CELLS))]
    other = math.exp(rng.normal(0, 0.35))
    return Keeper(
        species=SPECIES[rng.integers(len(SPECIES))],
        absorbing=absorbing * other * math.exp(rng.normal(0, 0.2)),
        scattering=scattering * other,
        seen=rng.uniform(0.12, 0.3),
        green=rng.uniform(0.25, 0.6),
        leak=rng.uniform(0, 0.002),
        longer=rng.uniform(1.2, 1.8),
        milk=rng.uniform(0.03, 0.06),
        wall=rng.normal(0, WALL),
        path_mm=float(rng.choice([20.0, 60.0, 93.0])),
    )


def read(who: Keeper, density: float, rng: np.random.Generator | None) -> Reading:
    """Return what one photo says of a density; without `rng` a photo that errs in nothing."""
    draw: Callable[[float], float] = (
        (lambda sd: 0.0) if rng is None else lambda sd: rng.normal(0, sd)
    )
    way = density * 1e-9 * who.path_mm * math.exp(draw(PHOTO_PATH))
    size, pigment, uneven = math.exp(draw(SIZE)), math.exp(draw(PIGMENT)), draw(UNEVEN)
    contrast, contrast_se, mean, mean_se = [], [], [], []
    for share in (1.0, who.green, 3.0):
        absorbed = who.absorbing * share * pigment * way
        scattered = who.scattering * size * way
        tone = draw(TONE)
        tc = math.exp(-absorbed - who.seen * scattered - who.wall)
        tc = (tc + who.leak * (1 - tc)) * math.exp(-0.09)
        tm = math.exp(-who.longer * absorbed - who.wall - 0.09) / (1 + who.milk * scattered)
        for t, other, values, errors in (
            (tc, tone, contrast, contrast_se),
            (tm, tone + uneven, mean, mean_se),
        ):
            se = math.hypot(ROW_FLOOR, ROW_SHARE * t)
            values.append(t * math.exp(other) + draw(se))
            errors.append(se)
    lost = [c < 3 * e for c, e in zip(contrast, contrast_se, strict=True)]
    attenuation = [NAN if x else -math.log(c) - 0.09 for c, x in zip(contrast, lost, strict=True)]
    absorbance = [-math.log(max(m, 1e-4)) - 0.09 for m in mean]
    return Reading(
        path_mm=who.path_mm,
        contrast_t=tuple(contrast),
        contrast_t_se=tuple(contrast_se),
        mean_t=tuple(mean),
        mean_t_se=tuple(mean_se),
        veil=(0.01, 0.01, 0.01),
        attenuation=tuple(attenuation),
        attenuation_se=tuple(
            NAN if x else math.hypot(e / c, WALL)
            for c, e, x in zip(contrast, contrast_se, lost, strict=True)
        ),
        absorbance=tuple(absorbance),
        absorbance_se=tuple(
            math.hypot(e / max(m, 1e-4), WALL) for m, e in zip(mean, mean_se, strict=True)
        ),
        blank_se=WALL,
        usable=(True, True, not lost[2]),
        greenness=0.0,
        turbidity_per_mm=NAN,
        dilution=1.0,
        outline=Outline(110, 180, 50, 186),
        rows=(),
        flags=("bars-lost",) if lost[0] and lost[1] else (),
    )


def count(density: float, rng: np.random.Generator) -> SlideCount:
    """Return a count of 100 to 800 cells, thinned where the culture is dense."""
    dilution = max(1.0, round(density / 4e5))
    wanted = rng.uniform(100, 800)
    squares = max(1.0, min(18.0, round(wanted / (density / dilution * 1e-4))))
    unit, area = "large", 1e-4
    if density / dilution * 1e-4 > wanted:
        unit, area = "group", 4e-6
        squares = max(1.0, min(25.0, round(wanted / (density / dilution * area))))
    thinned = density / dilution * math.exp(rng.normal(0, PIPETTE) if dilution > 1 else 0.0)
    loaded = thinned * math.exp(rng.normal(0, LOADING))
    cells = max(int(rng.poisson(loaded * area * squares)), 1)
    return count_slide(cells=cells, squares=squares, unit=unit, dilution=dilution)


def densities(who: Keeper, n: int, rng: np.random.Generator) -> list[float]:
    """Draw densities of a batch between thin and nearly opaque."""
    return [who.density_at(d) for d in np.exp(rng.uniform(math.log(0.25), math.log(4.0), n))]


def slides(who: Keeper, n: int, rng: np.random.Generator) -> list[CalibrationPoint]:
    """Return n pairs of photo and count."""
    return [
        CalibrationPoint(read(who, d, rng), count(d, rng), f"slide {i + 1}")
        for i, d in enumerate(densities(who, n, rng))
    ]


def spoil(
    points: Sequence[CalibrationPoint], rng: np.random.Generator
) -> tuple[list[CalibrationPoint], int, float]:
    """Make one slide wrong by a factor of two, up or down; return which and by how much."""
    which, wrong = int(rng.integers(len(points))), float(rng.choice([0.5, 2.0]))
    was = points[which].slide
    slide = count_slide(
        cells=max(round(was.cells * wrong), 1),
        squares=was.squares,
        unit=was.unit,
        dilution=was.dilution,
    )
    spoilt = list(points)
    spoilt[which] = replace(points[which], slide=slide)
    return spoilt, which, wrong


def inside(who: Keeper, fitted: Calibration, rng: np.random.Generator, n: int) -> list[bool]:
    """Say of n fresh photos inside the stated range whether their interval holds the truth."""
    # The range is told for the calibration's own path; what counts is cells in the light's way.
    scale = (fitted.path_mm or who.path_mm) / who.path_mm
    low = max(fitted.range_low * scale, who.density_at(0.2))
    high = min(fitted.range_high * scale, who.density_at(4.5))
    held = []
    for density in np.exp(rng.uniform(math.log(low), math.log(high), n)):
        told = estimate(read(who, density, rng), fitted)
        held.append(told.low <= density <= told.high)
    return held


def share(held: Sequence[bool]) -> str:
    """Return a share in percent with its binomial standard deviation."""
    p = float(np.mean(held))
    return f"{100 * p:5.1f} % +/-{100 * math.sqrt(p * (1 - p) / len(held)):.1f} (n={len(held)})"


def coverage(how_many: int, seed: int) -> None:
    """Print how often 95 % intervals hold, and how wide they are."""
    groups: dict[str, list[bool]] = {}
    widths: dict[str, list[float]] = {}
    for i in range(how_many + 300):
        rng = np.random.default_rng([seed, 1, i])
        who = keeper(rng)
        n = int(rng.integers(3, 13)) if i < how_many else 1 + i % 2
        points = slides(who, n, rng)
        bad = n > 2 and i % 6 == 0
        if bad:
            points, _, _ = spoil(points, rng)
        fitted = fit_calibration(start_calibration(who.species), points)
        held = inside(who, fitted, rng, 10)
        name = f"n = {n}" if n < 4 else "n = 4 to 12"
        groups.setdefault(name, []).extend(held)
        if n > 2:
            groups.setdefault(f"{name}, {'one bad' if bad else 'no bad'} slide", []).extend(held)
        middle = estimate(read(who, who.density_at(1.2), None), fitted)
        widths.setdefault(name, []).append(math.sqrt(middle.high / middle.low) - 1)
    print("95 % intervals that hold (target n >= 4: 93 to 98 %, n = 1 to 3: no less than 93 %)")
    for name in sorted(groups):
        wide = f"  half-width {100 * np.median(widths[name]):.0f} %" if name in widths else ""
        print(f"  {name:28s} {share(groups[name])}{wide}")


def bad_slides(how_many: int, seed: int) -> None:
    """Print how far a slide wrong by a factor of two moves estimates, and if it is named."""
    moved: dict[int, list[float]] = {}
    held: dict[int, list[bool]] = {}
    named, misnamed, factors = {}, [], []
    for i in range(how_many):
        rng = np.random.default_rng([seed, 2, i])
        who = keeper(rng)
        n = int(rng.integers(3, 13))
        good = slides(who, n, rng)
        spoilt, which, wrong = spoil(good, rng)
        start = start_calibration(who.species)
        honest, fooled = fit_calibration(start, good), fit_calibration(start, spoilt)
        label = good[which].label
        named.setdefault(n, []).append(label in fooled.doubtful)
        misnamed += [p.label in honest.doubtful for p in good]
        for point in fooled.points:
            if point.label == label:
                factors.append(abs(math.log(point.off / wrong)))
        for depth in (0.4, 0.9, 1.8, 3.2):
            density = who.density_at(depth)
            told = estimate(read(who, density, rng), fooled)
            held.setdefault(n, []).append(told.low <= density <= told.high)
            probe = read(who, density, None)
            a, b = estimate(probe, honest), estimate(probe, fooled)
            if a.status == b.status == "measured":
                moved.setdefault(n, []).append(abs(math.log(b.cells_per_ml / a.cells_per_ml)))
    print("A slide wrong by a factor of two moves estimates by (target: under 8 %)")
    for name, chosen in (
        ("n = 3", [3]),
        ("n = 4", [4]),
        ("n = 5", [5]),
        ("n = 6 to 12", range(6, 13)),
        ("n = 3 to 12", range(3, 13)),
    ):
        all_moved = 100 * np.expm1(np.concatenate([moved[n] for n in chosen if n in moved]))
        found = [x for n in chosen for x in named.get(n, [])]
        print(
            f"  {name:12s} median {np.median(all_moved):4.1f} %, 90th percentile "
            f"{np.percentile(all_moved, 90):5.1f} %, largest {all_moved.max():5.1f} %; "
            f"under 8 %: {100 * np.mean(all_moved < 8):5.1f} %; named {share(found)}; "
            f"intervals hold {share([x for n in chosen for x in held.get(n, [])])}"
        )
    print(f"  honest slides that were called doubtful: {share(misnamed)}")
    print(f"  its factor is told to within {100 * math.expm1(np.median(factors)):.0f} % (median)")


def one_slide(how_many: int, seed: int) -> None:
    """Print what one slide leaves of a gain that is 40 % off.

    What a slide can take away is the gain, to within its own error: its count, chamber filling and
    dilution, and the noise of the photo it is paired with. That is held against what is left at
    the slide's own density; at another one the shape's error is added, which the old slides left.
    """
    here, middle, counts, photos = [], [], [], []
    for i in range(how_many):
        rng = np.random.default_rng([seed, 3, i])
        who = keeper(rng)
        settled = fit_calibration(start_calibration(who.species), slides(who, 8, rng))
        gain = float(rng.choice([1.4, 1 / 1.4]))
        drifted = replace(who, absorbing=who.absorbing * gain, scattering=who.scattering * gain)
        own = densities(drifted, 1, rng)[0]
        point = CalibrationPoint(read(drifted, own, rng), count(own, rng), "after the drift")
        again = recalibrated(settled, [point])
        for density, left in ((own, here), (drifted.density_at(1.2), middle)):
            told = estimate(read(drifted, density, None), again)
            left.append(math.log(told.cells_per_ml / density))
        counts.append(point.slide.relative_sd)
        noisy, clean = (
            estimate(r, settled).cells_per_ml for r in (point.reading, read(drifted, own, None))
        )
        photos.append(math.log(noisy / clean))
    photo, counting = _rms(photos), np.array(counts)
    within = np.abs(here) <= 1.96 * np.hypot(counting, photo)
    print("Recalibrating with one slide after the gain moved by 40 % leaves")
    print(
        f"  {100 * _rms(here):.1f} % rms (mean {100 * np.mean(here):+.1f} %) at the slide's own "
        f"density, against the slide's own error of {100 * math.hypot(_rms(counts), photo):.1f} % "
        f"(count, filling, dilution {100 * _rms(counts):.1f} %, its photo {100 * photo:.1f} %); "
        f"inside its 95 %: {share(within)}"
    )
    print(
        f"  {100 * _rms(middle):.1f} % rms (mean {100 * np.mean(middle):+.1f} %) at a middle "
        "density, where the old slides' shape is added"
    )


def _rms(values: Sequence[float]) -> float:
    return math.sqrt(np.nanmean(np.square(values)))


def recalibrated(settled: Calibration, points: Sequence[CalibrationPoint]) -> Calibration:
    """Recalibrate as the command does."""
    return fit_calibration(loosened(settled), points)


def other_path(how_many: int, seed: int) -> None:
    """Print how often intervals hold in a vessel of another light path, not calibrated itself."""
    held: list[bool] = []
    widths, errors = [], []
    for i in range(how_many // 2):
        rng = np.random.default_rng([seed, 6, i])
        who = keeper(rng)
        fitted = fit_calibration(start_calibration(who.species), slides(who, 6, rng))
        path = float(rng.choice([p for p in (20.0, 60.0, 93.0) if p != who.path_mm]))
        moved = replace(who, path_mm=path, wall=rng.normal(0, WALL))
        held += inside(moved, fitted, rng, 6)
        density = moved.density_at(1.2)
        told = estimate(read(moved, density, None), fitted)
        widths.append(math.sqrt(told.high / told.low) - 1)
        errors.append(abs(math.log(told.cells_per_ml / density)))
    print("Scaled to a vessel of another light path")
    print(
        f"  {share(held)}  half-width {100 * np.median(widths):.0f} %, error without noise "
        f"{100 * np.median(errors):.1f} % (median)"
    )


def drifts(how_many: int, seed: int) -> None:
    """Print how often the chart cries wolf, and how soon it sees a gain that moved by 40 %."""
    alarms, slid, seen = [], [], []
    for i in range(how_many // 2):
        rng = np.random.default_rng([seed, 5, i])
        who = keeper(rng)
        gain = float(rng.choice([1.4, 1 / 1.4]))
        moved = replace(who, absorbing=who.absorbing * gain, scattering=who.scattering * gain)
        first = slides(who, 6, rng)
        start = start_calibration(who.species)
        for later, into in ((slides(who, 5, rng), alarms), (slides(moved, 5, rng), seen)):
            named = [replace(p, label=f"later {n}") for n, p in enumerate(later)]
            checks = foretold_in_turn(start, [*first, *named])
            states = [control_chart(checks[:n]).state for n in range(1, len(checks) + 1)]
            into.append([state == "drifted" for state in states])
            if into is alarms:
                slid.append(["off" in state for state in states])
    honest, found = np.array([a for a in alarms if len(a) == 10]), [a[-5:] for a in seen]
    wolf = 100 * np.mean([a.any() for a in honest])
    odd = 100 * np.mean([np.any(a) for a in slid])
    print("Control chart over 11 slides")
    print(
        f"  of keepers whose calibration holds {wolf:.0f} % ever hear that it drifted, "
        f"{odd:.0f} % that one slide is off"
    )
    soon = [100 * np.mean([any(a[: n + 1]) for a in found]) for n in range(5)]
    print(
        "  a gain moved by 40 % after six slides is seen by the "
        + ", ".join(f"{n + 1}.: {share:.0f} %" for n, share in enumerate(soon))
    )


def rising(how_many: int, seed: int) -> None:
    """Print in how many calibrations an estimate ever falls while density rises."""
    falls, steps = [], []
    for i in range(how_many):
        rng = np.random.default_rng([seed, 4, i])
        who = keeper(rng)
        points = slides(who, int(rng.integers(1, 13)), rng)
        fitted = fit_calibration(start_calibration(who.species), points)
        ramp = np.geomspace(fitted.range_low, fitted.range_high, 60)
        told = [estimate(read(who, d, None), fitted) for d in ramp]
        seen = np.log([t.cells_per_ml for t in told if t.status == "measured"])
        falls.append(bool(len(seen) > 1 and (np.diff(seen) <= 0).any()))
        if len(seen) > 1:
            steps.append(float(np.diff(seen).max() / math.log(ramp[1] / ramp[0])))
    print("Estimates rise with density everywhere in range")
    print(
        f"  calibrations with a fall: {share(falls)}; steepest step over the ramp's own, 99th "
        f"percentile: {np.percentile(steps, 99):.1f}"
    )


def main(how_many: int = 500, seed: int = 20260401) -> None:
    """Print every figure."""
    for part in (coverage, bad_slides, one_slide, rising, other_path, drifts):
        began = time.perf_counter()
        part(how_many, seed)
        print(f"  ({time.perf_counter() - began:.0f} s)", flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
