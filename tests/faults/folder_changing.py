"""A folder changes while it is read: photos go, come, move, shrink, grow, or are other ones."""

from __future__ import annotations

import hashlib
import math
import os
import random
import shutil
import sqlite3
import threading
import time
from contextlib import closing, suppress
from functools import cache
from pathlib import Path

from another_photo import write_another
from figures import Figures, call, is_sound, unclear
from works import SLIM, stock

from densitycam.journal.store import Journal

#: Photos in a folder.
_PHOTOS = 8

#: What a keeper, a phone and a program that syncs do to one.
DEEDS = ("remove", "rename", "shrink", "grow", "replace", "spoil", "add", "all")


@cache
def _others() -> tuple[bytes, ...]:
    """Return photos that come later."""
    here = stock().photos[0].parent
    made = []
    for n in range(_PHOTOS):
        path = here.parent / f"other-{n}.jpg"
        write_another(stock().photos[0], path, number=20 * (10 + n))
        made.append(path.read_bytes())
    return tuple(made)


@cache
def _truth() -> dict[str, str]:
    """Return the reading of each photo that is whole, by its hash, from an undisturbed run."""
    folder = stock().photos[0].parents[1] / "truth"
    (folder / "slim").mkdir(parents=True)
    for n, data in enumerate([p.read_bytes() for p in stock().photos] + list(_others())):
        (folder / "slim" / f"{n}.jpg").write_bytes(data)
    return _scored(folder, folder / "truth.sqlite")[1]


def _scored(folder: Path, journal: Path) -> tuple[object, dict[str, str]]:
    with Journal(journal) as kept:
        if not kept.vessels():
            kept.add_vessel(SLIM)
    said = call(journal, "batch", folder, "--workers", 1)
    with closing(sqlite3.connect(journal)) as db:
        rows = db.execute("SELECT sha256, reading FROM photos WHERE status = 'measured'").fetchall()
    return said, dict(rows)


def _meddle(folder: Path, chance: random.Random, end: threading.Event) -> None:
    """Do things to a folder's photos until a run is over."""
    while not end.wait(chance.uniform(0.0, 0.08)):
        files = sorted((folder / "slim").glob("*.jpg"))
        deed = chance.choices(DEEDS, (3, 3, 3, 4, 6, 2, 2, 0.3))[0]
        with suppress(OSError):  # it is gone already
            if deed == "all":
                shutil.rmtree(folder / "slim")
            elif deed == "add" or not files:
                (folder / "slim" / f"{chance.random()}.jpg").write_bytes(chance.choice(_others()))
            else:
                _do(deed, chance.choice(files), chance)


def _do(deed: str, photo: Path, chance: random.Random) -> None:
    if deed == "remove":
        photo.unlink()
    elif deed == "rename":
        photo.rename(photo.with_name(f"moved-{chance.random()}.jpg"))
    elif deed == "shrink":
        os.truncate(photo, int(photo.stat().st_size * chance.uniform(0, 0.9)))
    elif deed == "spoil":
        photo.write_bytes(b"no picture")
    elif deed == "replace":
        fresh = photo.with_name(".fresh")
        fresh.write_bytes(chance.choice(_others()))
        fresh.replace(photo)
    else:  # copied piece by piece, over the one that was there
        data = chance.choice(_others())
        with photo.open("wb") as stream:
            piece = math.ceil(len(data) / 5)
            for n in range(0, len(data), piece):
                stream.write(data[n : n + piece])
                stream.flush()
                time.sleep(0.01)


def run(scratch: Path, *, tries: int, seed: int) -> Figures:
    """Score a folder while somebody is at it, then once more in peace."""
    chance, found = random.Random(seed), Figures()
    truth = _truth()
    for n in range(tries):
        folder, journal = scratch / f"folder-{n}", scratch / f"{n}.sqlite"
        (folder / "slim").mkdir(parents=True)
        for photo in stock().photos[:_PHOTOS]:
            shutil.copy(photo, folder / "slim")
        end = threading.Event()
        meddler = threading.Thread(target=_meddle, args=(folder, chance, end))
        meddler.start()
        said, first = _scored(folder, journal)
        end.set()
        meddler.join()
        found.tries += 1
        found.kept += len(first)
        found.refused += said.code != 0
        if "Error: " in said.output or said.trace:
            found.found("unclear", (words := unclear(said)), bool(words))
        found.found("unclear", said.output, "unexpected fault" in said.output)
        _hold(first, truth, found)
        if any((folder / "slim").glob("*.jpg")):
            _, second = _scored(folder, journal)
            _hold(second, truth, found)
            here = {hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.rglob("*.jpg")}
            found.found("lost", "measured before", len(set(first) - set(second)))
            found.found("lost", "there, and not measured", len((here & set(truth)) - set(second)))
        found.found("damaged", journal.name, not is_sound(journal))
        shutil.rmtree(folder)
    return found


def _hold(kept: dict[str, str], truth: dict[str, str], found: Figures) -> None:
    """Every reading that is kept must be that of the very bytes it is kept for."""
    for sha256, reading in kept.items():
        found.found("damaged", f"{sha256}: of bytes nobody stored", sha256 not in truth)
        if sha256 in truth:
            found.found("damaged", f"{sha256}: of another photo", reading != truth[sha256])
