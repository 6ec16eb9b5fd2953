"""Kills `densitycam batch` at 50 random moments: run it by hand, no test depends on it.

    python tests/benchmarks/kills.py [--tries 50] [--photos 40] [--seed 1]

A folder of small simulated photos is scored by a process of its own, with workers, which is ended
by kill -9 at moments drawn over the length of a whole run; the next goes on with the same journal.
After each kill the file is opened as any program would open it, checked by SQLite, and held against
the journal of a run that nobody disturbed. A short form of it is a test.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from another_photo import write_another
from killed_batch import kill_again_and_again

from densitycam.simulate import Scene, write_photo


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tries", type=int, default=50)
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "photos"
        (folder / "slim").mkdir(parents=True)
        (folder / "vessels.csv").write_text(
            "name,species,working_volume_ml,path_mm,shape\nslim,nannochloropsis,500,20,flat\n"
        )
        start = datetime(2026, 4, 1, 8, 30)
        for n in range(asked.photos):
            photo = folder / "slim" / f"{n:03d}.jpg"
            if n < 4:
                when = start + timedelta(days=n)
                scene = Scene(seed=n, cells_per_ml=8e6 * 1.5**n, taken_at=when, size_px=(1000, 750))
                write_photo(scene, photo)
            else:
                write_another(folder / "slim" / f"{n % 4:03d}.jpg", photo, number=n)
        found = kill_again_and_again(folder, Path(scratch), tries=asked.tries, seed=asked.seed)
    print(f"{found.tries} kills of a batch of {asked.photos} photos (seed {asked.seed})")
    print(f"  with a photo lost or changed that was kept before: {found.losses}")
    print(f"  with a file that SQLite finds fault with: {found.damaged}")
    print(f"  photos kept after each kill: {', '.join(map(str, found.kept_after))}")
    print(f"{found.whole_runs} journals gone on with until whole; "
          f"{found.differing} differ from the undisturbed one")  # fmt: skip


if __name__ == "__main__":
    main()
