"""Measures a folder at scale: run it by hand, no test depends on it.

    python tests/benchmarks/folder.py [--photos 300] [--times 2] [--kill]

Two things. How much faster two processor cores score four hundred photos than one, side by side,
whole processes. And what a photo takes as there are more of them: photos of the samples over and
over, each made another photo, scored by two workers; what they have computed, and what the main
process and its workers hold, is read off while they run, and a straight line through the second
half of the memory says what ten thousand photos would add. --kill ends that run by kill
-9 when a third is read, and goes on with the same journal. Milliseconds are of the machine it runs
on; the ratios travel. Linux only.
"""

from __future__ import annotations

import argparse
import math
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from another_photo import write_another

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "samples"
#: Photos of each vessel: a year and a half of daily ones; and so many are timed.
VESSEL_PHOTOS, TIMED_PHOTOS = 500, 400


def words(journal: Path, folder: Path) -> list[str]:
    """Return the command line of a batch in a process of its own, with a worker a core."""
    start = "from densitycam.cli.main import main; main(prog_name='densitycam')"
    return [sys.executable, "-c", start, "--journal", str(journal), "batch", str(folder)]


def timed(scratch: Path, folder: Path, cores: int) -> float:
    """Score a folder with a new journal on so many cores; return how long it took [s]."""
    journal = scratch / "timed.sqlite"
    journal.unlink(missing_ok=True)
    begin = time.perf_counter()
    all_cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, sorted(all_cores)[:cores])  # what is started from here stays on them
    try:
        ended = subprocess.run(words(journal, folder), cwd=ROOT, capture_output=True)
    finally:
        os.sched_setaffinity(0, all_cores)
    if ended.returncode not in (0, 1):
        raise RuntimeError(ended.stderr.decode())
    return time.perf_counter() - begin


def held_mb(process: int) -> float:
    """Return what a process holds in memory [MB]; 0 where it is gone."""
    try:
        status = Path(f"/proc/{process}/status").read_text()
    except OSError:
        return 0.0
    return next((int(x.split()[1]) / 1024 for x in status.splitlines() if "VmRSS" in x), 0.0)


def used_s(process: int) -> float:
    """Return how long a process and those of its children that have ended computed [s]."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return 0.0
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")


def children(process: int) -> list[int]:
    """Return the processes that one has started."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
            except OSError:
                continue
            if parent == process:
                found.append(int(entry.name))
    return found


def kept(journal: Path) -> int:
    """Return how many photos a journal holds."""
    try:
        with sqlite3.connect(f"file:{journal}?mode=ro", uri=True, timeout=30) as db:
            return int(db.execute("SELECT count(*) FROM photos").fetchone()[0])
    except sqlite3.OperationalError:
        return 0


def fill(folder: Path, photos: int) -> None:
    """Make a shelf of vessels, the samples' over and over, with a photo a day each."""
    lines = (SAMPLES / "vessels.csv").read_text().splitlines()
    rows = [lines[0]]
    for first in range(0, photos, VESSEL_PHOTOS):
        like = lines[1 + first // VESSEL_PHOTOS % (len(lines) - 1)]
        name, described = like.split(",", 1)
        own = f"{name}-{first // VESSEL_PHOTOS}"
        rows.append(f"{own},{described}")
        sources = sorted((SAMPLES / name).glob("*.jpg"))
        (folder / own).mkdir()
        for n in range(first, min(first + VESSEL_PHOTOS, photos)):
            rounds, place = divmod(n - first, len(sources))
            days = rounds * (len(sources) + 1)
            write_another(
                sources[place], folder / own / f"{n:05d}.jpg", number=n + 1 + days * 86400
            )
    (folder / "vessels.csv").write_text("\n".join(rows) + "\n")


def watch(
    folder: Path, journal: Path, *, kill_at: float = math.inf
) -> list[tuple[int, float, float, float]]:
    """Score a folder with two workers: how many photos are kept, and what that took, as it goes.

    Memory of the main process and of the largest worker [MB], and what all have computed [s], which
    other programs on the machine hardly change. By kill -9 it is ended once more than `kill_at`
    photos are kept.
    """
    seen = []
    process = subprocess.Popen(
        words(journal, folder), cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    while process.poll() is None:
        everyone = children(process.pid)
        largest = max(map(held_mb, everyone), default=0.0)
        computed = sum(map(used_s, [process.pid, *everyone]))
        now = (kept(journal), held_mb(process.pid), largest, computed)
        seen.append(now)
        if now[0] > kill_at:
            process.kill()
            process.wait()
            break
        time.sleep(0.5)
    return seen


def at_share(seen: list[tuple[int, float, float, float]], photos: int, share: float) -> str:
    """Say what was held, and what a photo took, when this share of the photos was kept."""
    near = [s for s in seen if abs(s[0] / photos - share) <= 0.05]
    first, last = near[0], near[-1]
    each = 1000 * (last[3] - first[3]) / (last[0] - first[0]) if last[0] > first[0] else math.nan
    return (
        f"  around {100 * share:3.0f} %: main {max(s[1] for s in near):.0f} MB, "
        f"largest worker {max(s[2] for s in near):.0f} MB, {each:.0f} ms of computing a photo"
    )


def whole(seen: list[tuple[int, float, float, float]], photos: int) -> float:
    """Return what had been computed when all photos were kept [s]; nan where they never were."""
    return next((s[3] for s in seen if s[0] >= photos), math.nan)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=300)
    parser.add_argument("--times", type=int, default=2)
    parser.add_argument("--kill", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        scratch = Path(place)
        folder = scratch / "some"
        folder.mkdir()
        fill(folder, TIMED_PHOTOS)
        runs = [(timed(scratch, folder, 1), timed(scratch, folder, 2)) for _ in range(asked.times)]
        one, two = (min(times) for times in zip(*runs, strict=True))
        print(f"{TIMED_PHOTOS} photos, whole batch: one core {one:.1f} s, two {two:.1f} s")
        print(f"  two are {one / two:.2f} times as fast (load {os.getloadavg()[0]:.1f})")

        folder = scratch / "many"
        folder.mkdir()
        fill(folder, asked.photos)
        journal = scratch / "many.sqlite"
        before = []
        if asked.kill:
            before = watch(folder, journal, kill_at=asked.photos / 3)
            print(f"killed with {kept(journal)} of {asked.photos} photos kept")
        seen = watch(folder, journal)
        decided = seen[-1][3] - whole(seen, asked.photos)
        print(f"{kept(journal)} photos kept in the end; all decisions: {decided:.0f} s more")
    reading = [s for s in before + seen if 0 < s[0] < asked.photos]
    for share in (0.05, 0.5, 0.95):
        print(at_share(reading, asked.photos, share))
    late = [s for s in reading if s[0] >= asked.photos / 2]
    for what, column in (("main process", 1), ("largest worker", 2)):
        slope = np.polyfit([s[0] for s in late], [s[column] for s in late], 1)[0]
        print(f"{what}: {reading[len(reading) // 5][column]:.0f} MB early, "
              f"{late[-1][column]:.0f} MB at the end of {asked.photos} photos, "
              f"{slope * 1000:+.1f} MB a thousand photos; {max(s[column] for s in seen):.0f} MB at "
              "most with the decisions")  # fmt: skip


if __name__ == "__main__":
    main()
