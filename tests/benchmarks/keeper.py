"""A simulated keeper with cultures of known truth, who uses the real commands and follows them.

The cultures share neither law nor constant with the estimator: growth wanders, dead cells scatter
on without pigment, bacteria scatter and have none, water evaporates. What is right on a day comes
from their true densities and the species' harvest band as its file states it.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import photo_cache
from click.testing import CliRunner

from densitycam.cli.main import main
from densitycam.simulate import Scene, random_scene, spoilt, write_photo

ROOT = Path(__file__).resolve().parents[2]
STEP = 1 / 48  # [day]

#: What a photo of a slide's sample errs by in loading [ln], and what a jug does [ln].
LOADING, JUG = 0.05, 0.02
#: Share of photos taken without swirling first, and out of focus.
UNSWIRLED, OUT_OF_FOCUS = 0.03, 0.02
#: Bacteria at this share of the live cells' scatter are seen under the microscope.
SEEN_BACTERIA = 0.05
#: From this share on the culture counts as contaminated: harvesting it is wrong.
TOO_MANY_BACTERIA = 0.20


@dataclass(frozen=True)
class Kind:
    """One vessel and what lives in it, invented.

    Parameters
    ----------
    name, species, form, shape : str
        Vessel's name, species id, key of the simulator's `VESSELS`, shape as the record has it.
    path_mm, volume_ml : float
        Light path [mm] and working volume [mL].
    start, ceiling, rate : float
        Density at the begin, the most it can reach [cells/mL], growth rate when thin [1/day].
    unit, square_ml, dilution : str, float, float
        How slides are counted.
    every_days : int
        Days between photos.
    room_seed : int
        The room it stands in.
    crash_day, bacteria_day : float
        When cells begin to die, and when bacteria get in [day]; inf for never.
    """

    name: str
    species: str
    form: str
    shape: str
    path_mm: float
    volume_ml: float
    start: float
    ceiling: float
    rate: float
    unit: str
    square_ml: float
    dilution: float
    every_days: int
    room_seed: int
    crash_day: float = math.inf
    bacteria_day: float = math.inf


@dataclass
class Culture:
    """The true state of one vessel: densities in cells/mL, or in cells' worth of scatter."""

    kind: Kind
    rng: np.random.Generator
    day: float = 0.0
    live: float = 0.0
    dead: float = 0.0
    bacteria: float = 0.0
    wander: float = 0.0
    begun: float = 0.0
    ill_since: float = math.inf
    spared: bool = False
    past: list[tuple[float, float]] = field(default_factory=list)

    def grow_to(self, day: float) -> None:
        """Let it live until a day."""
        while self.day < day - 1e-9:
            step = min(STEP, day - self.day)
            self.wander += -0.2 * step * self.wander
            self.wander += self.rng.normal(0.0, 0.06 * math.sqrt(0.4 * step))
            self._step(step, math.exp(self.wander))
            self.past.append((self.day, self.live))

    def _step(self, step: float, luck: float) -> None:
        kind = self.kind
        if not self.spared and self.day >= min(kind.crash_day, kind.bacteria_day):
            self.ill_since = min(self.ill_since, self.day)
        ill = self.day - self.ill_since
        lag = 0.4 if self.day - self.begun < 0.5 else 1.0
        growth = kind.rate * lag * luck * max(1.0 - self.live / kind.ceiling, 0.0)
        death = 0.0
        if ill >= 0 and math.isfinite(kind.crash_day):
            growth *= math.exp(-ill / 0.5)
            death = min(0.16 * ill, 0.32)
        if ill >= 0 and math.isfinite(kind.bacteria_day):
            self.bacteria = max(self.bacteria, 0.01 * self.live)
            share = self.bacteria / self.live
            growth /= 1.0 + 2.0 * share
            death = 0.2 * min(share, 2.0)
            self.bacteria += step * 0.8 * self.bacteria * (1.0 - self.bacteria / kind.ceiling)
        lost = self.live * death * step
        self.live += self.live * growth * step - lost
        self.dead += lost - 0.25 * self.dead * step
        evaporated = math.exp(0.007 * step)
        self.live *= evaporated
        self.dead *= evaporated
        self.bacteria *= evaporated
        self.day += step

    def split(self, share: float) -> None:
        """Keep a share and fill up."""
        self.live *= share
        self.dead *= share
        self.bacteria *= share
        self.begun = self.day
        self.past = []

    def begin_anew(self) -> None:
        """Begin from the second starter in a clean vessel."""
        self.live, self.dead, self.bacteria = self.kind.start, 0.0, 0.0
        self.begun, self.ill_since, self.spared = self.day, math.inf, True
        self.past = []

    @property
    def bad(self) -> str:
        """What is truly wrong with it; "" for nothing."""
        if self.ill_since <= self.day and math.isfinite(self.kind.crash_day):
            return "crash"
        if self.bacteria > TOO_MANY_BACTERIA * self.live:
            return "bacteria"
        return ""

    @property
    def bad_under_the_microscope(self) -> bool:
        """Whether a drop shows it."""
        dying = self.bad == "crash" and self.dead > 0.03 * self.live
        return dying or self.bacteria > SEEN_BACTERIA * self.live

    @property
    def phase(self) -> str:
        """True phase of growth."""
        if self.bad == "crash":
            return "decline"
        share = self.live / self.kind.ceiling
        return "exponential" if share < 0.6 else "slowing" if share < 0.9 else "stationary"

    def density_before(self, days: float) -> float:
        """Live cells so many days ago in this batch [cells/mL]; 0 where it had not begun."""
        before = [live for day, live in self.past if day <= self.day - days]
        return before[-1] if before else 0.0

    def density_after(self, days: float) -> float:
        """Live cells in so many days if it grows on as it should [cells/mL]."""
        kind = self.kind
        rest = kind.ceiling / self.live - 1.0
        return kind.ceiling / (1.0 + rest * math.exp(-kind.rate * days))


