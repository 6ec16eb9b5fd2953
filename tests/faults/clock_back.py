"""The computer's clock goes back: by the hour of winter time, a day, a year, twenty years."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from unittest import mock

from figures import Figures, added, call, gone, is_sound, rows, unclear
from works import WORKS, home_for, stock

from densitycam.cli import options
from densitycam.journal.store import Journal
from densitycam.photo import decode

#: By so much; the second also by a keeper who travels west.
BACK = (
    timedelta(minutes=5),
    timedelta(hours=1),
    timedelta(hours=9),
    timedelta(days=1),
    timedelta(days=365),
    timedelta(days=20 * 365),
)
#: The clock is right until here: after the last photo of the jar.
RIGHT = datetime(2026, 5, 14, 20)
#: Two clocks that differ by less are not spoken of.
AGREE = timedelta(minutes=10)

#: What is logged by the clock, the table it goes to, and how many rows it adds.
ENTRIES = {
    "split --vessel jar --kept-ml 125": "splits",
    "split --vessel jar --kept-ml 125 --bottle-ml 50": "bottles",
    "log note words --vessel jar": "log",
    "log top-up --vessel jar --ml 20": "log",
    "log dose --vessel jar --ml-each 0.3": "log",
    "count --vessel jar --cells 400 --squares 4 --reading latest": "slides",
    "bottle add --species isochrysis --ml 100 --cells-per-ml 1e6": "bottles",
}


@contextmanager
def clock(at: datetime) -> Iterator[None]:
    """Have this computer's clock stand at a moment."""

    class Stopped(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:
            return at

    with (
        mock.patch.object(options, "datetime", Stopped),
        mock.patch.object(decode, "datetime", Stopped),
    ):
        yield


def run(scratch: Path, *, tries: int, seed: int) -> Figures:
    """Log by a clock that went back, again and again; a photo, a calibration, the morning between.

    Whatever was logged must be there, be taken back last first, and be spoken of; the morning by
    the right clock must then be as before.
    """
    chance, found = random.Random(seed), Figures()
    home = home_for(WORKS[0], scratch / "home")
    with clock(RIGHT):
        assert call(home.journal, "log", "note", "right", "--vessel", "jar").code == 0
        right = call(home.journal, "today").output
    for _ in range(tries):
        back = chance.choice(BACK)
        at = RIGHT - back
        before = rows(home.journal)
        logged = []
        for minute, line in enumerate(chance.sample(list(ENTRIES), 3)):
            with clock(at + timedelta(minutes=minute)):
                was = rows(home.journal)
                said = call(home.journal, *line.split())
                _refusal(line, said, found)
                if said.code:
                    continue
                kept = added(was, rows(home.journal))
                found.kept += kept.total()
                found.found("lost", f"{line}: {kept}", ENTRIES[line] not in kept)
                told = "Clock " in said.output
                found.found("unclear", f"{line}, {back}: clock {told}", told != (back > AGREE))
                if ENTRIES[line] != "slides":  # a count is not taken back
                    logged.append((line, kept.total()))
        with clock(at + timedelta(minutes=3)):
            for line in ("today", "bottle list", "feed --tank-l 100 --target 5e4 --bottle 1",
                         "calibrate --vessel jar", "report jar --out " + str(scratch / "r.html"),
                         f"snap {chance.choice(stock().photos)} --vessel slim"):  # fmt: skip
                said = call(home.journal, *line.split())
                _refusal(line, said, found)
                words = said.output.split()
                found.found("unclear", f"{line}: {said.output}", "nan" in words)
                if line == "today":
                    told = "Clock " in said.output
                    found.found("unclear", f"today, {back}: {said}", told != (back > AGREE))
            with Journal(home.journal) as journal:
                newest = journal.latest_calibration(journal.vessel("jar"))
                last = journal.calibrations("isochrysis")[-1]
            found.found("lost", "the last calibration is not in force", newest != last)
            for line, entries in reversed(logged):
                was = rows(home.journal)
                for _ in range(entries):
                    said = call(home.journal, "log", "undo")
                    found.found("lost", f"undo of {line}: {said}", said.code != 0)
                away = {t: (was[t] - rows(home.journal)[t]).total() for t in was}
                expected = sum(away.values()) == entries and away[ENTRIES[line]] >= 1
                found.found("lost", f"undo after {line} took {away}", not expected)
        with clock(RIGHT):
            said = call(home.journal, "today")
        # Counts that came meanwhile calibrate, so that densities move a little; nothing else may.
        same = said.output.split("(")[0].split()[:6] == right.split("(")[0].split()[:6]
        found.found("damaged", f"today by the right clock: {said.output}", not same)
        after = rows(home.journal)
        away = {t: [r for r in before[t] if r not in after[t]] for t in before}
        found.found("lost", f"of before: {away}", gone(before, after))
        found.tries += 1
    found.found("damaged", "SQLite finds fault", not is_sound(home.journal))
    return found


def _refusal(line: str, said: object, found: Figures) -> None:
    if said.code:
        found.refused += 1
        words = unclear(said)
        found.found("unclear", f"{line}: {words}", bool(words))
