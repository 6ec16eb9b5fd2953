"""Follows one scene from water to opaque: the estimate must rise without a jump. Run it by hand.

    python tests/benchmarks/ramp.py --cache FOLDER [--figure PNG]

Forty densities a vessel, all else kept, hardly any noise. Three calibrations are asked: eight
slides over the range in which bars are seen, the same with slides of denser cultures, and the
species' starting one. Printed is how far estimate over truth changes from one density to the
next, over the whole ramp and at the hand-over from contrast to mean brightness.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from photo_cache import read_all
from shots import GROUPS, WORKING, Group, density_at

from densitycam.calibration.estimate import Estimate
from densitycam.calibration.model import (
    Calibration,
    CalibrationPoint,
    estimate,
    fit_calibration,
    start_calibration,
)
from densitycam.calibration.signals import signals_of
from densitycam.counting.slide import count_slide
from densitycam.simulate import VESSELS, Scene
from densitycam.vessel.blank import blank_of
from densitycam.vessel.reading import Reading

#: Attenuation of the bars, by the simulator: from far below detection to far past opaque.
RAMP = np.geomspace(0.02, 14.0, 40)

#: Slides of the calibration that also knows dense cultures.
DENSE = (0.3, 8.0)


@dataclass(frozen=True)
class Ramp:
    """One vessel's ramp: true densities [cells/mL], readings, and estimates by calibration."""

    group: Group
    truth: np.ndarray
    readings: tuple[Reading, ...]
    estimates: dict[str, tuple[Estimate, ...]]


def scene_of(group: Group, attenuation: float, **changes: object) -> Scene:
    """Return the ramp's scene at one attenuation; 0 is clean salt water."""
    density = density_at(group, attenuation) if attenuation > 0 else 0.0
    scene = Scene(
        seed=group.number,
        room_seed=group.number,
        species=group.species,
        vessel=group.vessel,
        cells_per_ml=density,
        level_mm=VESSELS[group.vessel].fill_mm,
        grain=0.02,
        jpeg_quality=95,
        note="ramp",
    )
    return replace(scene, **changes)  # type: ignore[arg-type]


def calibrated(
    group: Group, scenes: Sequence[Scene], readings: Sequence[Reading | str]
) -> Calibration:
    """Return the calibration by slides that show the truth, each of 400 cells."""
    slide = count_slide(cells=400, squares=4)
    points = [
        CalibrationPoint(r, replace(slide, cells_per_ml=s.cells_per_ml), f"slide {n}")
        for n, (s, r) in enumerate(zip(scenes, readings, strict=True), 1)
        if isinstance(r, Reading)
    ]
    return fit_calibration(start_calibration(group.species), points)


def ramp_of(group: Group, cache: Path) -> Ramp:
    """Photograph, read and estimate one vessel's ramp."""
    vessel = VESSELS[group.vessel]
    plain = {"path_mm": vessel.path_mm, "shape": vessel.shape}

    def read(scenes: Sequence[Scene], **more: object) -> list[Reading]:
        found = read_all(scenes, cache, [{**plain, **more}] * len(scenes))
        assert all(isinstance(r, Reading) for r in found), found
        return found

    blank = blank_of(read([scene_of(group, 0.0, seed=90 + n) for n in range(3)]))
    scenes = [scene_of(group, float(a)) for a in RAMP]
    readings = read(scenes, blank=blank)
    estimates = {}
    for name, limits in (("slides in range", WORKING), ("slides to opaque", DENSE)):
        of_slides = [
            scene_of(group, float(a), seed=50 + n) for n, a in enumerate(np.geomspace(*limits, 8))
        ]
        calibration = calibrated(group, of_slides, read(of_slides, blank=blank))
        estimates[name] = tuple(estimate(r, calibration) for r in readings)
    start = start_calibration(group.species)
    estimates["no slides"] = tuple(estimate(r, start) for r in readings)
    truth = np.array([s.cells_per_ml for s in scenes])
    return Ramp(group, truth, tuple(readings), estimates)


