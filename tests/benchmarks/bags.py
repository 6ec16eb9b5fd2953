"""Measures soft hanging bags of 40, 60 and 80 mm, each with slides of its own. Run it by hand.

    python tests/benchmarks/bags.py --cache FOLDER

Fourteen photos a bag under any lamp, phone and print of colour-science's data, to 25 degrees of
tilt; eight slides of 400 cells and two blanks under one lamp, phone and print. All are read twice,
with the print registered and without. No test uses these seeds; the share of the width that is
read and the height left out at the foot were set before.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from accuracy import count, register_prints, show
from photo_cache import read_all
from shots import EV, LAMPS, MAX_TILT_DEG, PHONES, PRINTS, WORKING, cast, exposed

from densitycam.calibration.model import (
    CalibrationPoint,
    estimate,
    fit_calibration,
    start_calibration,
)
from densitycam.card.layout import card_layout
from densitycam.card.profile import PrintProfile
from densitycam.simulate import SPECIES, Scene, Vessel, print_of, random_scene
from densitycam.simulate.bag import BAGS
from densitycam.simulate.cells import vanishing_cells_per_ml
from densitycam.vessel.blank import blank_of
from densitycam.vessel.reading import Reading

CULTURES = (("bag-60", "isochrysis"), ("bag-40", "nannochloropsis"), ("bag-80", "tetraselmis"))
SEED, PHOTOS, SLIDES, BLANKS, RECOUNTS = 4_411, 14, 8, 2, 4


def draw(number: int, bag: Vessel, species: str) -> tuple[list[Scene], list[Scene], list[Scene]]:
    """Return a bag's blanks, slides and photos."""
    rng = np.random.default_rng([SEED, number])
    one: dict[str, Any] = {"lamp": LAMPS[0], "phone": PHONES[0], "print_name": PRINTS[0]}

    def shot(**fixed: Any) -> Scene:
        scene = random_scene(
            rng,
            species=species,
            vessel=bag,
            max_tilt_deg=MAX_TILT_DEG,
            jpeg_quality_range=(75, 95),
            **{"phone": PHONES, "lamp": LAMPS, "print_name": PRINTS, **fixed},
        )
        return exposed(cast(scene), float(rng.uniform(*EV)))

    def density_at(attenuation: float) -> float:
        return vanishing_cells_per_ml(
            SPECIES[species],
            path_mm=bag.path_mm,
            behind_mm=card_layout().gap_mm + bag.wall_mm,
            attenuation=attenuation,
        )

    blanks = [
        replace(exposed(shot(cells_per_ml=0.0, **one), 0.6), yaw_deg=3.0) for _ in range(BLANKS)
    ]
    slides = [
        shot(cells_per_ml=density_at(float(a)), **one) for a in np.geomspace(*WORKING, SLIDES)
    ]
    return blanks, slides, [shot(attenuation_range=WORKING) for _ in range(PHOTOS)]


def score(
    number: int, *, cache: Path, profiles: dict[str, PrintProfile]
) -> tuple[list[float], list[bool], list[str]]:
    """Return a bag's errors [ln], whether the intervals held, and refusals; no profiles: none."""
    name, species = CULTURES[number]
    bag = BAGS[name]
    blanks, slides, photos = draw(number, bag, species)

    def read(scenes: Sequence[Scene], **more: Any) -> list[Reading | str]:
        options = [
            {
                "path_mm": bag.path_mm,
                "shape": bag.shape,
                "profile": profiles.get(print_of(scene.print_name).name),
                **more,
            }
            for scene in scenes
        ]
        return read_all(scenes, cache, options)

    blank = blank_of([r for r in read(blanks) if isinstance(r, Reading)])
    of_slides, of_photos = read(slides, blank=blank), read(photos, blank=blank)
    rng = np.random.default_rng([SEED, number, 1])
    logs, held = [], []
    for _ in range(RECOUNTS):
        points = []
        for n, (scene, reading) in enumerate(zip(slides, of_slides, strict=True), 1):
            slide = count(scene.cells_per_ml, rng)
            if isinstance(reading, Reading):
                points.append(CalibrationPoint(reading, slide, f"slide {n}"))
        calibration = fit_calibration(start_calibration(species), points)
        for scene, reading in zip(photos, of_photos, strict=True):
            if not isinstance(reading, Reading):
                continue
            answer = estimate(reading, calibration)
            held.append(answer.low <= scene.cells_per_ml <= answer.high)
            if answer.status == "measured":
                logs.append(math.log(answer.cells_per_ml / scene.cells_per_ml))
    return logs, held, [r for r in (*of_slides, *of_photos) if isinstance(r, str)]


def main() -> None:
    """Print every bag's errors and all together."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, required=True, help="folder of the photos")
    cache = parser.parse_args().cache
    registered = register_prints(cache, quick=True)
    for title, profiles in (("not registered", {}), ("registered", registered)):
        print(f"print {title}")
        every: list[float] = []
        every_held: list[bool] = []
        for number, (name, species) in enumerate(CULTURES):
            logs, held, refused = score(number, cache=cache, profiles=profiles)
            show(f"  {name}, {species}", np.exp(logs), np.array(held))
            if refused:
                print(f"    refused {refused}")
            every += logs
            every_held += held
        show("  all", np.exp(every), np.array(every_held))


if __name__ == "__main__":
    main()
