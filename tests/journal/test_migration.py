"""A journal of an earlier version is brought up to date, and a copy of the old one is kept."""

from __future__ import annotations

import os
import sqlite3
import threading
from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest

from densitycam.errors import DensitycamError
from densitycam.journal.logbook import EndRecord
from densitycam.journal.schema import MIGRATIONS, SCHEMA_VERSION
from densitycam.journal.store import Journal, SplitRecord

HERE = Path(__file__).parent


def left_by(version: int, path: Path) -> Path:
    """Write a journal as a version left it."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript((HERE / f"version_{version}.sql").read_text(encoding="utf-8"))
    return path


@pytest.fixture
def old(tmp_path: Path) -> Path:
    return left_by(1, tmp_path / "journal.sqlite")


def version_of(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        return int(db.execute("PRAGMA user_version").fetchone()[0])


def dump(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as db:
        return list(db.iterdump())


def columns(path: Path) -> dict[str, list[tuple[object, ...]]]:
    with closing(sqlite3.connect(path)) as db:
        names = [n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE sql IS NOT NULL")]
        return {n: db.execute(f"PRAGMA table_info({n})").fetchall() for n in sorted(names)}


def test_every_earlier_version_is_kept_as_a_file_to_test_with():
    kept = [HERE / f"version_{n}.sql" for n in range(1, SCHEMA_VERSION)]
    assert [p.name for p in kept if not p.is_file()] == []
    assert len(MIGRATIONS) == SCHEMA_VERSION


def test_the_old_journal_opens_with_all_it_held(old: Path):
    with closing(sqlite3.connect(old)) as db:
        readings = db.execute("SELECT reading FROM photos ORDER BY id").fetchall()
        (calibration,) = db.execute("SELECT calibration FROM calibrations").fetchone()
    with Journal(old) as journal:
        vessel = journal.vessel("slim")
        photos = journal.photos("slim")
        assert (vessel.species, vessel.working_volume_ml, vessel.path_mm) == (
            "nannochloropsis", 500.0, 20.0,
        )  # fmt: skip
        assert [p.file_name for p in photos] == ["day1.jpg", "day2.jpg", "empty place.jpg"]
        assert [p.status for p in photos] == ["measured", "measured", "refused"]
        for photo, (text,) in zip(photos, readings, strict=True):
            assert (photo.reading is None) == (text is None)
            assert (photo.prints, photo.utc_offset) == ("", None)
        slide = journal.slides(vessel="slim")[0]
        assert (slide.count.cells, slide.photo_sha256) == (311, photos[0].sha256)
        split = journal.splits("slim")[0]
        assert (split.kept_ml, split.total_ml) == (125.0, 500.0)
        assert journal.latest_calibration(vessel).calibration == calibration
        assert journal.prints() == ()
        assert journal.blank("slim") is None
    assert version_of(old) == SCHEMA_VERSION


def test_a_journal_of_version_2_opens_with_its_blank(tmp_path: Path):
    path = left_by(2, tmp_path / "journal.sqlite")
    with Journal(path) as journal:
        assert journal.blank("slim").blank.photos == 3
        assert [s.tally for s in journal.slides(vessel="slim")] == [None]
        kept = journal.latest_calibration(journal.vessel("slim"))
        assert (kept.since, kept.shape_of) == (None, None)
    assert version_of(path) == SCHEMA_VERSION
    Journal(tmp_path / "new.sqlite").close()
    assert columns(path) == columns(tmp_path / "new.sqlite")


def test_a_journal_of_version_3_opens_with_its_tally_and_takes_the_log(tmp_path: Path):
    path = left_by(3, tmp_path / "journal.sqlite")
    with Journal(path) as journal:
        slides = journal.slides(vessel="slim")
        assert [s.tally is None for s in slides] == [True, False]
        assert slides[1].tally.fillings[0].counts == (80, 71, 90, 77)
        kept = journal.latest_calibration(journal.vessel("slim"))
        assert (kept.since, kept.shape_of) == (datetime(2026, 4, 2), 1)
        assert (journal.log(), journal.bottles(in_hand=False)) == ((), ())
        journal.add_to_log(EndRecord("slim", datetime(2026, 4, 9), "crashed"))
        journal.add_split(SplitRecord("slim", datetime(2026, 3, 31, 20), 100.0, 500.0))
        assert [s.kept_ml for s in journal.splits("slim")] == [100.0]
    assert version_of(path) == SCHEMA_VERSION
    Journal(tmp_path / "new.sqlite").close()
    assert columns(path) == columns(tmp_path / "new.sqlite")


def test_it_ends_with_the_tables_of_a_new_journal(old: Path, tmp_path: Path):
    Journal(old).close()
    Journal(tmp_path / "new.sqlite").close()
    assert columns(old) == columns(tmp_path / "new.sqlite")


def test_a_copy_of_the_old_one_is_kept_once(old: Path):
    before = dump(old)
    Journal(old).close()
    Journal(old).close()
    copy = old.with_name("journal.version-1.sqlite")
    assert sorted(p.name for p in old.parent.iterdir()) == [old.name, copy.name]
    assert version_of(copy) == 1
    assert dump(copy) == before
    # Put back in its place it is migrated again, and no earlier copy is overwritten.
    old.write_bytes(copy.read_bytes())
    copy.write_bytes(b"kept by the user")
    Journal(old).close()
    assert copy.read_bytes() == b"kept by the user"
    assert dump(old.with_name("journal.version-1-2.sqlite")) == before


def test_without_room_for_a_copy_nothing_is_changed(old: Path, monkeypatch: pytest.MonkeyPatch):
    before = old.read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", full)
        with pytest.raises(DensitycamError, match="No space left on device"):
            Journal(old)
    assert old.read_bytes() == before
    # What the failed try left behind is no hindrance.
    Journal(old).close()
    assert version_of(old) == SCHEMA_VERSION
    assert sorted(p.name for p in old.parent.iterdir()) == [
        "journal.sqlite",
        "journal.version-1.sqlite",
    ]


def test_looking_without_keeping_leaves_the_old_file_alone(old: Path):
    before = old.read_bytes()
    with Journal.copy_in_memory(old) as journal:
        assert len(journal.photos("slim")) == 3
        assert journal.blank("slim") is None
    assert old.read_bytes() == before
    assert [p.name for p in old.parent.iterdir()] == ["journal.sqlite"]


def test_two_programs_at_once_migrate_once(old: Path):
    barrier = threading.Barrier(4)
    failures: list[BaseException] = []

    def opens() -> None:
        try:
            barrier.wait()
            Journal(old).close()
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=opens) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert version_of(old) == SCHEMA_VERSION
    assert len(list(old.parent.iterdir())) == 2
