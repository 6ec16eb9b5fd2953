"""A backup is whole, also while another process writes, and replaces no file of another kind."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest
from kept_journal import JAR
from test_migration import dump, left_by, version_of

from densitycam.errors import DensitycamError
from densitycam.journal.backup import back_up
from densitycam.journal.logbook import NoteRecord
from densitycam.journal.store import Journal

ROOT = Path(__file__).resolve().parents[2]

#: Logs a note and a top-up together, again and again, until its file of orders is gone.
WRITER = """
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path
from densitycam.journal.logbook import NoteRecord, TopUpRecord
from densitycam.journal.store import Journal

journal, orders = Journal(Path(sys.argv[1])), Path(sys.argv[2])
n = 0
while orders.exists():
    n += 1
    at = datetime(2026, 1, 1) + timedelta(minutes=n)
    with journal.transaction():
        journal.add_to_log(NoteRecord("jar", at, f"{n} " + 2000 * "x"))
        journal.add_to_log(TopUpRecord("jar", at, 1.0))
    time.sleep(0.005)
    if n == 5:
        orders.with_name("started").touch()
print(n)
"""


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    path = tmp_path / "journal.sqlite"
    with Journal(path) as opened:
        opened.add_vessel(JAR)
        opened.add_to_log(NoteRecord("jar", datetime(2026, 5, 9), "x"))
    return path


def leftovers(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if ".part" in p.name]


def test_a_backup_is_a_journal_with_all_that_was_in_it(journal: Path, tmp_path: Path):
    target = tmp_path / "backup.sqlite"
    size = back_up(journal, target)
    assert size == target.stat().st_size > 0
    assert dump(target) == dump(journal)
    with Journal(target) as opened:
        assert opened.log()[0].text == "x"
    assert leftovers(tmp_path) == []


def test_backups_made_while_another_process_writes_are_each_whole(journal: Path, tmp_path: Path):
    orders = tmp_path / "orders"
    orders.touch()
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(journal), str(orders)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
    )
    found = []
    try:
        deadline = time.monotonic() + 30
        while not (tmp_path / "started").exists():
            assert time.monotonic() < deadline
            assert writer.poll() is None
            time.sleep(0.01)
        for n in range(4):
            target = tmp_path / f"backup-{n}.sqlite"
            back_up(journal, target)
            with closing(sqlite3.connect(target)) as db:
                kinds = dict(db.execute("SELECT kind, count(*) FROM log GROUP BY kind").fetchall())
                assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            found.append((kinds["note"], kinds["top-up"]))
            time.sleep(0.02)
    finally:
        orders.unlink()
        written = int(writer.communicate(timeout=30)[0])
    # One note was there before; each later one came in one transaction with a top-up.
    assert [notes - 1 for notes, _ in found] == [top_ups for _, top_ups in found]
    assert found == sorted(found)
    assert found[0] < found[-1]  # it did write meanwhile
    assert written >= found[-1][1]
    with Journal(journal) as opened:
        assert len(opened.log(kind="top-up")) == written  # and lost nothing by our reading


def test_an_old_journal_is_copied_as_it_is(tmp_path: Path):
    old = left_by(1, tmp_path / "journal.sqlite")
    before = old.read_bytes()
    back_up(old, tmp_path / "backup.sqlite")
    assert version_of(tmp_path / "backup.sqlite") == 1
    assert dump(tmp_path / "backup.sqlite") == dump(old)
    assert old.read_bytes() == before


def test_an_earlier_backup_is_replaced_whole_or_not_at_all(
    journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    target = tmp_path / "backup.sqlite"
    back_up(journal, target)
    before = target.read_bytes()
    with Journal(journal) as opened:
        opened.add_to_log(NoteRecord("jar", datetime(2026, 5, 10), "y"))

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", full)
        with pytest.raises(DensitycamError, match="No space left on device"):
            back_up(journal, target)
    assert target.read_bytes() == before
    assert leftovers(tmp_path) == []
    back_up(journal, target)
    assert dump(target) == dump(journal)


def test_other_files_and_the_journal_itself_are_left_alone(journal: Path, tmp_path: Path):
    letter = tmp_path / "letter.txt"
    letter.write_text("dear friend")
    foreign = tmp_path / "foreign.sqlite"
    with closing(sqlite3.connect(foreign)) as db:
        db.execute("CREATE TABLE t (x)")
    link = tmp_path / "link.sqlite"
    link.symlink_to(journal)
    before = {p: p.read_bytes() for p in (letter, foreign, journal)}
    for target, words in (
        (letter, "another kind"),
        (foreign, "another kind"),
        (journal, "the journal itself"),
        (link, "the journal itself"),
        (tmp_path, "is a folder"),
        (tmp_path / "none" / "b.sqlite", "no folder"),
    ):
        with pytest.raises(DensitycamError, match=words):
            back_up(journal, target)
    assert {p: p.read_bytes() for p in before} == before
    with pytest.raises(DensitycamError, match="There is no journal"):
        back_up(tmp_path / "none.sqlite", tmp_path / "b.sqlite")
    with pytest.raises(DensitycamError, match="not a journal"):
        back_up(foreign, tmp_path / "b.sqlite")
    assert leftovers(tmp_path) == []


def test_a_damaged_journal_is_not_passed_off_as_a_backup(journal: Path, tmp_path: Path):
    with Journal(journal) as opened:
        for n in range(50):
            opened.add_to_log(NoteRecord("jar", datetime(2026, 5, 9, 8, n), 500 * "z"))
    data = bytearray(journal.read_bytes())
    half = len(data) // 2 // 4096 * 4096
    data[half : half + 8192] = os.urandom(8192)
    journal.write_bytes(bytes(data))
    with pytest.raises(DensitycamError, match=r"damaged|cannot be backed up"):
        back_up(journal, tmp_path / "backup.sqlite")
    assert not (tmp_path / "backup.sqlite").exists()


#: Changes more than fits its memory, and dies in the middle of it.
KILLED = """
import os, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("PRAGMA cache_size = 1")
db.execute("BEGIN IMMEDIATE")
for n in range(2000):
    db.execute("UPDATE log SET text = ?", (f"{n} " * 3000,))
    db.execute("INSERT INTO vessels (name, species, working_volume_ml, path_mm, shape) "
               "VALUES (?, 'isochrysis', 500, 60, 'flat')", (f"v{n}",))
