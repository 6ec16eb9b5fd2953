"""Measures accuracy on simulated photos of known truth: run it by hand, no test depends on it.

    python tests/benchmarks/accuracy.py samples
    python tests/benchmarks/accuracy.py any --cache FOLDER [--quick] [--figure PNG]
    python tests/benchmarks/accuracy.py repeat --cache FOLDER [--quick]
    python tests/benchmarks/accuracy.py gates --cache FOLDER [--quick]
    python tests/benchmarks/accuracy.py budget --cache FOLDER [--quick]

`samples` runs the real `densitycam batch` on samples/, calibrated by the samples' own slides.
The others draw photos under lamps, cameras and prints made of colour-science's data. `any`
calibrates with eight slides of one phone, lamp and print, and tests under all. `repeat` shoots
one culture again and again. `gates` shows photos that cannot be measured. `budget` switches one
term of the error off at a time. `--quick` draws fewer photos from other seeds, for tuning: the
full run's photos are then new to whoever tuned. Photos stay in the folder for the next run.
"""

from __future__ import annotations

import argparse
import csv
import math
import pickle
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shots
from photo_cache import path_of, read_all, render_all
from shots import GROUPS, LAMPS, PHONES, PRINTS, Group

from densitycam.calibration.model import (
    Calibration,
    CalibrationPoint,
    estimate,
    fit_calibration,
    start_calibration,
)
from densitycam.card.profile import PrintProfile, mean_profile
from densitycam.counting.slide import SlideCount, count_slide
from densitycam.photo.print_registration import register_print
from densitycam.simulate import VESSELS, Scene, lamp_of, phone_of, print_of
from densitycam.vessel.blank import Blank, blank_of
from densitycam.vessel.reading import Reading

SAMPLES = Path(__file__).parents[2] / "samples"

#: How often the same eight slides are counted again, so that one lucky count says little.
RECOUNTS = 8

#: Cells counted on a slide, and where enough squares for them are found.
CELLS = 400

#: Signs that speak of the culture's density alone, and so tell nobody that a photo is spoilt.
RANGE_SIGNS = ("too-thin", "bars-lost", "too-dense")

#: Relative error of one chamber filling (Berkson, Magath & Hurn 1940, from memory).
LOADING_SD = 0.046
CHAMBERS = (("improved-neubauer", "large", 1e-4, 18), ("sedgewick-rafter", "square", 1e-3, 1000))


def show(group: str, ratio: np.ndarray, held: np.ndarray) -> None:
    """Print one group's errors; `ratio` is estimate over truth, `held` whether inside 95 %."""
    error = np.abs(ratio - 1)
    print(
        f"{group:22s} n {len(error):4d}   median error {np.median(error):6.1%}   "
        f"95th percentile {np.percentile(error, 95):6.1%}   "
        f"bias {np.median(ratio) - 1:+6.1%}   95 % interval holds {np.mean(held):6.1%}"
    )


def samples() -> None:
    """Score samples/ as a user does and compare with its truth table."""
    with (SAMPLES / "truth.csv").open() as file:
        truth = {r["photo"]: float(r["cells_per_ml"]) for r in csv.DictReader(file)}
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "readings.csv"
        subprocess.run(
            [
                *(Path(sys.executable).parent / "densitycam", "batch", SAMPLES),
                *("--csv", table, "--journal", Path(folder) / "journal.sqlite"),
            ],
            check=False,  # one photo is meant to be refused
            capture_output=True,
        )
        with table.open() as file:
            rows = list(csv.DictReader(file))
    measured = [r for r in rows if r["status"] == "measured"]
    groups = {"all of samples/": measured}
    for vessel in sorted({r["vessel"] for r in rows}):
        groups[vessel] = [r for r in measured if r["vessel"] == vessel]
    groups["without a sign"] = [r for r in measured if not r["signs"]]
    print(f"samples/: {len(rows)} photos, {len(rows) - len(measured)} without a figure")
    for name, chosen in groups.items():
        true = np.array([truth[r["photo"]] for r in chosen])
        low, high, best = (
            np.array([float(r[k]) for r in chosen]) for k in ("low_95", "high_95", "cells_per_ml")
        )
        show(name, best / true, (low <= true) & (true <= high))


