"""The demo's samples: two invented cultures over three weeks, photographed, counted and split.

Run `python -m densitycam.simulate.samples OUT`.
"""

from __future__ import annotations

import argparse
import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from densitycam.simulate.photo_file import write_photo
from densitycam.simulate.scene import Scene, random_scene

_FIRST_DAY = date(2026, 3, 2)
_DAYS = 22
_SEED = 20260302
_PRINT = "inkjet"
_SUMMER_TIME = date(2026, 3, 29)

#: Sample volume of one square [mL]: improved Neubauer, 0.1 mm deep, 1 mm2 and 0.04 mm2.
_SQUARE_ML = {"large": 1e-4, "group": 4e-6}


@dataclass(frozen=True)
class _Story:
    """One vessel's three weeks, invented.

    Parameters
    ----------
    name, species, form : str
        Vessel's name, species id, key of `VESSELS`.
    room_seed : int
        The room it stands in.
    shape : {"cylinder", "flat"}
        As the vessel's record has it.
    path_mm, volume_ml : float
        Light path [mm] and working volume [mL].
    start, ceiling : float
        Density on the first day and the most it can reach [cells/mL].
    rate : float
        Specific growth rate when thin [1/day].
    splits : tuple of int
        Days, counted from 0, on which a quarter is kept, after the day's photo.
    lamps, phones : tuple of str
        Drawn from with the days; repeated names are likelier.
    unit, squares, dilution, fixative : str, tuple of int, float, float
        How slides are counted; the most squares that keep a count under 450 are taken.
    slides : tuple of int
        Days with a slide count.
    quirks : dict
        Day to changes of that day's scene.
    notes : dict
        Day to what is special.
    """

    name: str
    room_seed: int
    species: str
    form: str
    shape: str
    path_mm: float
    volume_ml: float
    start: float
    ceiling: float
    rate: float
    splits: tuple[int, ...]
    lamps: tuple[str, ...]
    phones: tuple[str, ...]
    unit: str
    squares: tuple[int, ...]
    dilution: float
    fixative: float
    slides: tuple[int, ...]
    quirks: dict[int, dict[str, Any]] = field(default_factory=dict)
    notes: dict[int, str] = field(default_factory=dict)


_STORIES = (
    _Story(
        name="window-bottle",
        room_seed=8,
        species="tetraselmis",
        form="cylinder-60",
        shape="cylinder",
        path_mm=60.0,
        volume_ml=400.0,
        start=1.6e5,
        ceiling=2.5e6,
        rate=0.345,
        splits=(7, 17),
        lamps=("daylight", "daylight", "shade", "shade", "cool-led"),
        phones=("heron", "heron", "heron", "slate"),
        unit="large",
        squares=(9, 4, 2),
        dilution=1.0,
        fixative=0.02,
        slides=(0, 3, 5, 7, 10, 14, 18, 21),
        quirks={
            9: {"settled": 1.7},
            11: {"orientation": 7},
            13: {"lamp": "fluorescent"},
            17: {"foam_mm": 4.0},
            20: {"lamp": "tungsten", "phone": "ember"},
        },
        notes={
            9: "settled: not swirled before the photo",
            11: "stored mirrored and turned (EXIF orientation 7)",
            16: "overgrown",
            17: "overgrown: too dense to see through, foam at the waterline",
        },
    ),
    _Story(
        name="flat-flask",
        room_seed=3,
        species="nannochloropsis",
        form="flat-20",
        shape="flat",
        path_mm=20.0,
        volume_ml=250.0,
        start=1.0e7,
        ceiling=8.0e7,
        rate=0.40,
        splits=(7, 14),
        lamps=("cool-led", "cool-led", "warm-led", "shade", "daylight"),
        phones=("heron", "heron", "slate", "ember"),
        unit="group",
        squares=(25, 15, 10),
        dilution=10.0,
        fixative=0.0,
        slides=(0, 3, 5, 7, 10, 13, 17, 20),
        quirks={
            4: {"blur_px": 9.0},
            12: {"orientation": 5},
            15: {"bubbles": 90},
            18: {"lamp": "fluorescent"},
        },
        notes={
            4: "cannot be measured: out of focus",
            12: "stored mirrored and turned (EXIF orientation 5)",
            15: "air still on: many bubbles",
        },
    ),
)

