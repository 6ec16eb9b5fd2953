"""Export and import: a round trip is the same to the last number; half a file is refused."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from kept_journal import JAR, add_slide, at, fill
from test_logbook import BARE, BOTTLE, ONE_OF_EACH
from test_migration import left_by
from test_store import COUNT, PHOTO, RACK

from densitycam.card.layout import card_layout
from densitycam.card.profile import nominal_profile
from densitycam.errors import DensitycamError
from densitycam.journal.backup import back_up
from densitycam.journal.exchange import (
    CONTENTS,
    KEYS,
    merge,
    read_export,
    read_journal,
    write_folder,
    write_json,
)
from densitycam.journal.history import vessel_history
from densitycam.journal.logbook import NoteRecord, TopUpRecord
from densitycam.journal.schema import SCHEMA_VERSION
from densitycam.journal.store import BlankRecord, Journal, PrintRecord, SplitRecord
from densitycam.vessel.blank import assumed_blank

#: Texts that a table could garble.
AWKWARD = ('"', '""', "", " = 1+1, ;", "two\nlines\r\nthree\rfour", "Überlauf 藻", "inf", "1e5")


@pytest.fixture
def full(tmp_path: Path):
    """Fill a journal with something in every table."""
    with Journal(tmp_path / "full.sqlite") as journal:
        fill(journal)
        vessel_history(journal, JAR)
        journal.add_vessel(RACK)
        journal.put_photo(replace(PHOTO, utc_offset="+01:00", prints="abc"))
        journal.add_slide("rack 3", COUNT, counted_at=at(1))
        journal.add_slide("rack 3", COUNT, counted_at=at(1))  # two sides of a slide, alike
        journal.add_blank(BlankRecord("jar", assumed_blank(60.0), at(0)))
        journal.add_split(SplitRecord("jar", at(6), 125.0, 500.0))
        for record in (*ONE_OF_EACH, *BARE):
            journal.add_to_log(record)
        for text in AWKWARD:
            journal.add_to_log(NoteRecord("jar", at(3), text))
        number = journal.add_bottle(BOTTLE).number
        journal.take_from_bottle(number, done_at=at(20), ml=0.1 + 0.2)
        journal.add_bottle(replace(BOTTLE, vessel=None, cells_per_ml=None, low=None, high=None))
        db = journal.connection
        db.execute("INSERT INTO tags VALUES (100, 1)")
        profile = nominal_profile(card_layout("a4"))
        journal.put_print(PrintRecord(profile, ("a",), at(0), "x"))
        db.execute(
            "INSERT INTO photo_copies (photo_id, vessel_id, sha256, file_name) "
            "SELECT id, vessel_id, ?, 'copy.jpg' FROM photos LIMIT 1",
            ("f" * 64,),
        )
        yield journal


def written(journal: Journal, place: Path) -> Path:
    export = read_journal(journal)
    if place.suffix:
        write_json(export, place)
    else:
        write_folder(export, place, journal)
    return place


def contents(place: Path) -> dict[str, bytes]:
    files = place.iterdir() if place.is_dir() else [place]
    return {file.name: file.read_bytes() for file in files}


def dump(journal: Journal) -> list[str]:
    return list(journal.connection.iterdump())


def test_every_table_of_the_journal_is_exchanged(full: Journal):
    tables = {
        name
        for (name,) in full.connection.execute("SELECT name FROM sqlite_master WHERE type='table'")
    }
    assert tables == set(KEYS)
    export = read_journal(full)
    assert [name for name, rows in export.tables.items() if not rows] == []


@pytest.mark.parametrize("name", ["export.json", "tables"])
def test_a_round_trip_loses_nothing(full: Journal, tmp_path: Path, name: str):
    (tmp_path / "1").mkdir()
    first = written(full, tmp_path / "1" / name)
    with Journal(tmp_path / "new.sqlite") as new:
        merged = merge(new, read_export(first))
        assert (merged.known, merged.differed, merged.bottles) == (0, (), ())
        (tmp_path / "2").mkdir()
        second = written(new, tmp_path / "2" / name)
        assert dump(new) == dump(full)
        assert new.log() == full.log()
    assert contents(second) == contents(first)


def test_both_forms_say_the_same(full: Journal, tmp_path: Path):
    a, b = tmp_path / "a.sqlite", tmp_path / "b.sqlite"
    with Journal(a) as from_json, Journal(b) as from_csv:
        merge(from_json, read_export(written(full, tmp_path / "export.json")))
        merge(from_csv, read_export(written(full, tmp_path / "tables")))
        assert dump(from_json) == dump(from_csv)


def test_importing_again_changes_nothing(full: Journal, tmp_path: Path):
    place = written(full, tmp_path / "export.json")
    before = dump(full)
    merged = merge(full, read_export(place))
    assert merged.added == {}
    assert merged.known == sum(len(rows) for rows in read_journal(full).tables.values())
    assert dump(full) == before


def test_two_journals_become_one(full: Journal, tmp_path: Path):
    with Journal(tmp_path / "other.sqlite") as other:
        other.add_vessel(replace(JAR, working_volume_ml=450.0))
        other.add_split(SplitRecord("jar", at(6), 100.0, 450.0))
        other.add_split(SplitRecord("jar", at(9), 100.0, 450.0))
        other.add_to_log(TopUpRecord("jar", at(10), 33.0))
        mine = other.add_bottle(replace(BOTTLE, volume_ml=77.0))
        last = other.take_from_bottle(mine.number, done_at=at(30), ml=7.0)
        merged = merge(other, read_export(written(full, tmp_path / "tables")))
        # What it held stays as it is.
        assert other.vessel("jar").working_volume_ml == 450.0
        assert [s.kept_ml for s in other.splits("jar")] == [100.0, 100.0]
        assert set(merged.differed) == {"vessel jar", f"split jar, {at(6)}"}
        assert other.bottle(mine.number) == last
        # What came is whole, under numbers of its own where they were taken.
        assert merged.bottles == ((1, 3),)
        assert other.bottle(3).uses == full.bottle(1).uses
        assert other.bottle(2) == full.bottle(2)
        assert set(other.log()) == {*full.log(), TopUpRecord("jar", at(10), 33.0)}
        assert len(other.photos("jar")) == 14
        assert [s.count for s in other.slides()] == [s.count for s in full.slides()]
        assert other.undo() == full.bottle(2)  # the last that came counts as logged last
        assert merge(other, read_export(tmp_path / "tables")).added == {"bottles": 1}


def test_the_newest_calibration_stays_in_force_after_an_old_export_came(full, tmp_path: Path):
    old = written(full, tmp_path / "export.json")
    with Journal(tmp_path / "other.sqlite") as other:
        fill(other)
        # Another calibration made before the one that both hold, and one made after.
        kept = other.latest_calibration(JAR)
        newer = other.add_calibration(
            replace(kept, id=0, calibration_id="newer", made_at=at(40), shape_of=kept.id)
        )
        full.add_calibration(replace(kept, id=0, calibration_id="older", made_at=at(2)))
        old.unlink()
        merged = merge(other, read_export(written(full, old)))
        assert merged.added["calibrations"] == 1
        assert [c.calibration_id for c in other.calibrations("isochrysis")] == [
            "older", kept.calibration_id, "newer",
        ]  # fmt: skip
        after = other.latest_calibration(JAR)
        assert after.calibration_id == newer.calibration_id
        (shape,) = [c for c in other.calibrations("isochrysis") if c.id == after.shape_of]
        assert shape.calibration_id == kept.calibration_id
        assert other.connection.execute("PRAGMA foreign_key_check").fetchall() == []


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_half_a_file_is_refused(full: Journal, tmp_path: Path, share: float):
    place = written(full, tmp_path / "export.json")
    data = place.read_bytes()
    place.write_bytes(data[: int(share * len(data))])
    with pytest.raises(DensitycamError, match="cut short"):
        read_export(place)


def test_half_a_folder_is_refused(full: Journal, tmp_path: Path):
    whole = written(full, tmp_path / "tables")
    for name in (CONTENTS, "photos.csv", "tags.csv"):
        half = shutil.copytree(whole, tmp_path / f"without {name}")
        (half / name).unlink()
        with pytest.raises(DensitycamError, match=r"half of one|missing"):
            read_export(half)
    cut = shutil.copytree(whole, tmp_path / "cut")
    rows = (cut / "slides.csv").read_bytes().split(b"\r\n")
    (cut / "slides.csv").write_bytes(b"\r\n".join(rows[:-2]) + b"\r\n")
    with pytest.raises(DensitycamError, match=r"slides\.csv was cut short or changed"):
        read_export(cut)


def test_an_export_that_contradicts_itself_leaves_the_journal_alone(full, tmp_path: Path):
    place = written(full, tmp_path / "export.json")
    good = json.loads(place.read_text(encoding="utf-8"))

    def broken(change) -> Path:
        data = json.loads(json.dumps(good))
        change(data)
        place.write_text(json.dumps(data), encoding="utf-8")
        return place

    cases = {
        "newer densitycam": lambda d: d.update(schema=SCHEMA_VERSION + 1),
        "not an export": lambda d: d.pop("densitycam"),
        "no journal has": lambda d: d["tables"].update(harvests=[]),
        "no column of the journal": lambda d: d["tables"]["vessels"][0].update(colour="red"),
        "is empty": lambda d: d["tables"]["photos"][3].update(sha256=None),
        "which is no number": lambda d: d["tables"]["bottles"][0].update(volume_ml="much"),
        "which it does not hold": lambda d: d["tables"]["bottle_uses"][0].update(bottle_id=99),
        "breaks a rule": lambda d: d["tables"]["splits"][0].update(kept_ml=-1.0),
        "name the vessel": lambda d: d["tables"]["log"][0].update(vessel="nobody"),
        "name holds signs that no text": lambda d: d["tables"]["vessels"][1].update(name="a\0b"),
    }
    with Journal(tmp_path / "new.sqlite") as new:
        before = dump(new)
        for words, change in cases.items():
            with pytest.raises(DensitycamError, match=words):
                merge(new, read_export(broken(change)))
        assert dump(new) == before


@pytest.mark.parametrize("change", [
    "UPDATE vessels SET name = 'j' || char(0) || 'r' WHERE name = 'jar'",
    "UPDATE log SET text = char(0) WHERE kind = 'note'",
])  # fmt: skip
def test_a_journal_with_nul_is_not_exported_but_backed_up(full: Journal, tmp_path: Path, change):
    # Before it was refused a name or a note could hold it; no CSV reader of Python 3.10 takes it.
    full.connection.execute(change)
    before = set(tmp_path.iterdir())
    for write in (
        lambda export: write_json(export, tmp_path / "out.json"),
        lambda export: write_folder(export, tmp_path / "out", full),
    ):
        with pytest.raises(DensitycamError, match=r"no export can hold\. Take a backup"):
            write(read_journal(full))
    assert set(tmp_path.iterdir()) == before
    back_up(tmp_path / "full.sqlite", tmp_path / "copy.sqlite")
    with Journal(tmp_path / "copy.sqlite") as copy:
        assert dump(copy) == dump(full)


def test_an_export_of_an_older_version_comes_in(tmp_path: Path):
    old = left_by(3, tmp_path / "old.sqlite")
    with Journal(old) as journal:
        place = written(journal, tmp_path / "export.json")
        data = json.loads(place.read_text(encoding="utf-8"))
        data["schema"] = 3
        for name in ("log", "bottles", "bottle_uses", "tags", "photo_copies"):
            del data["tables"][name]
        for row in data["tables"]["photos"]:
            del row["capture"], row["pixels"], row["tags"]
        place.write_text(json.dumps(data), encoding="utf-8")
        with Journal(tmp_path / "new.sqlite") as new:
            merge(new, read_export(place))
            assert dump(new) == dump(journal)


def test_a_folder_with_something_in_it_is_left_alone(full: Journal, tmp_path: Path):
    (tmp_path / "tables").mkdir()
    written(full, tmp_path / "tables")  # an empty one is taken
    before = contents(tmp_path / "tables")
    with pytest.raises(DensitycamError, match="not empty"):
        written(full, tmp_path / "tables")
    assert contents(tmp_path / "tables") == before
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith(".part")] == []


def test_slides_that_are_alike_are_counted_not_merged(full: Journal, tmp_path: Path):
    with Journal(tmp_path / "other.sqlite") as other:
        other.add_vessel(RACK)
        other.add_slide("rack 3", COUNT, counted_at=at(1))
        merge(other, read_export(written(full, tmp_path / "export.json")))
        assert len(other.slides(vessel="rack 3")) == 2
        add_slide(other, 3)


def test_a_backup_file_given_for_import_says_what_to_do(tmp_path: Path):
    path = tmp_path / "journal.sqlite"
    Journal(path).close()
    with pytest.raises(DensitycamError, match="put it in the journal's place"):
        read_export(path)
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT count(*) FROM vessels").fetchone() == (0,)
    with pytest.raises(DensitycamError, match="There is no"):
        read_export(tmp_path / "none.json")
