"""Snaps, counts, splits, batches, backups and the page at once on one journal, for some seconds."""

from __future__ import annotations

import hashlib
import http.client
import json
import os
import random
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from another_photo import write_another
from figures import Figures, call, fork, is_sound, is_whole, unclear
from web_server import Visitor
from works import WORKS, home_for, stock

from densitycam.journal.store import Journal

#: What each process does again and again; the page has two of them.
DOERS = ("note", "split", "count", "snap", "batch", "backup", "page notes", "page photos")


def run(scratch: Path, *, tries: int, seed: int, seconds: float = 6.0) -> Figures:
    """Let all of them at one journal at once, `tries` times for some seconds each.

    Whatever any of them said was kept must be there, once, and nothing else.
    """
    found = Figures()
    for n in range(tries):
        _once(scratch / f"{n}", seed + n, seconds, found)
    return found


def _once(scratch: Path, seed: int, seconds: float, found: Figures) -> None:
    scratch.mkdir()
    home = home_for(WORKS[0], scratch / "home")
    page = subprocess.Popen(
        [sys.executable, "-c", "from densitycam.cli.main import main; main()",
         "--journal", str(home.journal), "serve", "--port", "0"],
        stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert page.stdout is not None
    port = int(page.stdout.readline().rsplit(":", 1)[1].split()[0])
    doers = []
    for number, name in enumerate(DOERS):
        process = fork()
        if process == 0:
            code = 1
            try:
                told = _DO[name](home.journal, scratch, port, number, seed, seconds)
                (scratch / f"{name}.json").write_text(json.dumps(told))
                code = 0
            finally:
                os._exit(code)
        doers.append(process)
    codes = [os.waitpid(process, 0)[1] for process in doers]
    page.terminate()
    page.wait()
    page.stdout.close()
    assert codes == [0] * len(DOERS), codes
    told = {name: json.loads((scratch / f"{name}.json").read_text()) for name in DOERS}
    for name, what in told.items():
        found.tries += what["tries"]
        found.refused += what["tries"] - len(what["kept"])
        found.kept += len(what["kept"])
        for words in what["unclear"]:
            found.found("unclear", f"{name}: {words}")
    _hold(home.journal, told, found)


def _hold(path: Path, told: dict[str, dict[str, list[object]]], found: Figures) -> None:
    """Hold what is in the journal against what the doers were told."""
    found.found("damaged", "SQLite finds fault", not is_sound(path))
    with Journal(path) as journal, Journal(stock().journal) as first:
        held = {
            "notes": Counter(n.text for n in journal.log(kind="note") if " by " in n.text),
            "splits": Counter(s.kept_ml for s in journal.splits("slim")),
            "counts": Counter(s.count.cells for s in journal.slides(vessel="slim")),
            "photos": Counter(p.sha256 for p in journal.photos("slim")),
        }
        held["photos"] -= Counter(p.sha256 for p in first.photos("slim"))
    said = {
        "notes": Counter(told["note"]["kept"] + told["page notes"]["kept"]),
        "splits": Counter(told["split"]["kept"]),
        "counts": Counter(told["count"]["kept"]),
        "photos": Counter(
            told["snap"]["kept"] + told["batch"]["kept"] + told["page photos"]["kept"]
        ),
    }
    for what, wanted in said.items():
        found.found("lost", f"{what}", (wanted - held[what]).total())
        found.found("damaged", f"{what} that nobody was told of, or twice",
                    (held[what] - wanted).total())  # fmt: skip


# What they do -----------------------------------------------------------------------------------

Told = dict[str, object]
_BEGIN = [
    sys.executable,
    "-c",
    "from densitycam.cli.main import main; main(prog_name='densitycam')",
]


def _again(
    seconds: float, do: Callable[[int], tuple[object, str]], *, pause: Callable[[], float]
) -> Told:
    """Do something again and again; what was kept by it, and what was said badly."""
    kept, badly, tries = [], [], 0
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        tries += 1
        some, words = do(tries)
        if some is not None:
            kept.append(some)
        if words:
            badly.append(words)
        time.sleep(pause())
    return {"tries": tries, "kept": kept, "unclear": badly}


def _command(
    words_of: Callable[[int], list[object]], kept_of: Callable[[int], object]
) -> Callable[..., Told]:
    """Return a doer of a command: the first time a whole program, then in this process."""

    def doer(
        journal: Path, scratch: Path, port: int, number: int, seed: int, seconds: float
    ) -> Told:
        chance = random.Random(seed * 100 + number)

        def do(n: int) -> tuple[object, str]:
            words = [str(w) for w in words_of(n)]
            if n == 1:
                done = subprocess.run(
                    [*_BEGIN, "--journal", str(journal), *words], capture_output=True, text=True
                )
                bad = done.stderr if done.returncode else ""
                return (None if done.returncode else kept_of(n)), bad
            said = call(journal, *words)
            return (None if said.code else kept_of(n)), unclear(said) if said.code else ""

        return _again(seconds, do, pause=lambda: chance.uniform(0, 0.02))

    return doer


def _photo(scratch: Path, number: int, n: int) -> Path:
    """Return a photo that nobody else has."""
    path = scratch / f"photo-{number}-{n}.jpg"
    write_another(stock().photos[0], path, number=20 * (number * 300 + n + 20))
    return path


def _sha(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _snaps(journal: Path, scratch: Path, port: int, number: int, seed: int, seconds: float) -> Told:
    def do(n: int) -> tuple[object, str]:
        photo = _photo(scratch, number, n)
        said = call(journal, "snap", photo, "--vessel", "slim")
        return (None if said.code else _sha(photo)), unclear(said) if said.code else ""

    return _again(seconds, do, pause=lambda: 0.0)


def _batches(
    journal: Path, scratch: Path, port: int, number: int, seed: int, seconds: float
) -> Told:
    """Score a folder that has three photos more each time, by a program of its own."""
    folder = scratch / "folder" / "slim"
    folder.mkdir(parents=True)
    kept: list[str] = []
    n, tries, badly, end = 0, 0, [], time.monotonic() + seconds
    while time.monotonic() < end:
        fresh = []
        for _ in range(3):
            n += 1
            fresh.append(_photo(scratch, number, n))
            shutil.move(fresh[-1], folder)
        words = ["--journal", str(journal), "batch", str(folder.parent), "--workers", "1"]
        done = subprocess.run([*_BEGIN, *words], capture_output=True, text=True)
        tries += 3
        if done.returncode == 0:
            kept += [_sha(folder / path.name) for path in fresh]
        else:
            badly.append(done.stdout[-300:] + done.stderr)
    return {"tries": tries, "kept": kept, "unclear": badly}


def _backups(
    journal: Path, scratch: Path, port: int, number: int, seed: int, seconds: float
) -> Told:
    def do(n: int) -> tuple[object, str]:
        copy = scratch / f"copy-{n}.sqlite"
        said = call(journal, "backup", copy)
        if said.code:
            return None, unclear(said) or said.output
        return f"copy {n}", "" if is_whole(copy) else f"backup {n} is damaged"

    return _again(seconds, do, pause=lambda: 0.2)


def _page_notes(
    journal: Path, scratch: Path, port: int, number: int, seed: int, seconds: float
) -> Told:
    visitor = Visitor(port)
    token = visitor.token("/snap")

    def do(n: int) -> tuple[object, str]:
        text = f"{n} by the page"
        try:
            answer = visitor.post("/note", {"vessel": "slim", "text": text}, token=token)
        except (OSError, http.client.HTTPException) as error:
            return None, repr(error)
        return (text, "") if answer.status == 303 else (None, f"{answer.status}")

    return _again(seconds, do, pause=lambda: 0.0)


def _page_photos(
    journal: Path, scratch: Path, port: int, number: int, seed: int, seconds: float
) -> Told:
    visitor = Visitor(port)
    token = visitor.token("/snap")

    def do(n: int) -> tuple[object, str]:
        photo = _photo(scratch, number, n)
        try:
            answer = visitor.upload(
                "/snap", {"vessel": "slim"}, photo.read_bytes(), photo.name, token=token
            )
        except (OSError, http.client.HTTPException) as error:
            return None, repr(error)
        return (_sha(photo), "") if answer.status == 303 else (None, f"{answer.status}")

    return _again(seconds, do, pause=lambda: 0.0)


def _moment(n: int) -> str:
    """Return a moment of its own for each: of one moment an entry corrects the one before."""
    return f"2026-05-0{1 + n // 1440 % 9} {n // 60 % 24:02d}:{n % 60:02d}"


_DO: dict[str, Callable[..., Told]] = {
    "note": _command(
        lambda n: ["log", "note", f"{n} by command", "--vessel", "slim"],
        lambda n: f"{n} by command",
    ),
    "split": _command(
        lambda n: ["split", "--vessel", "slim", "--kept-ml", 100 + n / 8, "--when", _moment(n)],
        lambda n: 100 + n / 8,
    ),
    "count": _command(
        lambda n: ["count", "--vessel", "slim", "--cells", 200 + n, "--squares", 4,
                   "--reading", "latest"],
        lambda n: 200 + n,
    ),
    "snap": _snaps,
    "batch": _batches,
    "backup": _backups,
    "page notes": _page_notes,
    "page photos": _page_photos,
}  # fmt: skip
