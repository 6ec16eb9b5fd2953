"""The disk is full: every command that writes, with less room than it needs, byte by byte."""

from __future__ import annotations

import hashlib
import os
import random
import re
import resource
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from figures import Figures, is_sound, is_whole
from web_server import Answer, make_place, serving
from works import WORKS, Home, Try, Work, home_for, stock, undisturbed

from densitycam.journal.store import Journal
from densitycam.web.reader import Reader

#: A disk of this size holds a home and all that a command adds [bytes].
_DISK = 16 << 20


@contextmanager
def small_disk(folder: Path, size: int = _DISK) -> Iterator[Path | None]:
    """Provide a disk that is soon full; None where only root may do that, and nobody is root."""
    folder.mkdir(exist_ok=True)
    words = ["mount", "-t", "tmpfs", "-o", f"size={size},mode=755", "tmpfs", str(folder)]
    mounted = (
        shutil.which("mount") is not None
        and subprocess.run(words, capture_output=True).returncode == 0
    )
    try:
        yield folder if mounted else None
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(folder)], check=True)


@contextmanager
def room(disk: Path, left: int) -> Iterator[None]:
    """Fill a disk but for some bytes, and empty it again."""
    ballast = disk / "ballast"
    with ballast.open("wb") as stream:
        facts = os.statvfs(disk)
        os.posix_fallocate(stream.fileno(), 0, max(facts.f_bavail * facts.f_frsize - left, 1))
    try:
        yield
    finally:
        ballast.unlink()


@contextmanager
def longest_file(size: int) -> Iterator[None]:
    """Let no file grow beyond a size: writing more fails as on a disk that is full (EFBIG)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))  # Python ignores the signal SIGXFSZ
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def run(scratch: Path, *, tries: int, seed: int, works: Sequence[Work] = WORKS) -> Figures:
    """Give each command less room than it needs, at random, as often as asked for in all."""
    chance, found = random.Random(seed), Figures()
    for work in works:
        undisturbed(work)
    with small_disk(scratch / "disk") as disk:
        while found.tries < tries:
            for work in works:
                home = home_for(work, (disk or scratch) / "home")
                one = Try(work, home)
                if disk is not None and chance.random() < 0.7:
                    # Mostly next to nothing, sometimes nearly enough.
                    left = 4096 * int(2 ** chance.uniform(0, 7) - 1)
                    with room(disk, left):
                        said = one.run()
                else:
                    with longest_file(int(2 ** chance.uniform(0, 19))):
                        said = one.run()
                one.judge(said, found)
                if said.code != 0:
                    one.again(found)
                if found.tries == tries:
                    break
    return found


def run_page(scratch: Path, *, tries: int, seed: int) -> Figures:
    """Send the page photos and notes while its disk has too little room, then again with room."""
    chance, found = random.Random(seed), Figures()
    with small_disk(scratch / "disk") as disk:
        home = home_for(WORKS[0], (disk or scratch) / "home")
        with serving(make_place(home.journal, reader=Reader(1))) as page:
            visitor = page.visitor()
            token = visitor.token("/snap")
            photos = page.place.photos_folder
            for n in range(tries):
                data = stock().photos[n % len(stock().photos)].read_bytes()
                data += b"\0" * n  # another file each time, the same picture
                text = f"words {n}"
                sha256 = hashlib.sha256(data).hexdigest()

                def send(data: bytes = data, text: str = text) -> tuple[Answer, Answer]:
                    said = visitor.post("/note", {"vessel": "slim", "text": text}, token=token)
                    return said, visitor.upload(
                        "/snap", {"vessel": "slim"}, data, "a.jpg", token=token
                    )

                left = int(2 ** chance.uniform(0, 19))
                with longest_file(left) if disk is None else room(disk, left // 4096 * 4096):
                    answers = send()
                found.tries += 1
                for answer in answers:
                    found.refused += answer.status != 303
                    clear = answer.status == 303 or (
                        answer.status == 400 and re.search("room|disk", answer.text) is not None
                    )
                    found.found("unclear", f"{answer.status}: {answer.text[-200:]}", not clear)
                _told(home, photos, found, answers, text, sha256)
                halves = [p for p in photos.rglob("*") if p.is_file() and not is_whole(p)]
                found.found("halves", f"{halves}", len(halves))
                again = send()
                found.kept += 2
                _told(home, photos, found, again, text, sha256)
                found.found("unclear", "with room", [a.status for a in again] != [303, 303])
        found.found("damaged", "SQLite finds fault", not is_sound(home.journal))
    return found


def _told(
    home: Home,
    photos: Path,
    found: Figures,
    answers: tuple[Answer, Answer],
    text: str,
    sha256: str,
) -> None:
    """Hold what the page answered against what is there."""
    with Journal(home.journal) as journal:
        notes = [n.text for n in journal.log(vessel="slim", kind="note")].count(text)
        known = journal.find_photo(sha256, "slim") is not None
    files = [p for p in photos.glob("*/*.jpg") if _sha(p) == sha256]
    note, photo = (answer.status == 303 for answer in answers)
    found.found("lost", f"note {text}", note and notes == 0)
    found.found("lost", f"photo {text}", photo and not (known and len(files) == 1))
    found.found("damaged", f"photo {text} was kept, and refused", known and not photo)
    found.found("damaged", f"{len(files)} files of one photo", len(files) > 1)


def _sha(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