os._exit(9)
"""


def test_a_backup_undoes_what_a_killed_program_left_half_done(journal: Path, tmp_path: Path):
    before = dump(journal)
    subprocess.run([sys.executable, "-c", KILLED, str(journal)], check=False)
    left = journal.with_name(f"{journal.name}-journal")
    assert left.stat().st_size > 0, "nothing was left to undo"
    state = journal.read_bytes(), left.read_bytes()
    back_up(journal, tmp_path / "backup.sqlite")
    assert dump(tmp_path / "backup.sqlite") == before
    # Likewise for a look without keeping.
    journal.write_bytes(state[0])
    left.write_bytes(state[1])
    with Journal.copy_in_memory(journal) as looked_at:
        assert [n.text for n in looked_at.log()] == ["x"]
        assert len(looked_at.vessels()) == 1


@pytest.mark.parametrize("missing", [1, 700, 4095])
def test_a_journal_whose_last_page_is_cut_short_is_damaged(
    journal: Path, tmp_path: Path, missing: int
):
    # SQLite reads the missing bytes as zeros, and its own check passes where they are few.
    journal.write_bytes(journal.read_bytes()[:-missing])
    with pytest.raises(DensitycamError, match="is damaged"):
        Journal(journal)
    with pytest.raises(DensitycamError, match="is damaged"):
        Journal.copy_in_memory(journal)
    with pytest.raises(DensitycamError, match="is damaged"):
        back_up(journal, tmp_path / "backup.sqlite")
    assert leftovers(tmp_path) == []
    assert not (tmp_path / "backup.sqlite").exists()
