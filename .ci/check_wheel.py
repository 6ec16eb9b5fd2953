"""Score one sample photo with the wheel installed here: `check_wheel.py SAMPLES_FOLDER`.

Run by the environment that holds the wheel, in an empty folder away from the checkout.
"""

from __future__ import annotations

import csv
import json
import math
import shutil
import subprocess
import sys
from pathlib import Path

import densitycam
from densitycam.calibration.species import species_folder

samples = Path(sys.argv[1])
environment = Path(sys.prefix).resolve()
densitycam_command = Path(sys.executable).with_name("densitycam")


def require(holds: bool, rule: str) -> None:
    """Stop with one line where a rule does not hold; unlike assert, under -O too."""
    if not holds:
        sys.exit(f"wheel: {rule}")


for place in (Path(densitycam.__file__).resolve(), species_folder()):
    require(place.is_relative_to(environment), f"{place} is not inside the wheel's environment")


def rows_of(table: str) -> list[dict[str, str]]:
    """Return the rows of one of the samples' tables."""
    with (samples / table).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


slide = rows_of("slides.csv")[1]
vessel = next(row for row in rows_of("vessels.csv") if row["name"] == slide["vessel"])
photo = shutil.copy(samples / slide["photo"], "photo.jpg")
described = ["--species", vessel["species"], "--volume-ml", vessel["working_volume_ml"]]
described += ["--path-mm", vessel["path_mm"], "--shape", vessel["shape"]]
run = subprocess.run(
    [densitycam_command, "snap", photo, *described, "--annotate", "seen.png", "--json"],
    capture_output=True,
    text=True,
    check=False,
)
require(run.returncode == 0, f"snap ended with {run.returncode}: {run.stderr}")
estimate = json.loads(run.stdout)["estimate"]
low, cells_per_ml, high = (estimate[name] for name in ("low", "cells_per_ml", "high"))
require(0 < low < cells_per_ml < high < math.inf, f"no sound interval: {estimate}")
require(estimate["checked_by_counts"] == 0, "a count was known where there was none")
require(Path("seen.png").stat().st_size > 50_000, "the annotated photo is empty")
print(
    f"wheel: {densitycam.__version__}, {slide['photo']}: {cells_per_ml:.2g} cells/mL "
    f"({low:.2g} to {high:.2g}), starting calibration"
)