@dataclass(frozen=True)
class Answer:
    """One photo's estimate by one calibration.

    Parameters
    ----------
    scene : Scene
        The photo.
    group : Group
        Its group.
    status : str
        Of the estimate: "measured", "less-than" or "more-than".
    truth, best, low, high : float
        Densities [cells/mL].
    """

    scene: Scene
    group: Group
    status: str
    truth: float
    best: float
    low: float
    high: float


def count(density: float, rng: np.random.Generator) -> SlideCount:
    """Count about `CELLS` cells: Poisson, on a slide that was filled with its usual error."""
    chamber, unit, squares = next(
        (chamber, unit, CELLS / (density * volume_ml))
        for chamber, unit, volume_ml, most in CHAMBERS
        if CELLS / (density * volume_ml) <= most
    )
    cells = int(rng.poisson(CELLS * rng.normal(1.0, LOADING_SD)))
    return count_slide(cells=cells, squares=squares, chamber=chamber, unit=unit)


def register_prints(cache: Path, *, quick: bool) -> dict[str, PrintProfile]:
    """Return every print's profile by its name, from its bare card, as `card register` does."""
    bare = shots.bare_shots(quick=quick)
    render_all([scene for some in bare for scene in some], cache)
    return {
        print_of(some[0].print_name).name: mean_profile(
            [register_print(path_of(scene, cache)) for scene in some]
        )
        for some in bare
    }


