"""Another program holds the journal: for shorter than a command waits, and for longer."""

from __future__ import annotations

import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

from figures import Figures
from works import WORKS, Try, Work, home_for, undisturbed

#: A program that takes and gives the lock as its standard input says.
_HOLDER = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=60)
for line in sys.stdin:
    db.execute("BEGIN EXCLUSIVE" if line == "take\\n" else "ROLLBACK")
    print("done", flush=True)
"""


@contextmanager
def held(journal: Path, *, after_s: float, for_s: float) -> Iterator[None]:
    """Have another process hold a journal from some time on, for some time."""
    other = subprocess.Popen(
        [sys.executable, "-c", _HOLDER, str(journal)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert other.stdin is not None
    assert other.stdout is not None

    def ask(what: str) -> None:
        other.stdin.write(f"{what}\n")
        other.stdin.flush()
        other.stdout.readline()

    def hold() -> None:
        time.sleep(after_s)
        ask("take")
        taken.set()
        time.sleep(for_s)
        ask("give")

    taken = threading.Event()
    thread = threading.Thread(target=hold)
    thread.start()
    if not after_s:
        taken.wait()
    try:
        yield
    finally:
        thread.join()
        other.stdin.close()
        other.stdout.close()
        other.wait()


def run(
    scratch: Path,
    *,
    tries: int,
    seed: int,
    works: Sequence[Work] = WORKS,
    waits_s: float | None = 0.3,
) -> Figures:
    """Hold the journal of each command, at its begin or in its middle, for short and for long.

    `waits_s` is how long a command waits, None for as long as it does for a keeper.
    """
    chance, found = random.Random(seed), Figures()
    for work in works:
        undisturbed(work)
    from densitycam.journal import backup, schema

    usual = schema._BUSY_TIMEOUT_S if waits_s is None else waits_s
    with (
        mock.patch.object(schema, "_BUSY_TIMEOUT_S", usual),
        mock.patch.object(backup, "_WAIT_S", usual),
    ):
        while found.tries < tries:
            for work in works:
                short = found.tries % 2 == 0
                one = Try(work, home_for(work, scratch / "home"))
                for_s = usual / 3 if short else 2.5 * usual
                # Mostly before it begins, else in its middle, unless it is done by then.
                after_s = 0.0 if chance.random() < 0.7 else chance.uniform(0, 0.1)
                with held(one.home.journal, after_s=after_s, for_s=for_s):
                    said = one.run()
                one.judge(said, found)
                wrong = short and said.code != 0
                found.found("unclear", f"{work.name}: gave up after {for_s} s; {said}", wrong)
                if said.code != 0:
                    one.again(found)
                if found.tries == tries:
                    break
    return found