class Commands:
    """Runs `densitycam`, its journal in one folder; now and then in a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.journal = folder / "journal.sqlite"
        self.count = 0

    def __call__(self, *words: object) -> tuple[int, str]:
        """Run a command and return its exit code and what it printed."""
        line = ["--journal", str(self.journal), *map(str, words)]
        self.count += 1
        if self.count % 50 == 0:
            start = "from densitycam.cli.main import main; main(prog_name='densitycam')"
            ended = subprocess.run(
                [sys.executable, "-c", start, *line], cwd=ROOT, capture_output=True, text=True
            )
            return ended.returncode, ended.stdout or ended.stderr
        result = CliRunner().invoke(main, line, prog_name="densitycam")
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result.exit_code, result.stdout or result.output

    def must(self, *words: object) -> str:
        """Run a command that has to succeed."""
        code, text = self(*words)
        if code:
            raise RuntimeError(f"{' '.join(map(str, words))}: {text}")
        return text


@dataclass(frozen=True)
class Decision:
    """What was said of one vessel on one day, beside the truth.

    Parameters
    ----------
    day : float
        Since the begin [day].
    vessel : str
        Which.
    true_density, density, low, high : float
        Live cells and what was read with its interval [cells/mL]; nan where nothing was.
    true_phase, phase : str
        Of growth.
    true_state : str
        What is truly wrong with it; "" for nothing.
    action, headline : str
        What was advised.
    warned : bool
        Whether an early warning stood beside it.
    right : tuple of str
        Actions that are right, or would have been a day earlier or later.
    ready_error_days : float
        Day foretold less the true one; nan where none was foretold or it was never reached.
    photos : int
        Photos it took.
    slides : int
        Slides counted so far.
    """

    day: float
    vessel: str
    true_density: float
    density: float
    low: float
    high: float
    true_phase: str
    phase: str
    true_state: str
    action: str
    headline: str
    warned: bool
    right: tuple[str, ...]
    photos: int
    slides: int
    foretold_days: float
    true_days: float

    @property
    def wrong(self) -> bool:
        """Whether it is wrong by more than a day."""
        return self.action not in self.right


#: Actions by what they ask for.
HARVEST, TROUBLE = ("harvest", "overdue"), ("rescue", "hold")


def right_actions(culture: Culture, band_low: float) -> tuple[str, ...]:
    """Return the actions that are right today, or were yesterday, or will be tomorrow.

    A culture below its harvest band is to wait, one in it or above is to be harvested, one that
    dies or is contaminated is neither.
    """
    right: set[str] = set()
    bad_before = culture.ill_since <= culture.day - 1.0 and bool(culture.bad)
    if culture.bad:
        right |= set(TROUBLE)
    if not (culture.bad and bad_before):
        if culture.density_after(1.0) >= band_low:
            right |= set(HARVEST)
        if culture.density_before(1.0) < band_low:
            right.add("wait")
    return tuple(sorted(right))


class Keeper:
    """Photographs, counts, splits and begins anew as the commands advise."""

    def __init__(
        self, kinds: tuple[Kind, ...], *, begin: datetime, seed: int, folder: Path, cache: Path
    ) -> None:
        self.begin, self.cache, self.folder = begin, cache, folder
        self.run = Commands(folder)
        self.rng = np.random.default_rng([seed, 1])
        self.cultures = [
            Culture(kind, np.random.default_rng([seed, 2, n]), live=kind.start)
            for n, kind in enumerate(kinds)
        ]
        self.photo_rng = {k.name: np.random.default_rng([seed, 3, n]) for n, k in enumerate(kinds)}
        self.slides = dict.fromkeys((k.name for k in kinds), 0)
        self.last_slide = dict.fromkeys((k.name for k in kinds), -math.inf)
        self.told_since = dict.fromkeys((k.name for k in kinds), math.inf)
        self.events: list[tuple[float, str, str]] = []
        self.band = {
            k.species: json.loads(
                (ROOT / "calibration" / k.species / "species.json").read_text(encoding="utf-8")
            )["harvest_low"]["value"]
            for k in kinds
        }

    def at(self, day: float) -> datetime:
        """Return the moment of a day."""
        return (self.begin + timedelta(days=day)).replace(microsecond=0)

    def file_of(self, scene: Scene) -> Path:
        """Return a scene's photo, drawn where the cache lacks it."""
        self.cache.mkdir(parents=True, exist_ok=True)
        path = photo_cache.path_of(scene, self.cache)
        if not path.exists():
            half_way = path.with_suffix(".part")
            write_photo(scene, half_way)
            half_way.replace(path)
        return path

    def set_up(self, *, lamp: str, phone: str) -> None:
        """Register the print and describe the vessels."""
        bare = random_scene(
            np.random.default_rng(7), print_name="inkjet", phone=phone, lamp=lamp, bare_card=True,
            max_tilt_deg=6.0, max_gradient=0.06, jpeg_quality_range=(88, 88),
        )  # fmt: skip
        bare = replace(bare, taken_at=self.at(0.25), room_seed=3, orientation=1)
        self.run.must("card", "register", self.file_of(bare))
        for culture in self.cultures:
            k = culture.kind
            self.run.must(
                "vessel", k.name, "--species", k.species, "--volume-ml", k.volume_ml,
                "--path-mm", k.path_mm, "--shape", k.shape,
            )  # fmt: skip
            self.run.must(
                "log", "inoculation", "--vessel", k.name, "--when", self.at(0.3), "--source",
                "slant",
            )  # fmt: skip

    def scene(self, culture: Culture, lamp: str, phone: str, *, form: str = "") -> Scene:
        """Draw a photo of a culture as it stands."""
        k, rng = culture.kind, self.photo_rng[culture.kind.name]
        scene = random_scene(
            rng,
            species=k.species,
            vessel=form or k.form,
            phone=phone,
            lamp=lamp,
            print_name="inkjet",
            cells_per_ml=culture.live,
            jpeg_quality_range=(85, 90),
        )
        return replace(
            scene,
            room_seed=k.room_seed,
            taken_at=self.at(culture.day),
            extra_scatter=(0.5 * culture.dead + culture.bacteria) / culture.live,
        )

    def visit(self, culture: Culture, day: float, lamp: str, phone: str) -> Decision:
        """Take the day's photo, follow what is said, and return it beside the truth."""
        culture.grow_to(day)
        scene = self.scene(culture, lamp, phone)
        chance = self.rng.random()
        if chance < UNSWIRLED:
            scene = replace(scene, settled=1.5)
        elif chance < UNSWIRLED + OUT_OF_FOCUS:
            scene = spoilt(scene, "blurred")
        said, photos = self.snap(culture, scene), 1
        while photos < 3 and (said is None or "settled" in said["reading"]["flags"]):
            photos += 1
            culture.grow_to(culture.day + 0.003)
            said = self.snap(culture, self.scene(culture, lamp, phone))
        if said is not None and said["advice"]["action"] == "cannot-tell":
            photos += 1
            culture.grow_to(culture.day + 0.003)
            drawn = self.scene(culture, lamp, phone, form="flat-20")
            said = self.snap(culture, drawn, "--path-mm", 20, "--shape", "flat")
        decision = self._decision(culture, said, photos)
        self._follow(culture, decision, said)
        return decision

    def snap(self, culture: Culture, scene: Scene, *words: object) -> dict | None:
        """Snap a photo; None where it was refused."""
        path = self.file_of(scene)
        code, text = self.run("snap", path, "--vessel", culture.kind.name, *words, "--json")
        if code:
            self.events.append((culture.day, culture.kind.name, f"refused: {text.strip()[:70]}"))
            return None
        return json.loads(text)

    def _decision(self, culture: Culture, said: dict | None, photos: int) -> Decision:
        k = culture.kind
        band = self.band[k.species]
        true_days = math.nan
        if culture.live < band and not culture.bad:
            rest = (k.ceiling / culture.live - 1.0) / (k.ceiling / band - 1.0)
            true_days = math.log(rest) / k.rate
        common = {
            "day": culture.day,
            "vessel": k.name,
            "true_density": culture.live,
            "true_phase": culture.phase,
            "true_state": culture.bad,
            "right": right_actions(culture, band),
            "photos": photos,
            "slides": self.slides[k.name],
            "true_days": true_days,
        }
        if said is None:
            return Decision(
                **common, density=math.nan, low=math.nan, high=math.nan, phase="", warned=False,
                action="cannot-tell", headline="refused", foretold_days=math.nan,
            )  # fmt: skip
        advice, estimate = said["advice"], said["estimate"]

        def number(value: float | None, missing: float) -> float:
            return missing if value is None else float(value)

        return Decision(
            **common,
            density=number(estimate["cells_per_ml"], math.nan),
            low=number(estimate["low"], math.nan),
            high=number(estimate["high"], math.inf),
            phase=said["growth"]["phase"],
            action=advice["action"],
            headline=advice["headline"],
            warned=any("Early warning" in reason for reason in advice["reasons"]),
            foretold_days=number(advice["wait_days"], math.nan),
        )

    def _follow(self, culture: Culture, decision: Decision, said: dict | None) -> None:
        name, day = culture.kind.name, culture.day
        self._count(culture, said)
        if decision.warned and said is not None:
            warning = next(r for r in said["advice"]["reasons"] if "Early warning" in r)
            self.events.append((day, name, warning))
        if decision.warned or decision.action in TROUBLE:
            if culture.bad_under_the_microscope:
                self.events.append((day, name, f"looked, saw {culture.bad or 'a few bacteria'}"))
                self._begin_anew(culture)
                return
            self.events.append((day, name, "looked, nothing amiss"))
        if decision.action not in HARVEST or said is None:
            self.told_since[name] = math.inf
            return
        self.told_since[name] = min(self.told_since[name], day)
        # Not every day leaves time for it.
        if self.rng.random() < 0.5 or day - self.told_since[name] >= 1.9:
            self._split(culture, said["advice"]["plan"]["keep_ml"])

    def _count(self, culture: Culture, said: dict | None) -> None:
        """Count a slide on the first days and once a week, and when advised to."""
        k = culture.kind
        since = culture.day - self.last_slide[k.name]
        due = since >= (3.0 if self.slides[k.name] < 3 else 7.0) - 0.3
        advised = said is not None and "slide" in said["advice"]["would_settle"]
        if said is None or not (due or (advised and since >= 1.9)):
            return
        if said["estimate"]["status"] != "measured" or culture.bad:
            return
        fixative = 0.02
        at_counting = culture.live / (k.dilution * (1.0 + fixative))
        per_square = at_counting * k.square_ml * math.exp(self.rng.normal(0.0, LOADING))
        squares = int(np.clip(round(420.0 / per_square), 1, 9 if k.unit == "large" else 25))
        cells = self.rng.poisson(per_square, squares)
        self.run.must(
            "count", "--vessel", k.name, "--cells", ",".join(map(str, cells)), "--unit", k.unit,
            "--dilution", k.dilution, "--fixative", fixative, "--reading", "latest",
            "--when", self.at(culture.day + 0.01),
        )  # fmt: skip
        self.run.must("calibrate", "--vessel", k.name)
        self.slides[k.name] += 1
        self.last_slide[k.name] = culture.day

    def _split(self, culture: Culture, keep_ml: float) -> None:
        k = culture.kind
        culture.grow_to(culture.day + 0.08)
        culture.split(keep_ml / k.volume_ml * math.exp(self.rng.normal(0.0, JUG)))
        self.run.must(
            "split", "--vessel", k.name, "--kept-ml", keep_ml, "--when", self.at(culture.day)
        )
        self.events.append((culture.day, k.name, f"split, {keep_ml / k.volume_ml:.0%} kept"))
        self.told_since[k.name] = math.inf

    def _begin_anew(self, culture: Culture) -> None:
        name = culture.kind.name
        self.run.must(
            "log", "end", "--vessel", name, "--reason", "crashed",
            "--when", self.at(culture.day + 0.02),
        )  # fmt: skip
        culture.grow_to(culture.day + 0.06)
        culture.begin_anew()
        self.run.must(
            "log", "inoculation", "--vessel", name, "--source", "second starter",
            "--when", self.at(culture.day),
        )  # fmt: skip
        self.events.append((culture.day, name, "begun anew from the second starter"))
        self.told_since[name] = math.inf
