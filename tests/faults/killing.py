"""kill -9 at random moments: of every command that writes, and of the page while it is sent to."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from another_photo import write_another
from figures import Figures, Said, added, call, fork, gone, is_sound, is_whole, names_in
from killed_batch import kill_again_and_again
from web_server import Visitor
from works import WORKS, Try, Work, contents, home_for, stock, undisturbed

from densitycam.journal.store import Journal

#: These start processes that read photos; kill -9 of a batch has a run of its own.
ALONE = tuple(w for w in WORKS if not w.by_parts)


def _forked(one: Try) -> tuple[int, Path]:
    """Begin a command in a process of its own, everything imported, so that only its work lasts."""
    told = one.home.folder.parent / "told"
    told.unlink(missing_ok=True)
    process = fork()
    if process == 0:
        code = 70
        try:
            said = call(one.home.journal, *one.home.words(one.work))
            told.write_text(said.output + said.trace)
            code = said.code
        finally:
            os._exit(code)
    return process, told


def run(scratch: Path, *, tries: int, seed: int, works: Sequence[Work] = ALONE) -> Figures:
    """Kill each command at moments drawn over its length, then run it once more.

    What it had kept of before must be there, of its own work all or nothing, and repeated it must
    end where an undisturbed run ends.
    """
    chance, found = random.Random(seed), Figures()
    lengths = {}
    for work in works:
        undisturbed(work)
        one = Try(work, home_for(work, scratch / "home"))
        begin = time.perf_counter()
        process, _ = _forked(one)
        os.waitpid(process, 0)
        lengths[work] = time.perf_counter() - begin
    while found.tries < tries:
        for work in works:
            one = Try(work, home_for(work, scratch / "home"))
            process, told = _forked(one)
            time.sleep(chance.uniform(0, 1.1 * lengths[work]))
            os.kill(process, signal.SIGKILL)
            _, status = os.waitpid(process, 0)
            if os.WIFEXITED(status):  # it was done before
                one.judge(Said(os.WEXITSTATUS(status), told.read_text()), found)
            else:
                _after_the_kill(one, found)
            if found.tries == tries:
                break
    return found


def _after_the_kill(one: Try, found: Figures) -> None:
    found.tries += 1
    work, name = one.work, one.work.name
    # SQLite undoes what was under way when the file is opened next, by whomever.
    found.found("damaged", f"{name}: SQLite finds fault", not is_sound(one.home.journal))
    after = contents(work, one.home)
    kept, away = added(one.before, after), gone(one.before, after)
    found.found("lost", f"{name}: {away} rows of before", away > one.right.takes)
    fresh = names_in(one.home.folder) - one.files
    # Under a hidden name of its own a half is nobody's file.
    for half in sorted(n for n in fresh if "/" not in n and ".part" not in n):
        if not half.endswith("-journal") and not is_whole(one.home.folder / half):
            found.found("halves", f"{name}: {half}")
    if kept not in ({}, one.right.adds) or away not in (0, one.right.takes):
        found.found("damaged", f"{name}: half kept, {dict(kept)} more and {away} less")
    if away and name == "log undo":
        return  # taken back; once more would take back another entry
    said = one.run()
    if said.code == 1 and "already" in said.output and work.name == "settings":
        return  # it was written whole before the kill
    if said.code == 1 and work.name == "export, tables" and "tables" in fresh:
        return  # likewise, and no folder with something in it is written over
    if said.code != 0:
        found.found("unclear", f"{name}, after the kill: {said}")
        return
    after = contents(work, one.home)
    kept = added(one.before, after)
    doubles = work.name in _ADD_ONE_EACH and added(one.before, after) != one.right.adds
    if not doubles:
        found.found(
            "lost",
            f"{name}, again: {dict(kept)} for {one.right}",
            kept != one.right.adds or gone(one.before, after) != one.right.takes,
        )
    found.kept += kept.total()


#: A slide, a note, a bottle or a part of one: each call adds one, so that a keeper who repeats one
#: that was kept in the moment of its death has two, as with a page sent twice.
_ADD_ONE_EACH = (
    "count",
    "log note",
    "bottle add",
    "bottle use",
    "split, bottled",
    "an older journal",
)


# The page ---------------------------------------------------------------------------------------


def run_page(scratch: Path, *, tries: int, seed: int) -> Figures:
    """Kill `densitycam serve` at random moments while photos and notes are sent to it.

    What was answered as kept must be there when it is started again.
    """
    chance, found = random.Random(seed), Figures()
    home = home_for(WORKS[0], scratch / "home")
    photos, notes = set(), set()
    photo, words = scratch / "sent.jpg", 0
    while found.tries < tries:
        page = subprocess.Popen(
            [sys.executable, "-c", "from densitycam.cli.main import main; main()",
             "--journal", str(home.journal), "serve", "--port", "0"],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        assert page.stdout is not None
        port = int(page.stdout.readline().rsplit(":", 1)[1].split()[0])
        visitor = Visitor(port)
        token = visitor.token("/snap")
        end = time.monotonic() + chance.uniform(0.05, 1.6)
        killer = subprocess.Popen(
            [sys.executable, "-c", "import os, sys, time\n"
             "time.sleep(max(0, float(sys.argv[2]) - time.monotonic()))\n"
             "os.kill(int(sys.argv[1]), 9)", str(page.pid), str(end)],
        )  # fmt: skip
        try:
            while True:
                words += 1
                if words % 3:
                    text = f"words {words}"
                    if (
                        visitor.post("/note", {"vessel": "slim", "text": text}, token=token).status
                        == 303
                    ):
                        notes.add(text)
                else:
                    write_another(stock().photos[0], photo, number=20 * (20 + words))
                    data = photo.read_bytes()
                    answer = visitor.upload(
                        "/snap", {"vessel": "slim"}, data, f"{words}.jpg", token=token
                    )
                    if answer.status == 303:
                        photos.add(data)
        except OSError:
            pass
        except Exception as error:  # http.client: an answer that was cut off
            if type(error).__module__ != "http.client":
                raise
        killer.wait()
        page.wait()
        page.stdout.close()
        found.tries += 1
        found.found("damaged", "the page's journal", not is_sound(home.journal))
        with Journal(home.journal) as journal:
            held = {n.text for n in journal.log(vessel="slim", kind="note")}
            known = {p.sha256 for p in journal.photos("slim")}
        files = {
            hashlib.sha256(p.read_bytes()).hexdigest()
            for p in (home.folder / "photos").glob("*/*.jpg")
        }
        sent = {hashlib.sha256(data).hexdigest() for data in photos}
        found.found("lost", f"notes {notes - held}", len(notes - held))
        found.found("lost", "photos", len(sent - known) + len(sent - files))
        found.found("damaged", f"notes nobody sent: {held}", any("words" not in t for t in held))
        for name in (home.folder / "photos").glob("*/*"):
            found.found("halves", name.name, not is_whole(name))
    found.kept = len(notes) + len(photos)
    return found


# batch ------------------------------------------------------------------------------------------


def run_batch(scratch: Path, *, tries: int, seed: int) -> Figures:
    """Kill `densitycam batch`, a whole program with its workers; see tests/killed_batch.py."""
    folder = scratch / "photos"
    (folder / "slim").mkdir(parents=True)
    (folder / "vessels.csv").write_text(
        "name,species,working_volume_ml,path_mm,shape\nslim,nannochloropsis,500,20,flat\n"
    )
    for n, photo in enumerate(stock().photos):
        shutil.copy(photo, folder / "slim")
        write_another(photo, folder / "slim" / f"more{n}.jpg", number=20 * (n + 60))
    killed = kill_again_and_again(folder, scratch, tries=tries, seed=seed)
    found = Figures(tries=killed.tries, kept=sum(killed.kept_after))
    found.kept += killed.whole_runs * 2 * len(stock().photos)
    found.found("lost", "photos that were kept before", killed.losses)
    found.found("damaged", "SQLite finds fault", killed.damaged)
    found.found("damaged", "gone on with, it differs from an undisturbed one", killed.differing)
    return found
