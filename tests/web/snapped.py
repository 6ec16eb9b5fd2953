"""Simulated photos of the last days, invented: a culture that nearly doubles every day."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from densitycam.simulate.photo_file import write_photo
from densitycam.simulate.scene import Scene

#: True densities by days before now [cells/mL].
GROWTH = {3: 6.0e6, 2: 1.0e7, 1: 1.6e7, 0: 2.6e7}
#: What the phones of the tests describe: the simulator's flat bottle of 20 mm.
JAR = {
    "species": "nannochloropsis",
    "volume_ml": "900",
    "shape": "flat",
    "path_mm": "20",
    "width_mm": "",
}


def write_stock(folder: Path) -> dict[str, Path]:
    """Write day3 to day0 (minutes ago), dense, no-card, bare, water, two-years-ago."""
    now, size = datetime.now().replace(microsecond=0), (1000, 750)
    scenes = {
        f"day{days}": Scene(
            seed=40 + days,
            cells_per_ml=density,
            taken_at=now - timedelta(days=days, minutes=5),
            size_px=size,
        )
        for days, density in GROWTH.items()
    }
    scenes["dense"] = Scene(
        seed=50, cells_per_ml=4e8, taken_at=now - timedelta(minutes=2), size_px=size
    )
    scenes["no-card"] = Scene(
        seed=51, defect="no-card", taken_at=now - timedelta(minutes=1), size_px=size
    )
    for n in (0, 1):
        scenes[f"bare{n}"] = Scene(seed=60 + n, vessel=None, taken_at=now, size_px=size)
        scenes[f"water{n}"] = Scene(seed=70 + n, cells_per_ml=0.0, taken_at=now, size_px=size)
    stock = {}
    for name, scene in scenes.items():
        stock[name] = folder / f"{name}.jpg"
        write_photo(scene, stock[name])
    return stock
