"""A journal of fourteen days filled without photos: Beer and Lambert, and a drift at day 10.

All of it is invented.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import numpy as np

from densitycam.counting.slide import count_slide
from densitycam.journal.history import calibrate_if_new
from densitycam.journal.store import Journal, PhotoRecord
from densitycam.vessel.reading import Outline, Reading
from densitycam.vessel.record import VesselRecord

JAR = VesselRecord("jar", "isochrysis", 500.0, 60.0, "flat")
BEGIN = datetime(2026, 5, 1, 8)
#: The day from which cells hold 1.5 times the pigment.
DRIFT = 10
NAN = math.nan


def density(day: int) -> float:
    """Return the true density of a day [cells/mL]."""
    return 6e5 * 1.25 ** (day % 6)


def at(day: float) -> datetime:
    """Return a moment so many days after the first photo."""
    return BEGIN + timedelta(days=day)


def reading(day: int) -> Reading:
    """Return what a photo of that day says, by Beer and Lambert and without noise."""
    gain = 1.5 if day >= DRIFT else 1.0
    depth = np.array([1.6e-8, 1.9e-8]) * gain * density(day) * JAR.path_mm
    contrast, mean = np.exp(-depth - 0.09), np.exp(-0.5 * depth - 0.09)

    def three(values) -> tuple[float, float, float]:
        return float(values[0]), float(values[1]), NAN

    return Reading(
        path_mm=JAR.path_mm,
        contrast_t=three(contrast),
        contrast_t_se=(0.008,) * 3,
        mean_t=three(mean),
        mean_t_se=(0.008,) * 3,
        veil=(0.01, 0.01, NAN),
        attenuation=three(depth),
        attenuation_se=three(np.hypot(0.008 / contrast, 0.03)),
        absorbance=three(0.5 * depth),
        absorbance_se=three(np.hypot(0.008 / mean, 0.03)),
        blank_se=0.03,
        usable=(True, True, False),
        greenness=0.0,
        turbidity_per_mm=float(depth[0]) / JAR.path_mm,
        dilution=1.0,
        outline=Outline(101.0, 189.5, 41.25, 185.0),
        rows=(),
    )


def add_slide(journal: Journal, day: int, *, wrong: float = 1.0) -> None:
    """Count 400 cells of the day's photo; `wrong` times as many for a bad slide."""
    journal.add_slide(
        "jar",
        count_slide(cells=round(400 * wrong), squares=min(400 / (density(day) * 1e-4), 18)),
        counted_at=at(day + 0.1),
        photo_sha256=f"{day:064d}",
    )


def fill(journal: Journal) -> None:
    """Keep the jar, its fourteen photos, six slides before the drift, and their calibration."""
    journal.add_vessel(JAR)
    for day in range(14):
        journal.put_photo(
            PhotoRecord(
                vessel="jar",
                sha256=f"{day:064d}",
                file_name=f"day {day}.jpg",
                taken_at=at(day),
                time_source="exif",
                path_mm=JAR.path_mm,
                shape="flat",
                dilution=1.0,
                own_optics=False,
                status="measured",
                flag=None,
                message=None,
                reading=reading(day),
                estimate=None,
                software_version="0.1.0",
            )
        )
    for day in (0, 2, 4, 5, 7, 8):
        add_slide(journal, day)
    calibrate_if_new(journal, JAR, made_at=at(9))
