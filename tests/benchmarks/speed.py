"""Measures speed, side by side as ratios: run it by hand, no test depends on it.

    python tests/benchmarks/speed.py [SCRATCH_FOLDER]

Milliseconds are of the machine it runs on; the ratios travel.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
from PIL import Image

from densitycam.calibration.model import estimate, start_calibration
from densitycam.simulate import Scene, write_photo
from densitycam.vessel.read import read_photo

SIZE_12_MP = (4000, 3000)


def best_of(run: Callable[[], object], times: int = 5) -> float:
    """Return the shortest of several timings [s]: the one least disturbed by the machine."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        found.append(time.perf_counter() - start)
    return min(found)


def show(what: str, seconds: float, against: float) -> None:
    """Print one figure and its ratio."""
    print(f"{what:40s} {seconds * 1e3:7.0f} ms   {seconds / against:.2f}")


def process(*arguments: str) -> Callable[[], object]:
    """Return a run of a whole process."""
    return lambda: subprocess.run(arguments, check=True, capture_output=True)


def main(scratch: Path) -> None:
    """Print every figure with its ratio."""
    cv2.setNumThreads(1)
    photo = scratch / "12mp.jpg"
    if not photo.exists():
        print("drawing a 12 MP photo (simulated) ...", file=sys.stderr)
        write_photo(Scene(seed=1, cells_per_ml=2e7, size_px=SIZE_12_MP, jpeg_quality=92), photo)
    with Image.open(photo) as image:
        print(f"photo: {image.size[0]} x {image.size[1]}, {photo.stat().st_size / 1e6:.1f} MB")
    start = start_calibration("nannochloropsis")

    def score() -> None:
        estimate(read_photo(photo, path_mm=20, shape="flat").reading, start)

    score()  # imports and caches first
    decode = best_of(lambda: cv2.imread(str(photo)))
    scored = best_of(score)
    show("cv2.imread in full", decode, decode)
    show("file to estimate, in a running process", scored, decode)

    python = sys.executable
    click = best_of(process(python, "-c", "import click"))
    help_text = best_of(process(str(Path(python).parent / "densitycam"), "--help"))
    show("python -c 'import click'", click, click)
    show("densitycam --help", help_text, click)

    read = f"import cv2; cv2.imread({str(photo)!r})"
    imread = best_of(process(python, "-c", read), 3)
    snap = best_of(
        process(
            str(Path(python).parent / "densitycam"),
            *("snap", str(photo), "--no-journal", "--species", "nannochloropsis"),
            *("--path-mm", "20", "--shape", "flat", "--volume-ml", "250"),
        ),
        3,
    )
    show("python -c 'cv2.imread(...)'", imread, imread)
    show("densitycam snap, whole process", snap, imread)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as folder:
            main(Path(folder))