_README = """# Samples: invented, simulated

Nothing here was photographed or counted. Two cultures of our own invention live on a window sill
for 22 days in spring 2026; `densitycam/simulate/` drew every picture and every count. Each photo
says SIMULATED on its background and in its EXIF data.

| what | where |
| --- | --- |
| Tetraselmis in a round bottle, 60 mm inside, 400 mL | `window-bottle/` |
| Nannochloropsis in a flat flask, 20 mm inside, 250 mL | `flat-flask/` |
| the card on its own, to register the print | `bare-card/bare-card.jpg` |
| the vessels | `vessels.csv` |
| counts under the microscope (improved Neubauer) | `slides.csv` |
| harvests with top-up, a quarter kept | `splits.csv` |
| true densities, for the benchmark only | `truth.csv` |

File names carry day and time. Several lamps and phones are mixed. Special days are noted in
`truth.csv`: an overgrown bottle too dense to see through, a settled one, one photo out of
focus, one with the air still on, two stored with odd EXIF orientations.

`photo` in `slides.csv` and `truth.csv` is relative to this folder. In `slides.csv`, `unit` is
`large` (1 mm2) or `group` (0.04 mm2), `dilution` final over drawn volume, `fixative_fraction`
volume of fixative per volume of sample. Counts are Poisson draws with 5 % loading error.

Made by `python -m densitycam.simulate.samples samples`: the same bytes again with the same
versions of NumPy, OpenCV and Pillow.
"""


def _grown(density: float, *, rate: float, ceiling: float, days: float) -> float:
    """Return logistic growth's density after some days [cells/mL]."""
    rest = ceiling / density - 1.0
    return ceiling / (1.0 + rest * math.exp(-rate * days))


