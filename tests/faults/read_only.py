"""The journal may only be read: its file, its folder, both, or the whole disk it lies on."""

from __future__ import annotations

import random
import sqlite3
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

from disk_full import small_disk
from figures import Figures, bound_by_modes, call, is_whole
from works import WORKS, Home, Try, Work, contents, home_for, stock, undisturbed

#: Commands that only look: they go on where nothing can be written. OUT lies elsewhere.
READS = (
    "today --when 2026-05-14T20:00",
    "vessel",
    "tags",
    "log list",
    "bottle list --all",
    "settings",
    "report jar --out OUT/jar.html",
    "export OUT/out.json",
    "export OUT/tables",
    "backup OUT/copy.sqlite",
)

WAYS = ("file", "folder", "file and folder", "disk")


@contextmanager
def only_read(way: str, home: Home, disk: Path | None) -> Iterator[None]:
    """Have a home that may only be read, for whoever runs the commands inside."""
    if way == "disk":
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        try:
            yield
        finally:
            subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=True)
        return
    home.journal.chmod(0o444 if "file" in way else 0o644)
    home.folder.chmod(0o555 if "folder" in way else 0o755)
    try:
        with bound_by_modes():
            yield
    finally:
        home.folder.chmod(0o755)
        home.journal.chmod(0o644)


def run(scratch: Path, *, tries: int, seed: int, works: Sequence[Work] = WORKS) -> Figures:
    """Have each command meet a journal that may only be read, in each way, as often as asked."""
    chance, found = random.Random(seed), Figures()
    for work in works:
        undisturbed(work)
    with small_disk(scratch / "disk") as disk:
        ways = WAYS if disk is not None else WAYS[:-1]
        while found.tries < tries:
            for work in works:
                way = chance.choice(ways)
                home = home_for(work, _place(way, disk, scratch))
                one = Try(work, home)
                with only_read(way, home, disk):
                    said = one.run()
                one.judge(said, found)
                if said.code != 0:
                    one.again(found)
                if found.tries == tries:
                    break
        _look(scratch, disk, ways, found)
    return found


def _place(way: str, disk: Path | None, scratch: Path) -> Path:
    return (disk if disk is not None and way == "disk" else scratch) / "home"


def _look(scratch: Path, disk: Path | None, ways: Sequence[str], found: Figures) -> None:
    """Have each command that only looks do so, in each way."""
    for way in ways:
        home = home_for(WORKS[0], _place(way, disk, scratch))
        with closing(sqlite3.connect(home.journal)) as db:  # all estimates are to be made anew
            db.execute("UPDATE photos SET estimate = NULL")
            db.commit()
        before = contents(WORKS[0], home)
        for line in READS:
            out = scratch / "elsewhere"
            out.mkdir(exist_ok=True)
            words = [word.replace("OUT", str(out)) for word in line.split()]
            call(stock().journal, *words)  # what it imports is there, whoever runs it next
            for made in out.iterdir():
                made.rename(scratch / f"first-{way}-{made.name}")
            with only_read(way, home, disk):
                said = call(home.journal, *words)
            found.tries += 1
            found.found("unclear", f"{line}, read-only {way}: {said}", said.code != 0)
            for made in out.iterdir():
                found.found("halves", f"{line}: {made.name}", not is_whole(made))
                made.rename(scratch / f"{way}-{made.name}")
        found.found("lost", f"looked at by {way}", contents(WORKS[0], home) != before)
