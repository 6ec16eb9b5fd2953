"""Measures speed, side by side as ratios: run it by hand, no test depends on it.

    python tests/benchmarks/speed.py [SCRATCH_FOLDER]

Milliseconds are of the machine it runs on; the ratios travel. Photos are simulated, at 12 MP: one
as the simulator leaves it (about 1 MB) and one with the noise of a phone's small pixels, which JPEG
spends most of its bytes on (about 4 MB). One thread in OpenCV, as in a worker of `batch`. Whole
processes may keep their compiled modules, as they do on a keeper's computer.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import journal_scale
import numpy as np
from PIL import Image

from densitycam.calibration.model import estimate, start_calibration
from densitycam.photo.card_finder import find_card
from densitycam.photo.card_view import square_up
from densitycam.photo.decode import FIRST_SIDE_PX, decode_photo
from densitycam.simulate import Scene, write_photo
from densitycam.vessel.read import read_photo, read_view

SIZE_12_MP = (4000, 3000)

#: Noise of light and of colour that is laid over a photo, standard deviation [codes of 255]: the
#: file then has the 4 MB that a phone's usually has.
NOISE_CODES = (6.5, 3.2)


def best_of(run: Callable[[], object], times: int = 9) -> float:
    """Return the shortest of several timings [s]: the one least disturbed by the machine."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        found.append(time.perf_counter() - start)
    return min(found)


def show(what: str, seconds: float, against: float | None = None) -> None:
    """Print one figure and its ratio."""
    ratio = "" if against is None else f"   {seconds / against:.2f}"
    print(f"{what:44s} {seconds * 1e3:8.1f} ms{ratio}")


def process(*arguments: str) -> Callable[[], object]:
    """Return a run of a whole process."""
    known = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return lambda: subprocess.run(arguments, check=True, capture_output=True, env=known)


def noisy_copy(photo: Path, path: Path) -> None:
    """Write a photo again with the noise of small pixels, its EXIF kept."""
    rng = np.random.default_rng(1)
    with Image.open(photo) as image:
        codes, exif = np.asarray(image).astype(np.float32), image.info["exif"]
    light, colour = NOISE_CODES
    codes += rng.normal(0.0, light, (*codes.shape[:2], 1)).astype(np.float32)
    codes += rng.normal(0.0, colour, codes.shape).astype(np.float32)
    picture = Image.fromarray(np.clip(codes + 0.5, 0, 255).astype(np.uint8))
    picture.save(path, "JPEG", quality=92, subsampling="4:2:0", exif=exif)


def in_a_running_process(photo: Path) -> None:
    """Print how long one photo takes, and its parts."""
    with Image.open(photo) as image:
        size = image.size
    print(f"\n{size[0]} x {size[1]} px, {photo.stat().st_size / 1e6:.1f} MB")
    start = start_calibration("nannochloropsis")
    decoded = decode_photo(photo, side_px=FIRST_SIDE_PX)
    fix = find_card(decoded.rgb, focal_35mm=decoded.focal_35mm)
    view = square_up(decoded, fix)
    vessel = {"path_mm": 20.0, "shape": "flat"}
    reading = read_view(view, **vessel)
    runs: dict[str, Callable[[], object]] = {
        "cv2.imread in full": lambda: cv2.imread(str(photo)),
        "file to estimate": lambda: estimate(read_photo(photo, **vessel).reading, start),
        f"  decode to {max(decoded.rgb.shape)} px": lambda: decode_photo(
            photo, side_px=FIRST_SIDE_PX
        ),
        f"  find the card, {fix.px_per_mm:.1f} px/mm": lambda: find_card(decoded.rgb),
        "  tone, light, gates": lambda: square_up(decoded, fix),
        "  vessel, bars, signs": lambda: read_view(view, **vessel),
        "  estimate": lambda: estimate(reading, start),
    }
    # Taken in turns, so that a busy moment of the machine falls on all alike.
    best = dict.fromkeys(runs, float("inf"))
    for _ in range(15):
        for what, run in runs.items():
            best[what] = min(best[what], best_of(run, 1))
    for what, seconds in best.items():
        show(what, seconds, best["cv2.imread in full"])


def whole_processes(photo: Path) -> None:
    """Print how long commands take from start to end."""
    python, own = sys.executable, str(Path(sys.executable).parent / "densitycam")
    print("\nwhole processes")
    reads = process(python, "-c", f"import cv2; cv2.imread({str(photo)!r})")
    snaps = process(
        *(own, "snap", str(photo), "--no-journal", "--species", "nannochloropsis"),
        *("--path-mm", "20", "--shape", "flat", "--volume-ml", "250"),
    )
    clicks, helps = process(python, "-c", "import click"), process(own, "--help")
    best = [float("inf")] * 4
    for _ in range(7):
        for n, run in enumerate((reads, snaps, clicks, helps)):
            best[n] = min(best[n], best_of(run, 1))
    show(f"cv2.imread of {photo.name}", best[0], best[0])
    show(f"densitycam snap {photo.name}", best[1], best[0])
    show("python -c 'import click'", best[2], best[2])
    show("densitycam --help", best[3], best[2])


def main(scratch: Path) -> None:
    """Print every figure with its ratio."""
    cv2.setNumThreads(1)
    photo, noisy = scratch / "12mp.jpg", scratch / "12mp-noisy.jpg"
    if not photo.exists():
        print("drawing a 12 MP photo (simulated) ...", file=sys.stderr)
        write_photo(Scene(seed=1, cells_per_ml=2e7, size_px=SIZE_12_MP, jpeg_quality=92), photo)
    if not noisy.exists():
        noisy_copy(photo, noisy)
    for one in (photo, noisy):
        in_a_running_process(one)
    for one in (photo, noisy):
        whole_processes(one)
    print("\njournal")
    journal_scale.main(scratch)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as folder:
            main(Path(folder))
