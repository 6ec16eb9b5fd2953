"""The disk is full: every command that writes, with less room than it needs, byte by byte."""

from __future__ import annotations

import os
import random
import resource
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from figures import Figures
from works import WORKS, Try, Work, home_for, undisturbed

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
