"""Where a vessel tag may be in the picture: run it by hand, no test depends on it.

    python tests/benchmarks/tag_places.py [--scenes 6]

A tag is put into simulated photos at several places, and the reading held against that without it.
"""

from __future__ import annotations

import argparse
import sys
from datetime import datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tagged_photo import PLACES, with_tag

from densitycam.errors import PhotoRefusedError
from densitycam.photo.card_finder import find_card
from densitycam.photo.card_view import square_up
from densitycam.photo.decode import LinearPhoto
from densitycam.simulate.picture import render
from densitycam.simulate.scene import Scene
from densitycam.vessel.read import read_view

WHEN = datetime(2026, 4, 1)


def read(rgb: np.ndarray) -> tuple[np.ndarray, tuple[int, ...]]:
    """Return attenuation in red and green, and the tags seen."""
    fix = find_card(rgb)
    view = square_up(LinearPhoto(rgb, WHEN, "exif", "0" * 64, None), fix)
    return np.array(read_view(view, path_mm=20.0, shape="flat").attenuation[:2]), fix.tags


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=6)
    asked = parser.parse_args()
    changes: dict[str, list[float]] = {place: [] for place in PLACES}
    refused = dict.fromkeys(PLACES, 0)
    seen = dict.fromkeys(PLACES, 0)
    for n in range(asked.scenes):
        scene = Scene(
            seed=500 + n,
            cells_per_ml=(6e6, 1.5e7, 3e7)[n % 3],
            taken_at=WHEN,
            size_px=(1600, 1200),
            yaw_deg=(0.0, 8.0, -12.0)[n % 3],
        )
        rgb, _ = render(scene)
        plain, _ = read(rgb)
        for place in PLACES:
            try:
                value, tags = read(with_tag(rgb, 100, place))
            except PhotoRefusedError:
                refused[place] += 1
                continue
            seen[place] += tags == (100,)
            changes[place].append(float(np.max(np.abs(value / plain - 1))))
    for place, found in changes.items():
        most = f"attenuation changes by up to {max(found):.2%}" if found else "no reading"
        print(f"{place:28s} {most}, tag seen in {seen[place]} of {len(found)} read, "
              f"{refused[place]} of {asked.scenes} refused")  # fmt: skip


if __name__ == "__main__":
    main()
