"""Measures accuracy on simulated photos of known truth: run it by hand, no test depends on it.

    python tests/benchmarks/accuracy.py [samples]

`samples` runs the real `densitycam batch` on samples/, calibrated by the samples' own slides.
"""

from __future__ import annotations

import csv
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

SAMPLES = Path(__file__).parents[2] / "samples"


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


if __name__ == "__main__":
    samples()
