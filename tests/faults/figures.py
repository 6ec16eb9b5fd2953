"""What came of one fault tried again and again, and what every fault's run needs to tell it."""

from __future__ import annotations

import atexit
import csv
import ctypes
import hashlib
import json
import os
import re
import sqlite3
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from unittest import mock
from xml.etree import ElementTree

from click.testing import CliRunner

from densitycam.cli.main import main
from densitycam.journal.workers import Workers

#: Reckoned anew from the rest at any time, so that it is no part of what was said to be kept.
_RECKONED = {"photos": {"estimate"}}


@dataclass
class Figures:
    """The figures of one fault.

    Parameters
    ----------
    tries : int
        How often the fault was brought about.
    kept : int
        Entries and files that a command said were kept, by exit code 0 or by its answer.
    lost : int
        Of these, those that were not there afterwards, or said something else; and entries from
        before that were gone.
    damaged : int
        Journals that SQLite found fault with, or that held something no command said.
    halves : int
        Files left half-written under a name that a program would open, and, where the command
        itself had to give up, under any name.
    unclear : int
        Refusals that were no line of words with a next step, tracebacks among them.
    refused : int
        How often a command gave up, as it should where it cannot do its work.
    examples : list of str
        A few words on each loss, damage, half and unclear refusal.
    """

    tries: int = 0
    kept: int = 0
    lost: int = 0
    damaged: int = 0
    halves: int = 0
    unclear: int = 0
    refused: int = 0
    examples: list[str] = field(default_factory=list)

    @property
    def bad(self) -> int:
        """All that must not be."""
        return self.lost + self.damaged + self.halves + self.unclear

    def found(self, what: str, words: str, times: int = 1) -> None:
        """Count something that must not be."""
        if times:
            setattr(self, what, getattr(self, what) + times)
            self.examples.append(f"{what}: {words}")


#: Heading of the table that the benchmark prints.
HEADING = (
    f"{'fault':<34}{'tries':>7}{'refused':>9}{'kept':>7}{'lost':>6}{'damaged':>9}{'halves':>8}"
    f"{'unclear':>9}"
)


def table_row(name: str, found: Figures) -> str:
    """Return a line of the table."""
    return (
        f"{name:<34}{found.tries:>7}{found.refused:>9}{found.kept:>7}{found.lost:>6}"
        f"{found.damaged:>9}{found.halves:>8}{found.unclear:>9}"
    )


# What a command says ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Said:
    """How a command ended."""

    code: int
    output: str
    trace: str = ""


@cache
def _workers() -> Workers:
    workers = Workers(1)
    atexit.register(workers.shutdown)
    return workers


@contextmanager
def _started_once(_count: int | None) -> Iterator[Workers]:
    yield _workers()


def call(journal: Path, *words: object) -> Said:
    """Run a command in this process; the one that reads a batch's photos is started only once."""
    with mock.patch("densitycam.cli.batch._workers", _started_once):
        said = CliRunner().invoke(
            main, ["--journal", str(journal), *map(str, words)], prog_name="densitycam"
        )
    trace = ""
    if said.exception is not None and not isinstance(said.exception, SystemExit):
        trace = "".join(traceback.format_exception(said.exception))
    return Said(said.exit_code, said.output, trace)


def unclear(said: Said) -> str:
    """Return what is wrong with a refusal; "" for one line that tells what and what next."""
    if said.trace or "Traceback" in said.output:
        return (said.trace or said.output).strip().splitlines()[-1]
    errors = [line for line in said.output.splitlines() if line.startswith("Error: ")]
    if said.code != 1 or len(errors) != 1 or not said.output.endswith(f"{errors[0]}\n"):
        return f"exit code {said.code}, {said.output!r}"
    # What is wrong, and what to do next.
    if not re.search(r"[.!?:] [A-Z0-9]", errors[0][7:]) or len(errors[0].split()) > 70:
        return errors[0]
    return ""


# What a journal holds ---------------------------------------------------------------------------

Rows = dict[str, Counter[tuple[object, ...]]]


