"""Measures `today` with 100,000 readings in the journal: run it by hand, no test depends on it.

    python tests/benchmarks/journal_scale.py [FOLDER]

Twenty-seven vessels, photographed daily for ten years, harvested every week; the readings are
made up, no photo is drawn. It prints what SQLite takes of it, all questions together, and the
whole of what `densitycam today` reckons, beside a journal of a tenth of the age: the work is that
of the last months, not of all. The journals are kept in the folder that is named, so that a second
run is quick.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seen_photos import BEGIN, photo

from densitycam.culture.settings import Settings
from densitycam.journal.morning import morning
from densitycam.journal.store import Journal
from densitycam.vessel.record import VesselRecord

VESSELS, DAYS = 27, 3704


def fill(path: Path, days: int) -> None:
    """Make a journal with a reading a day of every vessel."""
    with Journal(path) as journal, journal.transaction():
        for v in range(VESSELS):
            name = f"jar {v}"
            journal.add_vessel(VesselRecord(name, "tetraselmis", 900.0, 60.0))
            for day in range(days):
                density = 3e5 * 1.3 ** ((day + v) % 7)
                journal.put_photo(photo(float(day), density, vessel=name))


class Timed:
    """A connection that adds up what SQLite takes, the rows fetched included."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self.db, self.seconds, self.questions = db, 0.0, 0

    def execute(self, *asked: Any) -> Any:
        """Ask, and fetch all rows at once."""
        begin = time.perf_counter()
        cursor = self.db.execute(*asked)
        rows = cursor.fetchall() if cursor.description else []
        self.seconds += time.perf_counter() - begin
        self.questions += 1
        return Rows(cursor, rows)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.db, name)


class Rows:
    """What was fetched already, asked for as a cursor is."""

    def __init__(self, cursor: sqlite3.Cursor, rows: list[Any]) -> None:
        self.description, self.lastrowid, self.rows = cursor.description, cursor.lastrowid, rows

    def fetchall(self) -> list[Any]:
        """Return all rows."""
        return self.rows

    def fetchone(self) -> Any:
        """Return the first row."""
        return self.rows[0] if self.rows else None

    def __iter__(self) -> Any:
        return iter(self.rows)


def measure(path: Path, days: int) -> None:
    """Print the figures of one journal, the best of three looks after a first."""
    at = BEGIN + timedelta(days=days)
    found = []
    with Journal(path) as journal:
        for _ in range(4):
            timed = Timed(journal.connection)
            journal._db = timed  # type: ignore[assignment]
            begin = time.perf_counter()
            lines = morning(journal, Settings(), at)
            found.append((timed.seconds, time.perf_counter() - begin))
            journal._db = timed.db
    asked = min(seconds for seconds, _ in found[1:])
    whole = min(seconds for _, seconds in found[1:])
    shown = sum(len(line.today.history.readings) for line in lines)
    print(
        f"{VESSELS * days:7d} readings: {timed.questions} questions {asked * 1e3:5.0f} ms, "
        f"today in all {whole * 1e3:5.0f} ms, {shown} readings looked at"
    )


def main(folder: Path) -> None:
    """Print the figures of a young and an old journal."""
    for days in (DAYS // 10, DAYS):
        path = folder / f"{VESSELS}-vessels-{days}-days.sqlite"
        if not path.exists():
            print(f"making {path.name} ...", file=sys.stderr)
            fill(path, days)
        measure(path, days)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as folder:
            main(Path(folder))
