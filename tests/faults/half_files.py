"""Files that are half-written, or of a version to come: a calibration, species, export, journal."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from figures import Figures, Said, call, rows, unclear
from works import stock

from densitycam.calibration.species import load_species, species_folder
from densitycam.errors import DensitycamError


@dataclass(frozen=True)
class Kind:
    """A kind of file, and what is done with it.

    Parameters
    ----------
    name : str
        What the examples call it.
    content : bytes
        The whole file.
    use : callable
        Puts bytes in its place in a folder, has a command read them, and returns what it said.
    ahead : bytes
        The same as a version to come would write it, b"" where a version is not told.
    lines : bool
        Whether it is a keeper's own text, of which every whole line stands for itself: cut after
        one, it is a shorter text and no half.
    """

    name: str
    content: bytes
    use: Callable[[Path, bytes], Said]
    ahead: bytes = b""
    lines: bool = False


def _as_command(problem: Callable[[], object]) -> Said:
    """Do what has no command of its own, and say how it ended as one would."""
    try:
        problem()
    except DensitycamError as error:
        return Said(1, f"Error: {error}\n")
    except Exception as error:
        return Said(70, "", repr(error))
    return Said(0, "")


def _home(folder: Path) -> Path:
    journal = folder / "journal.sqlite"
    shutil.copyfile(stock().journal, journal)
    (folder / "journal.settings.ini").unlink(missing_ok=True)
    return journal


def _calibration(folder: Path, data: bytes) -> Said:
    journal = _home(folder)
    with closing(sqlite3.connect(journal)) as db:
        db.execute("UPDATE calibrations SET calibration = ?", (data.decode(errors="replace"),))
        db.commit()
    return call(journal, "report", "jar", "--out", folder / "r.html")


def _species(folder: Path, data: bytes) -> Said:
    (folder / "isochrysis").mkdir(exist_ok=True)
    (folder / "isochrysis" / "species.json").write_bytes(data)
    return _as_command(lambda: load_species("isochrysis", folder))


def _settings(folder: Path, data: bytes) -> Said:
    journal = _home(folder)
    (folder / "journal.settings.ini").write_bytes(data)
    return call(journal, "today", "--when", "2026-05-14")


def _export(folder: Path, data: bytes) -> Said:
    journal = _home(folder)
    (folder / "e.json").write_bytes(data)
    return call(journal, "import", folder / "e.json")


def _journal(folder: Path, data: bytes) -> Said:
    journal = folder / "journal.sqlite"
    journal.write_bytes(data)
    (folder / "journal.settings.ini").unlink(missing_ok=True)
    return call(journal, "report", "jar", "--out", folder / "r.html")


def _backup_of(folder: Path, data: bytes) -> Said:
    journal = folder / "journal.sqlite"
    journal.write_bytes(data)
    return call(journal, "backup", folder / "copy.sqlite")


def _keys(folder: Path, data: bytes) -> Said:
    from densitycam.web.keys import page_keys

    (folder / "keys.json").write_bytes(data)
    return _as_command(lambda: page_keys(folder / "keys.json"))


def _table(folder: Path, data: bytes) -> Said:
    """Have a folder of CSV tables with one that is half there."""
    journal, tables = _home(folder), folder / "tables"
    if not tables.exists():
        assert call(stock().journal, "export", tables).code == 0
    (tables / "slides.csv").write_bytes(data)
    return call(journal, "import", tables)


def kinds(scratch: Path) -> Iterator[Kind]:
    """Yield each kind of file with its content."""
    journal = stock().journal
    with closing(sqlite3.connect(journal)) as db:
        (text,) = db.execute("SELECT calibration FROM calibrations ORDER BY id DESC").fetchone()
    ahead = {**json.loads(text), "format": 99, "from_the_future": 1}
    yield Kind("calibration", text.encode(), _calibration, json.dumps(ahead).encode())
    species = species_folder() / "isochrysis" / "species.json"
    ahead = {**json.loads(species.read_text()), "from_the_future": {"value": 1, "source": "-"}}
    yield Kind("species file", species.read_bytes(), _species, json.dumps(ahead).encode())
    settings = (
        b"[species isochrysis]\nharvest_low = 1500000\n\n[vessel jar]\nharvest_low = 1600000\n"
    )
    yield Kind("settings", settings, _settings, b"[all]\nfrom_the_future = 1\n", lines=True)
    export = stock().export.read_bytes()
    ahead = {**json.loads(export), "format": 99}
    yield Kind("export", export, _export, json.dumps(ahead).encode())
    ahead = {**json.loads(export), "schema": 99}
    yield Kind("export, its schema", export, _export, json.dumps(ahead).encode())
    future = scratch / "future.sqlite"
    shutil.copyfile(journal, future)
    with closing(sqlite3.connect(future)) as db:
        db.execute("PRAGMA user_version = 99")
    yield Kind("journal", journal.read_bytes(), _journal, future.read_bytes())
    yield Kind("journal, backed up", journal.read_bytes(), _backup_of)
    from densitycam.web.keys import page_keys

    page_keys(scratch / "keys.json")
    yield Kind("the page's keys", (scratch / "keys.json").read_bytes(), _keys)
    tables = scratch / "whole"
    assert call(journal, "export", tables).code == 0
    yield Kind("an export's table", (tables / "slides.csv").read_bytes(), _table)


def run(scratch: Path, *, tries: int, seed: int) -> Figures:
    """Cut each kind of file short, `tries` times each in even steps; then bring one from later.

    Half a file must be refused in words, and nothing of it be taken; `seed` changes nothing.
    """
    found = Figures()
    for number, kind in enumerate(kinds(scratch)):
        folder = scratch / f"kind-{number}"
        folder.mkdir()
        said = kind.use(folder, kind.content)
        assert said.code == 0, (kind.name, said)
        found.kept += 1
        whole = kind.content.rstrip()
        ends = [len(whole) * n // tries for n in range(tries)]
        for n, end in enumerate([*ends, len(whole) - 1]):  # at last all but one byte
            cut = kind.content[:end]
            said = kind.use(folder, cut)
            found.tries += 1
            empty = n == 0 and kind.name in ("settings", "journal")  # as if there were none
            if kind.lines and (said.code == 0 or empty):
                continue
            if empty and said.code != 0:
                continue
            found.refused += said.code != 0
            found.found("damaged", f"{kind.name}, {n} of {tries}: taken", said.code == 0)
            words = unclear(said) if said.code else ""
            found.found("unclear", f"{kind.name}, {n} of {tries}: {words}", bool(words))
            _nothing_taken(kind, folder, found)
        if kind.ahead:
            said = kind.use(folder, kind.ahead)
            found.tries += 1
            found.refused += said.code != 0
            found.found("damaged", f"{kind.name} of a later version: taken", said.code == 0)
            words = unclear(said) if said.code else ""
            found.found("unclear", f"{kind.name} of a later version: {words}", bool(words))
            _nothing_taken(kind, folder, found)
    return found


def _nothing_taken(kind: Kind, folder: Path, found: Figures) -> None:
    """A journal that met half an export holds what it held."""
    if kind.use in (_export, _table):
        same = rows(folder / "journal.sqlite") == rows(stock().journal)
        found.found("damaged", f"{kind.name}: half of it was imported", not same)
    found.found(
        "halves", f"{kind.name}: a copy", (folder / "copy.sqlite").exists() and not same_as(folder)
    )


def same_as(folder: Path) -> bool:
    """Whether the backup that was made of the whole journal still is."""
    return rows(folder / "copy.sqlite") == rows(stock().journal)
