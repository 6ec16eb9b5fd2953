"""Measures the page under load: run it by hand, no test depends on it.

    python tests/benchmarks/page_load.py [--photos 20] [--rounds 2]

`densitycam serve` runs as it does for a keeper, in a process of its own; so many phones send it a
simulated photo of 12 million pixels each, all at once, while another one opens pages. Printed are
the order of the answers, how long they took, and what the server and its readers held in memory at
most. Milliseconds are of the machine it runs on. Linux only.
"""

from __future__ import annotations

import argparse
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from another_photo import write_another
from web_server import Visitor

from densitycam.journal.store import Journal
from densitycam.simulate.photo_file import write_photo
from densitycam.simulate.scene import Scene
from densitycam.vessel.record import VesselRecord

ROOT = Path(__file__).resolve().parents[2]
BEGIN = "from densitycam.cli.main import main; main(prog_name='densitycam')"
SIZE = (4032, 3024)


def make_photos(folder: Path, count: int) -> list[bytes]:
    """Return so many photos of one scene at the size and grain of a phone's."""
    plain = folder / "plain.jpg"
    write_photo(Scene(seed=1, cells_per_ml=2e7, taken_at=datetime(2026, 4, 1, 8)), plain)
    with Image.open(plain) as image:
        exif, small = image.getexif(), image.convert("RGB")
    rng = np.random.default_rng(2026)
    large = np.asarray(small.resize(SIZE, Image.Resampling.BICUBIC)).astype(np.float32)
    grainy = np.clip(large + rng.normal(0, 4, large.shape), 0, 255).astype(np.uint8)
    Image.fromarray(grainy).save(folder / "large.jpg", quality=92, exif=exif)
    photos = []
    for n in range(count):
        write_another(folder / "large.jpg", folder / "one.jpg", number=20 * (n + 1))
        photos.append((folder / "one.jpg").read_bytes())
    return photos


def held_mb(process: int, what: str) -> float:
    """Return what a process holds ("VmRSS") or held at most ("VmHWM") [MB]; 0 where it is gone."""
    try:
        status = Path(f"/proc/{process}/status").read_text()
    except OSError:
        return 0.0
    return next((int(x.split()[1]) / 1024 for x in status.splitlines() if what in x), 0.0)


def readers(server: int) -> list[int]:
    """Return the server's worker processes."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
        except OSError:
            continue
        if parent == server:
            found.append(int(entry.name))
    return found


def send_all(port: int, photos: list[bytes]) -> list[tuple[float, float, int]]:
    """Send all photos at once; when each was sent whole, when answered [s], and how."""
    phones = [Visitor(port) for _ in photos]
    tokens = [phone.token("/snap") for phone in phones]
    begun = time.perf_counter()

    def send(n: int) -> tuple[float, float, int]:
        answer = phones[n].upload(
            "/snap", {"vessel": "slim"}, photos[n], "image.jpg", token=tokens[n]
        )
        return phones[n].sent_at - begun, time.perf_counter() - begun, answer.status

    with ThreadPoolExecutor(len(photos)) as pool:
        return list(pool.map(send, range(len(photos))))


def browse(port: int, stop: threading.Event, took: list[float]) -> None:
    """Open pages one after the other."""
    visitor = Visitor(port)
    while not stop.wait(0.2):
        for path in ("/", "/vessel?vessel=slim", "/snap"):
            begun = time.perf_counter()
            if visitor.get(path).status != 200:
                raise RuntimeError(f"{path} was not answered")
            took.append(time.perf_counter() - begun)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=20)
    parser.add_argument("--rounds", type=int, default=2)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        scratch = Path(place)
        photos = make_photos(scratch, asked.photos * asked.rounds)
        size = np.mean([len(p) for p in photos]) / 1e6
        print(
            f"{asked.photos} photos at once, {SIZE[0] * SIZE[1] / 1e6:.1f} MP, {size:.1f} MB each"
        )
        journal = scratch / "home" / "journal.sqlite"
        with Journal(journal) as kept:
            kept.add_vessel(VesselRecord("slim", "nannochloropsis", 500.0, 20.0, "flat"))
        server = subprocess.Popen(
            [sys.executable, "-c", BEGIN, "--journal", str(journal), "serve", "--port", "0"],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        said = ""
        while "Ctrl-C" not in said:
            said += server.stdout.readline()
        port = int(re.search(r"127\.0\.0\.1:(\d+)", said)[1])
        idle = held_mb(server.pid, "VmRSS")
        for turn in range(asked.rounds):
            mine = photos[turn * asked.photos : (turn + 1) * asked.photos]
            stop, took = threading.Event(), []
            reader = threading.Thread(target=browse, args=(port, stop, took))
            reader.start()
            answers = sorted(send_all(port, mine))
            stop.set()
            reader.join()
            when = np.array([answered for _, answered, _ in answers])
            away = np.abs(np.argsort(np.argsort(when)) - np.arange(len(when))).max()
            good = sum(status == 303 for _, _, status in answers)
            print(f"round {turn + 1}: {good} of {len(mine)} answered without error, the first "
                  f"after {when.min():.1f} s, half after {np.median(when):.1f} s, the last after "
                  f"{when.max():.1f} s; at most {away} places from the order in which they had "
                  f"come whole ({answers[0][0]:.1f} to {answers[-1][0]:.1f} s); load "
                  f"{os.getloadavg()[0]:.1f}")  # fmt: skip
            print(f"  pages meanwhile: {len(took)}, median {1e3 * np.median(took):.0f} ms, slowest "
                  f"{1e3 * np.max(took):.0f} ms")  # fmt: skip
            workers = [held_mb(p, "VmHWM") for p in readers(server.pid)]
            print(f"  server: {idle:.0f} MB before, {held_mb(server.pid, 'VmRSS'):.0f} MB after, "
                  f"{held_mb(server.pid, 'VmHWM'):.0f} MB at most; its processes at most "
                  f"{', '.join(f'{w:.0f}' for w in workers)} MB")  # fmt: skip
        with Journal(journal) as kept:
            records = kept.photos("slim")
        measured = sum(r.status == "measured" for r in records)
        files = sum(1 for p in (journal.parent / "photos").rglob("*") if p.is_file())
        print(f"kept: {len(records)} photos in the journal, {measured} measured; {files} originals")
        begun = time.perf_counter()
        server.send_signal(signal.SIGTERM)
        server.wait()
        print(f"ended with {server.returncode} in {time.perf_counter() - begun:.1f} s")


if __name__ == "__main__":
    main()
