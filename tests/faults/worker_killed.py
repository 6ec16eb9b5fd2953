"""The process that reads a photo is killed, as by a system short of memory: batch, the page."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import signal
import threading
from contextlib import contextmanager, suppress
from pathlib import Path
from unittest import mock

from figures import Figures, Said, call, is_sound
from web_server import make_place, serving
from works import SLIM, WORKS, home_for, stock

from densitycam.journal.store import Journal
from densitycam.journal.workers import Workers
from densitycam.web.reader import Reader


def _kill_now_and_then(
    workers: Workers, chance: random.Random, end: threading.Event, kills: list[int], most: int
) -> None:
    """Kill whichever process reads, at random moments, until a run is over."""
    while len(kills) < most and not end.wait(chance.uniform(0.0, 1.2)):
        for pool in list(workers._pools):
            for process in list((pool._processes or {}).values()):
                if chance.random() < 0.7 and process.is_alive():
                    with suppress(ProcessLookupError):
                        os.kill(process.pid, signal.SIGKILL)
                        kills.append(process.pid)


def run(scratch: Path, *, tries: int, seed: int) -> Figures:
    """Kill the workers of a batch, as often as asked for in all; then let one run in peace."""
    chance, found = random.Random(seed), Figures()
    whole = _batch(scratch, Workers(1), None)[1]
    while found.tries < tries:
        workers, end, kills = Workers(2), threading.Event(), []
        most = tries - found.tries
        killer = threading.Thread(
            target=_kill_now_and_then, args=(workers, chance, end, kills, most)
        )
        killer.start()
        said, kept = _batch(scratch, workers, end)
        killer.join()
        found.tries += len(kills)
        found.kept += len(kept)
        found.refused += said.code != 0
        told = "ended the process that read it, twice" in said.output
        wrong = bool(said.trace) or "unexpected" in said.output or (said.code != 0 and not told)
        found.found("unclear", f"{said}", wrong)
        missing = {k: v for k, v in kept.items() if whole.get(k) != v}
        found.found("damaged", f"{len(missing)} photos read otherwise", len(missing))
        unnamed = len(stock().photos) - len(kept) if said.code == 0 else 0
        found.found("lost", "not kept, and not named", unnamed)
        found.found("damaged", "SQLite finds fault", not is_sound(scratch / "killed.sqlite"))
        _, then = _batch(scratch, Workers(1), None, go_on=True)
        found.found("lost", f"{len(then)} of {len(whole)} by the next run", then != whole)
    return found


def _batch(
    scratch: Path, workers: Workers, end: threading.Event | None, *, go_on: bool = False
) -> tuple[Said, dict[str, str]]:
    journal, folder = scratch / "killed.sqlite", scratch / "photos"
    if not go_on:
        journal.unlink(missing_ok=True)
        shutil.rmtree(folder, ignore_errors=True)
        (folder / "slim").mkdir(parents=True)
        for photo in stock().photos:
            shutil.copy(photo, folder / "slim")
        with Journal(journal) as kept:
            kept.add_vessel(SLIM)

    @contextmanager
    def these(_count: int | None):
        try:
            yield workers
        finally:
            if end is not None:
                end.set()
            workers.shutdown()

    with mock.patch("figures._started_once", these):
        said = call(journal, "batch", folder)
    with Journal(journal) as kept:
        return said, {p.sha256: p.software_version + str(p.reading) for p in kept.photos("slim")}


def run_page(scratch: Path, *, tries: int, seed: int) -> Figures:
    """Kill the page's reader while photos are sent; each is sent again until it is answered."""
    chance, found = random.Random(seed), Figures()
    home = home_for(WORKS[0], scratch / "page")
    reader, end, kills = Reader(1), threading.Event(), []
    killer = threading.Thread(
        target=_kill_now_and_then, args=(reader._workers, chance, end, kills, tries)
    )
    sent = []
    with serving(make_place(home.journal, reader=reader)) as page:
        killer.start()
        try:
            while killer.is_alive() or not sent:
                data = stock().photos[len(sent) % len(stock().photos)].read_bytes()
                data += b"\0" * len(sent)  # another file each time, the same picture
                for _ in range(6):
                    answer = page.visitor().snap("slim", data)
                    if answer.status == 303:
                        break
                    found.refused += 1
                    clear = answer.status == 400 and "ended the process" in answer.text
                    found.found("unclear", answer.text[-300:], not clear)
                else:
                    continue
                sent.append(data)
        finally:
            end.set()
            killer.join()
        files = {hashlib.sha256(p.read_bytes()).hexdigest()
                 for p in page.place.photos_folder.glob("*/*.jpg")}  # fmt: skip
    with Journal(home.journal) as journal:
        lost = [d for d in sent if journal.find_photo(_sha(d), "slim") is None]
    found.tries, found.kept = len(kills), len(sent)
    found.found("lost", "photos of the journal", len(lost))
    found.found("lost", "originals", sum(_sha(d) not in files for d in sent))
    found.found("damaged", "SQLite finds fault", not is_sound(home.journal))
    return found


def _sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