class Bench:
    """The photos' folder, the seeds and the estimator's options, with readings kept in memory."""

    def __init__(self, *, cache: Path, quick: bool, blank: bool, profile: bool) -> None:
        self.cache, self.quick = cache, quick
        self._readings: dict[Path, Reading | str] = {}
        self._blanks: dict[str, Blank] = {}
        self._profiles: dict[str, PrintProfile] = {}
        if profile:
            self._profiles = register_prints(cache, quick=quick)
        if blank:
            blanks = {}
            for group in GROUPS:
                found = self.read([(group, s) for s in shots.blank_shots(group, quick=quick)])
                blanks[group.name] = blank_of([r for r in found if isinstance(r, Reading)])
            self._blanks = blanks
            self._readings.clear()

    def _options(self, group: Group, scene: Scene) -> dict[str, Any]:
        vessel = VESSELS[group.vessel]
        # The record holds the outer width too, as a ruler gives it.
        width = float(round(2 * vessel.half_width_mm))
        options: dict[str, Any] = {
            "path_mm": vessel.path_mm,
            "shape": vessel.shape,
            "width_mm": width,
        }
        if group.name in self._blanks:
            options["blank"] = self._blanks[group.name]
        if self._profiles:
            options["profile"] = self._profiles[print_of(scene.print_name).name]
        return options

    def read(self, photos: Sequence[tuple[Group, Scene]]) -> list[Reading | str]:
        """Return readings, or flags of refusal; a photo that was read before is not read again."""
        new = {path_of(s, self.cache): (g, s) for g, s in photos}
        new = {path: photo for path, photo in new.items() if path not in self._readings}
        scenes = [s for _, s in new.values()]
        options = [self._options(g, s) for g, s in new.values()]
        self._readings.update(zip(new, read_all(scenes, self.cache, options), strict=True))
        return [self._readings[path_of(s, self.cache)] for _, s in photos]

    def read_as_another(
        self, photos: Sequence[tuple[Group, Scene]], factors: Sequence[float]
    ) -> list[Reading | str]:
        """Return readings by a record whose widths are those of the vessel times the factors."""
        options = []
        for n, (group, scene) in enumerate(photos):
            told = self._options(group, scene)
            factor = factors[n // len(GROUPS) % len(factors)]
            told["path_mm"] *= factor
            told["width_mm"] *= factor
            options.append(told)
        return read_all([s for _, s in photos], self.cache, options)

    def calibrations(self, group: Group, which: int, *, recounts: int) -> list[Calibration]:
        """Return calibrations by one set of eight photos, counted again and again.

        `recounts` of 0 takes the truth in place of a count.
        """
        photos = shots.slide_shots(group, which, quick=self.quick)
        readings = self.read([(group, s) for s in photos])
        start = start_calibration(group.species)
        rng = shots.group_rng(group, 600 + which, quick=self.quick)
        fitted = []
        for _ in range(max(recounts, 1)):
            points = []
            for n, (scene, reading) in enumerate(zip(photos, readings, strict=True)):
                slide = count(scene.cells_per_ml, rng)
                if recounts == 0:
                    slide = replace(slide, cells_per_ml=scene.cells_per_ml)
                if isinstance(reading, Reading):
                    points.append(CalibrationPoint(reading, slide, f"slide {n + 1}"))
            fitted.append(fit_calibration(start, points))
        return fitted


def answers_of(
    group: Group,
    photos: Sequence[Scene],
    readings: Sequence[Reading | str],
    calibrations: Sequence[Calibration],
) -> list[Answer]:
    """Return the estimate of every photo that was not refused, by every calibration."""
    answers = []
    for scene, reading in zip(photos, readings, strict=True):
        if isinstance(reading, str):
            continue
        for calibration in calibrations:
            e = estimate(reading, calibration)
            answers.append(
                Answer(scene, group, e.status, scene.cells_per_ml, e.cells_per_ml, e.low, e.high)
            )
    return answers


def line(name: str, answers: Sequence[Answer]) -> str:
    """Return one row of errors; photos without a figure count towards the intervals alone."""
    told = [a for a in answers if a.status == "measured"]
    if not told:
        return f"  {name:24s} no figures"
    logs = np.log([a.best / a.truth for a in told])
    error = np.abs(np.exp(logs) - 1)
    held = np.mean([a.low <= a.truth <= a.high for a in answers])
    width = np.median([math.log(a.high / a.low) / 2 for a in told])
    return (
        f"  {name:24s} {np.median(error):7.1%} {np.percentile(error, 95):8.1%} "
        f"{np.median(logs):+8.1%} {held:8.1%} {width:9.1%} {1 - len(told) / len(answers):9.1%}"
    )


HEAD = (
    f"  {'':24s} {'median':>7s} {'95th pc':>8s} {'bias':>8s} {'held':>8s} {'+/-95 %':>9s} "
    f"{'no figure':>9s}"
)

SPLITS: dict[str, Callable[[Answer], str]] = {
    "lamp": lambda a: lamp_of(a.scene.lamp).name,
    "phone": lambda a: phone_of(a.scene.phone).name,
    "print": lambda a: print_of(a.scene.print_name).name,
    "tilt": lambda a: ("0-10", "10-18", "18-25")[
        int(np.digitize(math.hypot(a.scene.yaw_deg, a.scene.pitch_deg), (10, 18)))
    ],
    "density": lambda a: ("low third", "middle third", "high third")[
        int(
            np.digitize(
                a.truth,
                [shots.density_at(a.group, float(v)) for v in np.geomspace(*shots.WORKING, 4)[1:3]],
            )
        )
    ],
}


def _say_refusals(readings: Sequence[Reading | str]) -> None:
    refused = Counter(r for r in readings if isinstance(r, str))
    flagged = Counter(f for r in readings if isinstance(r, Reading) for f in r.flags)
    touched = sum(isinstance(r, str) or bool(r.flags) for r in readings)
    print(
        f"  {len(readings)} photos, refused {sum(refused.values())} {dict(refused) or ''}, "
        f"flagged {dict(flagged) or 0}; refused or flagged {touched / len(readings):.1%}"
    )


def any_phone(bench: Bench, *, figure: Path | None, keep: Path | None) -> None:
    """Print errors of every group in its range, split by what may hurt, and draw the figure."""
    sets = range(2 if bench.quick else len(shots.SLIDE_SETS))
    in_range, over_all = (48, 20) if bench.quick else (144, 72)
    everything: list[Answer] = []
    wide: dict[str, list[Answer]] = {}
    all_readings: list[Reading | str] = []
    kept: list[tuple[Path, Scene, str, str]] = []
    tests = {
        g.name: shots.test_shots(
            g, in_range, quick=bench.quick, attenuation=shots.WORKING, purpose=1
        )
        for g in GROUPS
    }
    wides = {
        g.name: shots.test_shots(g, over_all, quick=bench.quick, attenuation=shots.WHOLE, purpose=2)
        for g in GROUPS
    }
    slides = {
        g.name: [s for w in sets for s in shots.slide_shots(g, w, quick=bench.quick)]
        for g in GROUPS
    }
    for g in GROUPS:
        for role, scenes in (("slide", slides), ("test", tests), ("wide", wides)):
            kept += [(path_of(s, bench.cache), s, g.name, role) for s in scenes[g.name]]
        for s in shots.blank_shots(g, quick=bench.quick):
            kept.append((path_of(s, bench.cache), s, g.name, "blank"))
    for pair in shots.bare_shots(quick=bench.quick):
        kept += [(path_of(s, bench.cache), s, "", "bare") for s in pair]
    if keep is not None:
        render_all([s for _, s, _, _ in kept], bench.cache)
        keep.write_bytes(pickle.dumps(kept))
    bench.read([(g, s) for g in GROUPS for s in (*slides[g.name], *tests[g.name], *wides[g.name])])
    for g in GROUPS:
        readings = bench.read([(g, s) for s in tests[g.name]])
        all_readings += readings
        answers: list[Answer] = []
        by_set: dict[str, list[Answer]] = {}
        wide[g.name] = []
        for which in sets:
            fitted = bench.calibrations(g, which, recounts=RECOUNTS)
            lamp, phone, _ = shots.SLIDE_SETS[which]
            name = f"{LAMPS[lamp].name}, {PHONES[phone].name[7:]}"
            by_set[name] = answers_of(g, tests[g.name], readings, fitted)
            answers += by_set[name]
            if which == 0:
                read_wide = bench.read([(g, s) for s in wides[g.name]])
                wide[g.name] = answers_of(g, wides[g.name], read_wide, fitted[:1])
        everything += answers
        print(f"\n{g.name}, {g.species}, attenuation {shots.WORKING[0]} to {shots.WORKING[1]}")
        _say_refusals(readings)
        print(HEAD)
        print(line("all", answers))
        for split, key in SPLITS.items():
            for name in sorted({key(a) for a in answers}):
                print(line(f"{split} {name}", [a for a in answers if key(a) == name]))
        for name, some in by_set.items():
            print(line(f"slides {name}", some))
    print("\nall groups")
    _say_refusals(all_readings)
    print(HEAD)
    print(line("all", everything))
    for split, key in SPLITS.items():
        for name in sorted({key(a) for a in everything}):
            print(line(f"{split} {name}", [a for a in everything if key(a) == name]))
    print(f"\nwhole range, attenuation {shots.WHOLE[0]} to {shots.WHOLE[1]}")
    print(HEAD)
    for g in GROUPS:
        print(line(g.name, wide[g.name]))
    if figure is not None:
        draw(wide, figure)
        print(f"figure: {figure}", file=sys.stderr)


def draw(wide: dict[str, list[Answer]], path: Path) -> None:
    """Draw estimate against truth over the whole range, one panel a group."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, panels = plt.subplots(1, len(GROUPS), figsize=(14, 5.2), constrained_layout=True)
    for panel, group in zip(panels, GROUPS, strict=True):
        answers = wide[group.name]
        low, high = (shots.density_at(group, a) for a in shots.WHOLE)
        first, last = (shots.density_at(group, a) for a in shots.WORKING)
        ends = np.array([low / 1.5, high * 1.5])
        panel.axvspan(first, last, color="#dfeee0", zorder=0, label="stated range")
        panel.plot(ends, ends, color="0.35", lw=1, label="estimate = truth")
        panel.fill_between(ends, ends * 0.8, ends * 1.2, color="0.85", zorder=1, label="± 20 %")
        told = [a for a in answers if a.status == "measured"]
        x, y = np.array([(a.truth, a.best) for a in told]).T
        bounds = np.array([(a.best - a.low, a.high - a.best) for a in told]).T
        panel.errorbar(x, y, yerr=bounds, fmt="o", ms=4, lw=0.8, color="#1f6f4a", zorder=3,
                       label="estimate, 95 % interval")  # fmt: skip
        for status, mark, pick in (
            ("less-than", "v", lambda a: a.high),
            ("more-than", "^", lambda a: a.low),
        ):
            some = [(a.truth, pick(a)) for a in answers if a.status == status]
            if some:
                x, y = np.array(some).T
                panel.plot(x, y, mark, ms=6, color="#c05a1c", zorder=3,
                           label=f"only “{status.replace('-', ' ')}” is told")  # fmt: skip
        panel.set(xscale="log", yscale="log", xlim=ends, ylim=ends, xlabel="true cells/mL",
                  title=f"{group.name}, {group.species.capitalize()}")  # fmt: skip
        panel.grid(True, which="major", color="0.9", lw=0.6)
        panel.legend(fontsize=8, loc="upper left", framealpha=0.9)
    panels[0].set_ylabel("estimated cells/mL")
    figure.suptitle(
        "Simulated photos, any of 4 phones, 6 lamps, 3 prints; calibrated with 8 slides of one",
        fontsize=11,
    )
    figure.savefig(path, dpi=110)


def repeat(bench: Bench) -> None:
    """Print how far twelve photos of one culture scatter."""
    cultures = shots.repeat_shots(quick=bench.quick)
    bench.read([(g, s) for g, some in cultures for s in some])
    print("the same culture, lamp, phone and print; other noise, pose and exposure")
    spread = []
    for group, some in cultures:
        readings = bench.read([(group, s) for s in some])
        fitted = bench.calibrations(group, 0, recounts=1)
        told = answers_of(group, some, readings, fitted)
        best = np.array([a.best for a in told if a.status == "measured"])
        first = some[0]
        spread.append(float(np.std(best, ddof=1) / np.mean(best)))
        print(
            f"  {group.name:16s} {lamp_of(first.lamp).name:7s} {phone_of(first.phone).name:15s} "
            f"{print_of(first.print_name).name:12s} n {len(best):3d}   "
            f"bias {np.mean(best) / first.cells_per_ml - 1:+6.1%}   "
            f"repeatability CV {spread[-1]:5.1%}"
        )
    pooled = math.sqrt(float(np.mean(np.square(spread))))
    print(f"  repeatability CV: pooled {pooled:.1%}, worst {max(spread):.1%}")


def gates(bench: Bench) -> None:
    """Print the share of unmeasurable photos that were refused or flagged."""
    each = 12 if bench.quick else 24
    drawn = {how: shots.spoilt_shots(how, each, quick=bench.quick) for how in shots.SPOILT}
    bench.read([photo for some in drawn.values() for photo in some])  # in one go
    fitted = {g.name: bench.calibrations(g, 0, recounts=1)[0] for g in GROUPS}
    print(f"spoilt photos, {each} of a kind; caught is refused or flagged; harmless is not caught,")
    print("but read, and the truth lies inside the interval")
    print(f"  {'':14s} {'caught':>7s} {'harmless':>8s}   by what; errors of those not caught")
    caught_all, harmless_all, all_ = 0, 0, 0
    read = {how: bench.read(photos) for how, photos in drawn.items()}
    for how, factors in shots.WRONG_RECORDS.items():
        drawn[how] = shots.good_shots(how, each, quick=bench.quick)
        read[how] = bench.read_as_another(drawn[how], factors)
    for how, photos in drawn.items():
        why: Counter[str] = Counter()
        said: Counter[str] = Counter()
        off, harmless = [], 0
        for (group, scene), reading in zip(photos, read[how], strict=True):
            if isinstance(reading, str):
                why[reading] += 1
                continue
            doubts = [f for f in reading.flags if f not in RANGE_SIGNS]
            e = estimate(reading, fitted[group.name])
            if doubts:
                why[f"({doubts[0]})"] += 1
                continue
            harmless += e.low <= scene.cells_per_ml <= e.high
            if e.status == "measured":
                off.append(abs(e.cells_per_ml / scene.cells_per_ml - 1))
            else:
                said[e.status] += 1
        caught = sum(why.values())
        caught_all, all_ = caught_all + caught, all_ + len(photos)
        harmless_all += harmless
        rest = f"; told {dict(said)}" if said else ""
        rest += f"; off by {', '.join(f'{o:.0%}' for o in sorted(off))}" if off else ""
        print(
            f"  {how:14s} {caught / len(photos):7.1%} {harmless / len(photos):8.1%}   "
            f"{dict(why.most_common())}{rest}"
        )
    print(f"  {'together':14s} {caught_all / all_:7.1%} {harmless_all / all_:8.1%}")
    strangers = real_photos(bench.cache / "real")
    found = [_look_at(path) for path in strangers]
    print(
        f"  real photographs without a card (scikit-image's): {sum(map(bool, found))} of "
        f"{len(found)} refused {dict(Counter(filter(None, found)))}"
    )


def _look_at(path: Path) -> str:
    """Return the flag that refused a picture, or an empty word."""
    from densitycam.errors import DensitycamError, PhotoRefusedError
    from densitycam.vessel.read import read_photo

    try:
        read_photo(path, path_mm=20.0, shape="flat")
    except PhotoRefusedError as refusal:
        return refusal.flag
    except DensitycamError:
        return "not a photo for this"
    return ""


def real_photos(folder: Path) -> list[Path]:
    """Write the pictures that scikit-image carries in its wheel as PNG, and return their paths."""
    import skimage
    from skimage import io

    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for file in sorted((Path(skimage.__file__).parent / "data").iterdir()):
        if file.suffix.lower() in (".png", ".jpg", ".jpeg", ".tif", ".tiff"):
            picture = io.imread(file)
            if picture.ndim < 2 or min(picture.shape[:2]) < 100:
                continue
            path = folder / f"{file.stem}.png"
            if picture.dtype == np.uint8 and picture.ndim == 2:
                # A grey picture would be refused for being grey: let it be lit by a warm lamp.
                picture = (picture[..., None] * np.array([1.0, 0.93, 0.8])).astype(np.uint8)
            if picture.dtype != np.uint8 or picture.shape[2] not in (3, 4):
                continue
            io.imsave(path, picture[..., :3], check_contrast=False)
            paths.append(path)
    return paths


def budget(bench: Bench) -> None:
    """Print what each term adds to the error, by switching it off."""
    number = 16 if bench.quick else 72
    lamp, phone, made = shots.SLIDE_SETS[0]
    slides_of = {"lamp": LAMPS[lamp], "phone": PHONES[phone], "made": PRINTS[made]}
    drawn: dict[tuple[str, str], list[Scene]] = {}
    for group in GROUPS[:2]:
        photos = shots.test_shots(
            group, number, quick=bench.quick, attenuation=shots.WORKING, purpose=3
        )
        for term in shots.TERMS:
            drawn[group.name, term] = [shots.without(term, s, **slides_of) for s in photos]
        best = drawn[group.name, "nothing"]
        for term in shots.TERMS:
            best = [shots.without(term, s, **slides_of) for s in best]
        drawn[group.name, "all of these"] = best
    bench.read([(g, s) for g in GROUPS[:2] for (n, _), some in drawn.items() if n == g.name
                for s in some])  # fmt: skip
    for group in GROUPS[:2]:
        exact = bench.calibrations(group, 0, recounts=0)[0]

        def errors(term: str, by: Calibration, group: Group = group) -> np.ndarray:
            """Return ln(estimate / truth) of every photo, nan where none is given, (number,)."""
            photos = drawn[group.name, term]
            found = []
            for scene, reading in zip(
                photos, bench.read([(group, s) for s in photos]), strict=True
            ):
                e = None if isinstance(reading, str) else estimate(reading, by)
                given = e is not None and e.status == "measured"
                found.append(math.log(e.cells_per_ml / scene.cells_per_ml) if given else math.nan)
            return np.array(found)

        print(f"\n{group.name}: {number} photos, each with everything on and with one term off")
        print(f"  {'term':24s} {'moves one by':>13s} {'all by':>8s} {'rms without':>12s}")
        whole = errors("nothing", exact)
        rows = []
        for term in (*shots.TERMS[1:], "all of these"):
            off = errors(term, exact)
            moved = whole - off
            middle = float(np.nanmedian(moved))
            # One photo read quite wrongly must not pass for a term.
            one = float(np.sqrt(np.nanmean(np.clip(moved - middle, -0.25, 0.25) ** 2)))
            rows.append((term, one, middle, float(np.sqrt(np.nanmean(off**2)))))
        for term, one, middle, rest in sorted(rows, key=lambda r: -r[1]):
            print(f"  {term:24s} {one:13.1%} {middle:+8.1%} {rest:12.1%}")
        by_count = [
            float(np.nanmedian(errors("nothing", c) - whole))
            for c in bench.calibrations(group, 0, recounts=4 * RECOUNTS)
        ]
        print(f"  {'count of eight slides':24s} {'':13s} ±{np.std(by_count):7.1%}")
        print(
            f"  everything on, true counts: rms {np.sqrt(np.nanmean(whole**2)):.1%}, "
            f"bias (of the eight slides' own photos) {np.nanmedian(whole):+.1%}"
        )


def main() -> None:
    """Read the command line and run one benchmark."""
    parser = argparse.ArgumentParser(description="Measure accuracy on simulated photos.")
    commands = parser.add_subparsers(dest="command")
    commands.add_parser("samples", help="score samples/ with the real batch command")
    for name, text in (
        ("any", "any phone, lamp and print, calibrated under one"),
        ("repeat", "one culture shot again and again"),
        ("gates", "photos that cannot be measured"),
        ("budget", "the error's terms, switched off one by one"),
    ):
        command = commands.add_parser(name, help=text)
        command.add_argument("--cache", type=Path, required=True, help="folder of the photos")
        command.add_argument("--quick", action="store_true", help="fewer photos, other seeds")
        command.add_argument("--blank", action="store_true", help="subtract the vessel's blank")
        command.add_argument("--profile", action="store_true", help="register every print")
        if name == "any":
            command.add_argument("--figure", type=Path, help="PNG to draw")
            command.add_argument("--keep", type=Path, help="pickle of (path, scene, group, role)")
    options = parser.parse_args()
    if options.command in (None, "samples"):
        samples()
        return
    bench = Bench(
        cache=options.cache, quick=options.quick, blank=options.blank, profile=options.profile
    )
    if options.command == "any":
        any_phone(bench, figure=options.figure, keep=options.keep)
    elif options.command == "repeat":
        repeat(bench)
    elif options.command == "gates":
        gates(bench)
    else:
        budget(bench)


if __name__ == "__main__":
    main()
