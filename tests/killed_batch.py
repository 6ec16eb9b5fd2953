"""Kills `densitycam batch` at random moments and holds its journal against an undisturbed one."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

#: What a journal holds, less the numbers and times that differ from one whole run to the next.
_CONTENTS = (
    "SELECT v.name, p.sha256, p.file_name, p.taken_at, p.time_source, p.path_mm, p.shape, "
    "p.dilution, p.own_optics, p.status, p.flag, p.message, p.reading, p.estimate, "
    "p.software_version, p.prints, p.utc_offset "
    "FROM photos p JOIN vessels v ON v.id = p.vessel_id ORDER BY v.name, p.sha256",
    "SELECT name, species, working_volume_ml, path_mm, shape FROM vessels ORDER BY name",
    "SELECT calibration_id, species, slides, points, calibration FROM calibrations ORDER BY id",
    "SELECT photo_sha256, counted_at, cells, squares, cells_per_ml FROM slides ORDER BY id",
    "SELECT done_at, kept_ml, total_ml FROM splits ORDER BY id",
    "SELECT sources, profile FROM prints ORDER BY id",
)
_PHOTOS = (
    "SELECT v.name, p.sha256, p.reading, p.status FROM photos p JOIN vessels v "
    "ON v.id = p.vessel_id"
)


@dataclass(frozen=True)
class Kills:
    """What came of killing a batch again and again.

    Parameters
    ----------
    tries : int
        Kills that met a running batch.
    losses : int
        Of these, those after which a photo that was kept before was gone or said something else.
    damaged : int
        Of these, those that left a file that SQLite finds fault with.
    kept_after : tuple of int
        Photos in the journal after each kill.
    whole_runs : int
        Journals that were completed by a last, undisturbed run.
    differing : int
        Of these, those that then held anything else than the undisturbed one.
    """

    tries: int
    losses: int
    damaged: int
    kept_after: tuple[int, ...]
    whole_runs: int
    differing: int


def batch_words(journal: Path, folder: Path) -> list[str]:
    """Return the command line of a batch in a process of its own."""
    start = "from densitycam.cli.main import main; main(prog_name='densitycam')"
    return [sys.executable, "-c", start, "--journal", str(journal), "batch", str(folder)]


def kill_again_and_again(folder: Path, scratch: Path, *, tries: int, seed: int) -> Kills:
    """Kill batches of a folder at moments drawn over the length of a whole run.

    The same journal is gone on with until it is complete; then the next begins.
    """
    chance = random.Random(seed)
    undisturbed = scratch / "undisturbed.sqlite"
    begin = time.monotonic()
    _finish(undisturbed, folder)
    length = time.monotonic() - begin
    truth = _contents(undisturbed)
    readings = _photos(undisturbed)

    done = losses = damaged = whole = differing = 0
    kept_after = []
    while done < tries:
        journal = scratch / f"killed-{whole}.sqlite"
        ended_by_itself = False
        while done < tries and not ended_by_itself:
            process = subprocess.Popen(
                batch_words(journal, folder),
                cwd=ROOT,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            time.sleep(chance.uniform(0.0, length))
            before = _photos(journal)
            os.kill(process.pid, signal.SIGKILL)
            if process.wait() != -signal.SIGKILL:
                ended_by_itself = True
                continue
            done += 1
            damaged += not _is_sound(journal)
            after = _photos(journal)
            kept_after.append(len(after))
            losses += any(after.get(key) != value for key, value in before.items()) or any(
                readings.get(key) != value for key, value in after.items()
            )
        _finish(journal, folder)
        whole += 1
        differing += _contents(journal) != truth
    return Kills(done, losses, damaged, tuple(kept_after), whole, differing)


def _finish(journal: Path, folder: Path) -> None:
    """Let a batch run to its end."""
    ended = subprocess.run(
        batch_words(journal, folder), cwd=ROOT, capture_output=True, text=True, timeout=600
    )
    if ended.returncode not in (0, 1) or "Traceback" in ended.stderr:
        raise RuntimeError(ended.stderr)


def _photos(journal: Path) -> dict[tuple[str, str], tuple[str, str]]:
    """Return what is kept of each photo, by vessel and bytes; nothing before there is a table."""
    if not journal.exists():
        return {}
    with closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True, timeout=30)) as db:
        try:
            rows = db.execute(_PHOTOS).fetchall()
        except sqlite3.OperationalError as error:
            if "no such table" not in str(error):
                raise
            return {}
    return {(vessel, sha256): (reading, status) for vessel, sha256, reading, status in rows}


def _is_sound(journal: Path) -> bool:
    """Whether SQLite finds no fault in a journal, opened as any program opens it."""
    if not journal.exists():
        return True
    with closing(sqlite3.connect(journal)) as db:
        return (
            db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            and db.execute("PRAGMA foreign_key_check").fetchall() == []
        )


def _contents(journal: Path) -> list[list[tuple[object, ...]]]:
    with closing(sqlite3.connect(journal)) as db:
        return [db.execute(words).fetchall() for words in _CONTENTS]