def steps(truth: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return how far value over truth changes from each density to the next [ln], nan at ends."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.diff(np.log(values / truth))


def report(ramp: Ramp) -> str:
    """Return one table a vessel: largest step of estimate and interval, and where it lies."""
    vessel = VESSELS[ramp.group.vessel]
    lines = [f"{ramp.group.name}, {ramp.group.species}"]
    lost = [n for n, r in enumerate(ramp.readings) if "bars-lost" in r.flags]
    if lost:
        lines.append(f"  bars lost from attenuation {RAMP[lost[0]]:.2f}, {vessel.path_mm:g} mm")
    for name, told in ramp.estimates.items():
        best = np.array([e.cells_per_ml for e in told])
        step = steps(ramp.truth, best)
        told_steps = np.isfinite(step)
        if not told_steps.any():
            continue
        worst = int(np.nanargmax(np.abs(step)))
        high, low = (
            steps(ramp.truth, np.array([getattr(e, side) for e in told]))
            for side in ("high", "low")
        )
        high, low = (np.where(np.isfinite(s), s, 0.0) for s in (high, low))
        seen = np.flatnonzero(np.isfinite(best))
        ratio = best[seen] / ramp.truth[seen]
        falls = int(np.sum(np.diff(best[seen]) <= 0))
        held = sum(e.low <= n <= e.high for e, n in zip(told, ramp.truth, strict=True))
        lines.append(
            f"  {name:18s} figures {RAMP[seen[0]]:.2f} to {RAMP[seen[-1]]:.2f}; "
            f"estimate/truth {ratio.min():.2f} to {ratio.max():.2f}; "
            f"largest step {step[worst]:+.1%} at {RAMP[worst]:.2f}; "
            f"of upper limit {high[np.argmax(np.abs(high))]:+.1%} at "
            f"{RAMP[np.argmax(np.abs(high))]:.2f}, of lower {low[np.argmax(np.abs(low))]:+.1%} at "
            f"{RAMP[np.argmax(np.abs(low))]:.2f}; falls {falls}; truth inside {held}/{len(told)}"
        )
    return "\n".join(lines)


def table(ramp: Ramp, name: str) -> str:
    """Return every step of one ramp."""
    rows = []
    for a, n, r, e in zip(RAMP, ramp.truth, ramp.readings, ramp.estimates[name], strict=True):
        seen = " ".join(
            f"{s.name.split()[0][0]}{s.name.split()[1][0]} {s.x:+.2f}~{s.sd:.2f}"
            for s in signals_of(r)
        )
        rows.append(
            f"{a:6.2f} {e.status:10s} {e.cells_per_ml / n:6.3f} {e.low / n:6.3f} {e.high / n:6.3f} "
            f"{e.relative_sd:5.2f} {seen} {','.join(r.flags)}"
        )
    return "\n".join(rows)


def draw(ramps: Sequence[Ramp], path: Path) -> None:
    """Draw estimate over truth against density, one panel a vessel."""
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(
        len(ramps), 1, figsize=(8.0, 2.9 * len(ramps)), constrained_layout=True
    )
    for axis, ramp in zip(axes, ramps, strict=True):
        told = ramp.estimates["slides to opaque"]
        best, low, high = (
            np.array([getattr(e, k) for e in told]) / ramp.truth
            for k in ("cells_per_ml", "low", "high")
        )
        measured = np.isfinite(best)
        axis.axhline(1.0, color="0.5", lw=0.8)
        axis.fill_between(
            ramp.truth, low, high, where=measured, color="#9ecae1", label="95 % interval"
        )
        axis.plot(ramp.truth, best, "o-", ms=3.5, color="#08519c", label="estimate")
        for status, mark, side, word in (
            ("less-than", "v", high, "less than (upper limit)"),
            ("more-than", "^", low, "more than (lower limit)"),
        ):
            chosen = np.array([e.status == status for e in told])
            axis.plot(
                ramp.truth[chosen],
                side[chosen],
                mark,
                ms=6,
                color="#a63603",
                label=word,
            )
        lost = [n for n, r in enumerate(ramp.readings) if "bars-lost" in r.flags]
        if lost:
            middle = math.sqrt(ramp.truth[lost[0]] * ramp.truth[lost[0] - 1])
            axis.axvline(middle, color="0.35", ls=":", lw=1.2)
            axis.text(middle, 0.23, " bars lost", fontsize=8, color="0.25")
        axis.set(xscale="log", yscale="log", ylim=(0.2, 11.0), ylabel="estimate / truth")
        axis.set_yticks([0.25, 0.5, 1, 2, 4, 8], ["1/4", "1/2", "1", "2", "4", "8"])
        axis.minorticks_off()
        axis.set_title(f"{ramp.group.name}, {ramp.group.species}", fontsize=10, loc="left")
        axis.spines[["top", "right"]].set_visible(False)
    axes[-1].set_xlabel("true density [cells/mL]")
    figure.legend(
        *axes[0].get_legend_handles_labels(), fontsize=8, ncols=4, loc="outside upper center"
    )
    figure.savefig(path, dpi=110)
    plt.close(figure)


def main() -> None:
    """Follow every vessel's ramp."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, required=True, help="folder of the photos")
    parser.add_argument("--figure", type=Path, help="where to draw it (PNG)")
    parser.add_argument("--table", help="print every step by this calibration")
    given = parser.parse_args()
    ramps = [ramp_of(group, given.cache) for group in GROUPS]
    for ramp in ramps:
        print(report(ramp))
        if given.table:
            print(table(ramp, given.table))
    if given.figure:
        draw(ramps, given.figure)


if __name__ == "__main__":
    main()
