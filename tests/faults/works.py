"""Everything that writes, as one list: each command, and what it adds to a journal or folder."""

from __future__ import annotations

import atexit
import shutil
import sqlite3
import tempfile
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path

from another_photo import write_another
from figures import (
    Figures,
    Rows,
    Said,
    added,
    call,
    gone,
    is_sound,
    is_whole,
    names_in,
    rows,
    unclear,
)
from kept_journal import fill

from densitycam.journal.store import Journal
from densitycam.vessel.record import VesselRecord

SLIM = VesselRecord("slim", "nannochloropsis", 500.0, 20.0, "flat")


@dataclass(frozen=True)
class Stock:
    """What all faults begin from; nothing of it is written to.

    Parameters
    ----------
    journal : Path
        Fourteen invented days of a jar with slides, splits and bottles; and one photo of `SLIM`.
    photos : tuple of Path
        Photos of `SLIM` that the journal does not know.
    old : Path
        A journal of the first schema version.
    export : Path
        An export with an entry that the journal does not have.
    """

    journal: Path
    photos: tuple[Path, ...]
    old: Path
    export: Path


@cache
def stock() -> Stock:
    """Return the stock, made once a process."""
    from densitycam.simulate import Scene, write_photo

    folder = Path(tempfile.mkdtemp(prefix="densitycam-faults-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    folder.chmod(0o755)  # a user without rights reads it
    photos = folder / "photos"
    photos.mkdir()
    first = photos / "0.jpg"
    scene = Scene(
        seed=3, cells_per_ml=1.2e7, taken_at=datetime(2026, 5, 2, 8, 30), size_px=(1000, 750)
    )
    write_photo(scene, first)
    for n in range(1, 9):
        write_another(first, photos / f"{n}.jpg", number=20 * n)  # no two of the same shade
    journal = folder / "journal.sqlite"
    with Journal(journal) as kept:
        fill(kept)
        kept.add_vessel(SLIM)
    for words in (
        ("snap", first, "--vessel", "slim"),
        ("split", "--vessel", "jar", "--kept-ml", 125, "--bottle-ml", 90, "--when", "2026-05-06"),
        ("log", "note", "lamp moved", "--vessel", "jar", "--when", "2026-05-07 09:00"),
        (
            "count",
            "--vessel",
            "jar",
            "--cells",
            390,
            "--squares",
            4,
            "--reading",
            10,
            "--when",
            "2026-05-10 09:00",
        ),
        ("settings", "--write"),
        ("today", "--when", "2026-05-14 20:00"),
    ):  # fmt: skip
        said = call(journal, *words)
        assert said.code == 0, said
    other = folder / "other.sqlite"
    shutil.copy(journal, other)
    assert call(other, "log", "note", "from afar", "--vessel", "jar").code == 0
    assert call(other, "export", folder / "export.json").code == 0
    old = folder / "old.sqlite"
    _first_version(old)
    return Stock(journal, tuple(sorted(photos.iterdir()))[1:], old, folder / "export.json")


def _first_version(path: Path) -> None:
    script = Path(__file__).parents[1] / "journal" / "version_1.sql"
    with closing(sqlite3.connect(path)) as db:
        db.executescript(script.read_text())


@dataclass(frozen=True)
class Work:
    """A command that keeps or writes something.

    Parameters
    ----------
    name : str
        What the tables call it.
    words : tuple of str
        Its command line; PHOTO, FOLDER, EXPORT and OUT stand for files.
    output : str
        The file it writes, "" where it writes into the journal alone.
    by_parts : bool
        Whether it keeps photo by photo, so that one that was broken off leaves those before.
    old : bool
        Whether its journal is of an earlier version and is brought up to date first.
    """

    name: str
    words: tuple[str, ...]
    output: str = ""
    by_parts: bool = False
    old: bool = False


def _(name: str, words: str, output: str = "", **more: bool) -> Work:
    return Work(name, tuple(words.split()), output, **more)


#: Every command that writes.
WORKS = (
    _("vessel", "vessel tall --species tetraselmis --volume-ml 900 --path-mm 82"),
    _("tags", "tags --pdf OUT", "tags.pdf"),
    _("snap", "snap PHOTO --vessel slim"),
    _("snap, annotated", "snap PHOTO --vessel slim --annotate OUT", "seen.png"),
    _("count", "count --vessel jar --cells 96,108,101,95 --reading latest --when 2026-05-14T09:00"),
    _("calibrate", "calibrate --vessel jar --plot OUT", "fit.svg"),
    _("recalibrate", "recalibrate --vessel jar --since 2026-05-05"),
    _("split", "split --vessel jar --kept-ml 125 --when 2026-05-14T10:00"),
    _(
        "split, bottled",
        "split --vessel jar --kept-ml 125 --bottle-ml 90 --label OUT --when 2026-05-14T10:00",
        "label.pdf",
    ),
    _("bottle add", "bottle add --vessel jar --ml 80 --label OUT --when 2026-05-14", "label.png"),
    _("log note", "log note words --vessel jar --when 2026-05-14T10:00"),
    _("log top-up", "log top-up --ml 40 --vessel jar --when 2026-05-14T10:00"),
    _("log undo", "log undo"),
    _("bottle use", "bottle use 1 --ml 10 --when 2026-05-14"),
    _("batch", "batch FOLDER --csv OUT", "growth.csv", by_parts=True),
    _("batch, chart", "batch FOLDER --chart OUT", "growth.svg", by_parts=True),
    _("report", "report jar --out OUT", "jar.html"),
    _("card", "card --pdf OUT", "card.pdf"),
    _("settings", "settings --write"),
    _("backup", "backup OUT", "copy.sqlite"),
    _("export", "export OUT", "out.json"),
    _("export, tables", "export OUT", "tables"),
    _("import", "import EXPORT"),
    _("an older journal", "log note words --vessel slim --when 2026-05-14T10:00", old=True),
)


@dataclass(frozen=True)
class Home:
    """A folder with a journal of its own, where one command is tried.

    Parameters
    ----------
    folder : Path
        Everything of it.
    journal : Path
        In it.
    """

    folder: Path

    @property
    def journal(self) -> Path:
        """The journal's file."""
        return self.folder / "journal.sqlite"

    def words(self, work: Work) -> list[str]:
        """Return a command line with the files filled in."""
        files = {
            "PHOTO": str(stock().photos[0]),
            "FOLDER": str(self.folder / "photos"),
            "EXPORT": str(stock().export),
            "OUT": str(self.folder / work.output),
        }
        return [files.get(word, word) for word in work.words]


def home_for(work: Work, folder: Path) -> Home:
    """Lay out a folder for a command; what was in it is removed."""
    if folder.exists():
        for one in folder.iterdir():
            shutil.rmtree(one) if one.is_dir() else one.unlink()
    folder.mkdir(exist_ok=True)
    made = stock()
    home = Home(folder)
    shutil.copyfile(made.old if work.old else made.journal, home.journal)
    if "FOLDER" in work.words:
        (folder / "photos" / "slim").mkdir(parents=True)
        for photo in made.photos[:2]:
            shutil.copy(photo, folder / "photos" / "slim")
    elif not work.old and work.name != "settings":
        settings = made.journal.with_name("journal.settings.ini")
        shutil.copy(settings, folder / settings.name)
    return home


@dataclass(frozen=True)
class Undisturbed:
    """What a command does where nothing goes wrong."""

    adds: Counter[str]
    takes: int
    files: frozenset[str]


@cache
def undisturbed(work: Work) -> Undisturbed:
    """Run a command where nothing goes wrong, once a process."""
    with tempfile.TemporaryDirectory() as scratch:
        home = home_for(work, Path(scratch) / "home")
        before, files = contents(work, home), names_in(home.folder)
        said = call(home.journal, *home.words(work))
        assert said.code == 0, (work.name, said)
        after = contents(work, home)
        fresh = frozenset(names_in(home.folder) - files)
        return Undisturbed(added(before, after), gone(before, after), fresh)


def contents(work: Work, home: Home) -> Rows:
    """Return what a home's journal holds; of an older one as it is when brought up to date."""
    if not work.old:
        return rows(home.journal)
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch) / "copy.sqlite"
        with closing(sqlite3.connect(home.journal)) as db, closing(sqlite3.connect(copy)) as to:
            db.backup(to)
        Journal(copy).close()
        return rows(copy)


class Try:
    """One command in its home, before, under and after a fault.

    Parameters
    ----------
    work : Work
        Which command.
    home : Home
        Where.
    """

    def __init__(self, work: Work, home: Home) -> None:
        self.work, self.home, self.right = work, home, undisturbed(work)
        self.before, self.files = contents(work, home), names_in(home.folder)

    def run(self) -> Said:
        """Run the command in this process."""
        return call(self.home.journal, *self.home.words(self.work))

    def judge(self, said: Said, found: Figures) -> None:
        """Hold what a command said against what is there, under the fault or right after it."""
        found.tries += 1
        name = self.work.name
        if said.code == 0:
            self._expect_all(found, "lost", said)
            return
        found.refused += 1
        words = unclear(said)
        found.found("unclear", f"{name}: {words}", bool(words))
        after = contents(self.work, self.home)
        found.found("lost", f"{name}: rows of before", gone(self.before, after))
        kept = added(self.before, after)
        more = {t: n for t, n in kept.items() if n > self.right.adds[t]}
        found.found("damaged", f"{name}: refused, and kept {more}", bool(more))
        found.found("damaged", f"{name}: SQLite finds fault", not is_sound(self.home.journal))
        self._no_halves(found)

    def again(self, found: Figures) -> None:
        """Run the command once more, the fault gone: nothing may then be doubled or missing."""
        said = self.run()
        if said.code != 0:
            found.found("unclear", f"{self.work.name}, again: {said}")
            return
        self._expect_all(found, "damaged", said, again=True)

    def _expect_all(self, found: Figures, fault: str, said: Said, *, again: bool = False) -> None:
        right, after = self.right, contents(self.work, self.home)
        found.kept += right.adds.total() + len(right.files)
        kept, away = added(self.before, after), gone(self.before, after)
        words = f"{self.work.name}: {dict(kept)} more and {away} less, not {right}; {said}"
        found.found(fault, words, kept != right.adds or away != right.takes)
        fresh = names_in(self.home.folder) - self.files
        if again:  # a second copy of an old journal is one too many, and harms nobody
            fresh = {n for n in fresh if not n.startswith("journal.version-1-")}
        found.found(fault, f"{self.work.name}: files {fresh}", fresh != right.files)
        found.found("damaged", f"{self.work.name}: unsound", not is_sound(self.home.journal))
        self._no_halves(found)

    def _no_halves(self, found: Figures) -> None:
        fresh = names_in(self.home.folder) - self.files
        hidden = [n for n in fresh if ".part" in n or n.endswith("-journal")]
        found.found("halves", f"{self.work.name}: left {hidden}", len(hidden))
        for name in sorted(fresh - set(hidden)):
            path = self.home.folder / name
            if "/" not in name and not is_whole(path):
                found.found("halves", f"{self.work.name}: {name}")
