"""Look into what README.md's main job wrote, and run it again: `check_main_job.py FOLDER LINE`."""

from __future__ import annotations

import csv
import math
import shlex
import struct
import subprocess
import sys
import time
from pathlib import Path

folder, line = Path(sys.argv[1]), sys.argv[2]
words = shlex.split(line)
command = words[words.index(".venv/bin/densitycam") :]
command = command[: next((n for n, word in enumerate(command) if word in ("||", "&&", ";")), None)]
samples = folder / command[2]


def option(name: str) -> str:
    """Return what the line gives to an option."""
    return command[command.index(name) + 1]


def rows_of(table: Path) -> list[dict[str, str]]:
    """Return a CSV file's rows."""
    with table.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def require(holds: bool, rule: str) -> None:
    """Stop with one line where a rule does not hold; unlike assert, under -O too."""
    if not holds:
        sys.exit(f"main job: {rule}")


truth = {row["photo"]: row["note"] for row in rows_of(samples / "truth.csv")}
spoilt = {photo for photo, note in truth.items() if note.startswith("cannot be measured")}
rows = rows_of(folder / option("--csv"))
require({row["photo"] for row in rows} == set(truth), "the CSV has not one row for every photo")
refused = {row["photo"] for row in rows if row["status"] == "not measured"}
require(refused == spoilt != set(), f"refused {sorted(refused)}, spoilt are {sorted(spoilt)}")
measured = [row for row in rows if row["status"] == "measured"]
require(len(measured) >= 0.9 * len(rows), f"only {len(measured)} of {len(rows)} photos measured")
for row in measured:
    low, middle, high = (float(row[name]) for name in ("low_95", "cells_per_ml", "high_95"))
    require(0 < low < middle < high < math.inf, f"{row['photo']}: no sound interval")
require(all(row["decision"] for row in measured), "a measured photo has no decision")

chart = (folder / option("--chart")).read_bytes()
require(chart.startswith(b"\x89PNG\r\n\x1a\n"), "the chart is not a PNG")
width, height = struct.unpack(">II", chart[16:24])
require(width >= 800 and height >= 500, f"the chart is {width} x {height} pixels")

# The second time: nothing to read, the same table, and the exit code that --help promises.
before = (folder / option("--csv")).read_bytes()
started = time.monotonic()
again = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
seconds = time.monotonic() - started
require(again.returncode == 1, f"with a photo refused, the exit code is {again.returncode}, not 1")
require("Traceback" not in again.stderr, again.stderr)
require(all(photo in again.stdout for photo in spoilt), "the refused photo is not named")
require("0 read now" in again.stdout, "the second run read photos again")
require((folder / option("--csv")).read_bytes() == before, "the second run's CSV differs")
print(f"main job: {len(measured)} of {len(rows)} photos measured; again in {seconds:.1f} s")
