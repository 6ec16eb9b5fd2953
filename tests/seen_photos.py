"""Readings in proportion to a density, to fill a journal without photos."""

from __future__ import annotations

import hashlib
import math
from datetime import datetime, timedelta

from densitycam.journal.store import PhotoRecord
from densitycam.vessel.reading import BarRow, Outline, Reading

BEGIN = datetime(2026, 3, 1, 8, 0)


def reading(density: float, flags: tuple[str, ...] = ()) -> Reading:
    """A reading whose attenuation is 1 at a million cells/mL, in 60 mm."""
    a = density * 1e-6
    t = math.exp(-a)
    rgb, error = (t, t, t), (0.01, 0.01, 0.01)
    return Reading(
        path_mm=60.0, contrast_t=rgb, contrast_t_se=error, mean_t=rgb, mean_t_se=error,
        veil=(0.0, 0.0, 0.0), attenuation=(a, a, a), attenuation_se=error,
        absorbance=(a / 2, a / 3, a), absorbance_se=error, blank_se=0.01,
        usable=(True, True, True), greenness=0.1, turbidity_per_mm=a / 60.0, dilution=1.0,
        outline=Outline(100.0, 160.0, 60.0, 180.0), flags=flags,
        rows=tuple(BarRow(float(h), rgb, rgb, (0.0, 0.0, 0.0)) for h in range(20, 90, 10)),
    )  # fmt: skip


def photo(
    day: float, density: float, *, vessel: str = "jar", flags: tuple[str, ...] = (), **kwargs
) -> PhotoRecord:
    """A measured photo, days after `BEGIN`."""
    when = BEGIN + timedelta(days=day)
    given = {
        "vessel": vessel, "sha256": hashlib.sha256(f"{vessel}{when}".encode()).hexdigest(),
        "file_name": f"{when:%m%d}.jpg", "taken_at": when, "time_source": "exif", "path_mm": 60.0,
        "shape": "cylinder", "dilution": 1.0, "own_optics": False, "status": "measured",
        "flag": None, "message": None, "reading": reading(density, flags), "estimate": None,
        "software_version": "0",
    }  # fmt: skip
    return PhotoRecord(**(given | kwargs))


def refused(day: float, *, vessel: str = "jar") -> PhotoRecord:
    """A photo that could not be measured."""
    return photo(
        day, 1.0, vessel=vessel, status="refused", flag="blurred", message="Too soft.", reading=None
    )