def _moments(rng: np.random.Generator) -> list[datetime]:
    """Return the photos' times, one a day, mostly in the morning."""
    moments = []
    for n in range(_DAYS):
        minutes = int(np.clip(rng.normal(8 * 60 + 15, 22), 7 * 60, 9 * 60 + 50))
        clock = time(minutes // 60, minutes % 60)
        moments.append(datetime.combine(_FIRST_DAY + timedelta(days=n), clock))
    return moments


def _densities(
    story: _Story, moments: Sequence[datetime], rng: np.random.Generator
) -> tuple[list[float], dict[int, datetime]]:
    """Return the density at each photo and when each split was made."""
    density, before = story.start, moments[0]
    seen: list[float] = []
    made: dict[int, datetime] = {}
    for day, when in enumerate(moments):
        rate = story.rate * float(rng.normal(1.0, 0.05))
        days = (when - before).total_seconds() / 86400.0
        density = _grown(density, rate=rate, ceiling=story.ceiling, days=days)
        before = when
        seen.append(density)
        if day in story.splits:
            made[day] = datetime.combine(when.date(), time(10, 15))
            days = (made[day] - when).total_seconds() / 86400.0
            density = _grown(density, rate=rate, ceiling=story.ceiling, days=days) / 4.0
            before = made[day]
    return seen, made


def _scene(
    story: _Story, day: int, when: datetime, cells_per_ml: float, rng: np.random.Generator
) -> Scene:
    scene = random_scene(
        rng,
        species=story.species,
        vessel=story.form,
        phone=story.phones,
        lamp=story.lamps,
        print_name=_PRINT,
        cells_per_ml=cells_per_ml,
        jpeg_quality_range=(85, 85),
    )
    return replace(
        scene,
        room_seed=story.room_seed,
        taken_at=when,
        utc_offset="+02:00" if when.date() >= _SUMMER_TIME else "+01:00",
        note=story.notes.get(day, ""),
        **story.quirks.get(day, {}),
    )


def _counted(story: _Story, cells_per_ml: float, rng: np.random.Generator) -> tuple[int, int]:
    """Return cells counted on one slide and in how many squares."""
    at_counting = cells_per_ml / (story.dilution * (1.0 + story.fixative))
    per_square = at_counting * _SQUARE_ML[story.unit]
    fitting = [n for n in story.squares if per_square * n <= 450.0]
    squares = fitting[0] if fitting else story.squares[-1]
    loading = float(np.exp(rng.normal(0.0, 0.05)))
    return int(rng.poisson(per_square * squares * loading)), squares


def _write_table(path: Path, head: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(rows)


def _write_samples(folder: str | Path) -> list[Path]:
    """Write the demo's photos and tables into a folder.

    Parameters
    ----------
    folder : str or Path
        Made if missing; files of the same names are overwritten, others left alone.

    Returns
    -------
    list of Path
        The photos written.

    Raises
    ------
    OSError
        When the folder or a file cannot be written.
    """
    folder = Path(folder)
    vessels, slides, splits, truths = [], [], [], []
    photos: list[Path] = []
    for number, story in enumerate(_STORIES):
        rng = np.random.default_rng([_SEED, number])
        (folder / story.name).mkdir(parents=True, exist_ok=True)
        moments = _moments(rng)
        densities, made = _densities(story, moments, rng)
        vessels.append(
            (story.name, story.species, f"{story.volume_ml:g}", f"{story.path_mm:g}", story.shape)
        )
        for day, (when, density) in enumerate(zip(moments, densities, strict=True)):
            photo = f"{story.name}/{when:%Y-%m-%d_%H%M}.jpg"
            scene = _scene(story, day, when, density, rng)
            write_photo(scene, folder / photo)
            photos.append(folder / photo)
            truths.append((photo, f"{density:.4g}", scene.note))
            if day in story.slides:
                cells, squares = _counted(story, density, rng)
                stamp = (when + timedelta(minutes=20)).isoformat(timespec="minutes")
                slides.append(
                    (story.name, stamp, photo, "improved-neubauer", story.unit, cells, squares,
                     f"{story.dilution:g}", f"{story.fixative:g}")
                )  # fmt: skip
            if day in made:
                stamp = made[day].isoformat(timespec="minutes")
                total = story.volume_ml
                splits.append((story.name, stamp, f"{total / 4:g}", f"{total:g}"))

    rng = np.random.default_rng([_SEED, 99])
    bare = random_scene(
        rng,
        print_name=_PRINT,
        phone="heron",
        lamp="shade",
        bare_card=True,
        max_tilt_deg=6.0,
        max_gradient=0.06,
        jpeg_quality_range=(88, 88),
    )
    bare = replace(
        bare, taken_at=datetime.combine(_FIRST_DAY, time(7, 40)), note="bare card", room_seed=3
    )
    (folder / "bare-card").mkdir(parents=True, exist_ok=True)
    write_photo(replace(bare, orientation=1), folder / "bare-card" / "bare-card.jpg")
    photos.append(folder / "bare-card" / "bare-card.jpg")

    _write_table(
        folder / "vessels.csv",
        ("name", "species", "working_volume_ml", "path_mm", "shape"),
        vessels,
    )
    _write_table(
        folder / "slides.csv",
        ("vessel", "when", "photo", "chamber", "unit", "cells", "squares", "dilution",
         "fixative_fraction"),
        slides,
    )  # fmt: skip
    _write_table(folder / "splits.csv", ("vessel", "when", "kept_ml", "total_ml"), splits)
    _write_table(folder / "truth.csv", ("photo", "cells_per_ml", "note"), truths)
    (folder / "README.md").write_text(_README, encoding="utf-8")
    return photos


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the samples into the folder named on the command line.

    Parameters
    ----------
    arguments : sequence of str or None
        Without the program's name; None for those of the command line.

    Raises
    ------
    OSError
        When the folder or a file cannot be written.
    """
    parser = argparse.ArgumentParser(description="Write the simulated demo photos and tables.")
    parser.add_argument("out", type=Path, help="folder to write into, such as samples")
    out = parser.parse_args(arguments).out
    photos = _write_samples(out)
    size = sum(p.stat().st_size for p in photos) / 1e6
    print(f"{len(photos)} simulated photos, {size:.1f} MB, in {out}")


if __name__ == "__main__":
    main()