def rows(journal: Path) -> Rows:
    """Return what a journal holds, row by row, as any program reads it."""
    with closing(sqlite3.connect(f"file:{journal}?mode=rw", uri=True, timeout=60)) as db:
        tables = [t for (t,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        found = {}
        for table in tables:
            cursor = db.execute(f"SELECT * FROM {table}")
            names = [d[0] for d in cursor.description]
            left_out = _RECKONED.get(table, set())
            found[table] = Counter(
                tuple(v for n, v in zip(names, row, strict=True) if n not in left_out)
                for row in cursor
            )
    return found


def added(before: Rows, after: Rows) -> Counter[str]:
    """Return how many rows each table has more."""
    return Counter({t: n for t in after if (n := (after[t] - before.get(t, Counter())).total())})


def gone(before: Rows, after: Rows) -> int:
    """Return how many rows are no longer there as they were."""
    return sum((before[t] - after.get(t, Counter())).total() for t in before)


def is_sound(journal: Path) -> bool:
    """Whether SQLite finds no fault in a journal, opened as any program opens it."""
    try:
        with closing(sqlite3.connect(journal, timeout=60)) as db:
            return (
                db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
                and db.execute("PRAGMA foreign_key_check").fetchall() == []
            )
    except sqlite3.DatabaseError:
        return False


# What stands in a folder ------------------------------------------------------------------------


def is_whole(path: Path) -> bool:
    """Whether a file that a command wrote can be read to its end."""
    if path.is_dir():
        listed = json.loads((path / "export.json").read_text())["files"]
        return all(
            hashlib.sha256((path / name).read_bytes()).hexdigest() == about["sha256"]
            for name, about in listed.items()
        )
    data = path.read_bytes()
    try:
        match path.suffix:
            case ".pdf":
                return data.startswith(b"%PDF-") and data.rstrip().endswith(b"%%EOF")
            case ".png" | ".jpg":
                from PIL import Image

                with Image.open(path) as image:
                    image.load()
                return True
            case ".svg":
                ElementTree.fromstring(data)
                return True
            case ".html":
                return data.rstrip().endswith(b"</html>")
            case ".csv":
                lines = list(csv.reader(data.decode().splitlines()))
                return len({len(line) for line in lines}) == 1 and data.endswith(b"\n")
            case ".json":
                json.loads(data)
                return True
            case ".ini":
                return data.endswith(b"\n")
            case ".sqlite":
                return is_sound(path)
    except (OSError, ValueError, ElementTree.ParseError):
        return False
    raise ValueError(f"nobody said how to tell that {path.name} is whole")


def names_in(folder: Path) -> set[str]:
    """Return all files and folders under a folder."""
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*")}


# Means ------------------------------------------------------------------------------------------


#: Rights by which root reads and writes whatever the modes of files say (capabilities(7)).
_DAC_OVERRIDE, _DAC_READ_SEARCH = 1, 2
_CAPABILITY_VERSION_3 = 0x20080522


@contextmanager
def bound_by_modes() -> Iterator[None]:
    """Be bound by the modes of files; root goes without its rights to pass over them meanwhile.

    Not as another user, who may not be let into the folder that the package lies in.
    """
    if os.geteuid() != 0:
        yield
        return
    libc = ctypes.CDLL(None, use_errno=True)
    header = (ctypes.c_uint32 * 2)(_CAPABILITY_VERSION_3, 0)
    rights = (ctypes.c_uint32 * 6)()  # effective, permitted, inheritable, and once more

    def swap(effective: int) -> int:
        if libc.capget(header, rights):
            raise OSError(ctypes.get_errno(), "capget")
        before = rights[0]
        rights[0] = (
            effective if effective >= 0 else before & ~(1 << _DAC_OVERRIDE | 1 << _DAC_READ_SEARCH)
        )
        if libc.capset(header, rights):
            raise OSError(ctypes.get_errno(), "capset")
        return int(before)

    before = swap(-1)
    try:
        yield
    finally:
        swap(before)


def fork() -> int:
    """Begin another process that has everything imported; 0 in it, its number here.

    Python 3.12 warns where threads are about, whose locks nobody would open again. Here they wait
    for work, and hold none.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        return os.fork()
