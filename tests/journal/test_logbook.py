"""What was logged and which bottles were filled come back as they were kept."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from densitycam.calibration.species import load_species
from densitycam.culture.bottles import bottle_states
from densitycam.errors import DensitycamError
from densitycam.journal.bottle_records import BottleRecord
from densitycam.journal.logbook import (
    KINDS,
    DoseRecord,
    EndRecord,
    InoculationRecord,
    LossRecord,
    NoteRecord,
    TopUpRecord,
    kind_of,
)
from densitycam.journal.store import Journal, SplitRecord
from densitycam.vessel.record import VesselRecord

NOON = datetime(2026, 5, 9, 12, 3, 4)
ONE_OF_EACH = (
    InoculationRecord("jar", NOON, "starter bag", 3.5e5),
    EndRecord("jar", NOON + timedelta(days=1), "crashed"),
    TopUpRecord("jar", NOON + timedelta(days=2), 37.5, 780.0),
    LossRecord("jar", NOON + timedelta(days=3), 12.5, evaporated=True),
    DoseRecord("jar", NOON + timedelta(days=4), 0.35, 0.36, 700.0),
    NoteRecord("jar", NOON + timedelta(days=5), 'smells "flat"; lamp moved\nnearer'),
)
#: The same with all that may be left out left out.
BARE = (
    InoculationRecord("jar", NOON),
    EndRecord("jar", NOON),
    TopUpRecord("jar", NOON, 50.0),
    LossRecord("jar", NOON, 20.0),
    DoseRecord("jar", NOON, 0.5),
    NoteRecord("jar", NOON, "x"),
)
BOTTLE = BottleRecord(
    "isochrysis", NOON, 500.0, cells_per_ml=4.1e6, low=3.6e6, high=4.7e6, vessel="jar"
)


@pytest.fixture
def journal(tmp_path: Path):
    with Journal(tmp_path / "journal.sqlite") as opened:
        opened.add_vessel(VesselRecord("jar", "isochrysis", 800.0, 82.0, "cylinder"))
        opened.add_vessel(VesselRecord("bag", "isochrysis", 3000.0, 60.0, "bag"))
        yield opened


@pytest.mark.parametrize("records", [ONE_OF_EACH, BARE])
def test_each_kind_comes_back_as_it_was_kept(journal: Journal, records):
    assert {kind_of(r) for r in records} == set(KINDS)
    for record in reversed(records):
        assert journal.add_to_log(record) is None
    assert set(journal.log()) == set(records)
    assert [r.done_at for r in journal.log()] == sorted(r.done_at for r in records)
    for record in records:
        assert journal.log(vessel="jar", kind=kind_of(record)) == (record,)
    assert journal.log(vessel="bag") == ()


def test_the_same_kind_and_time_again_corrects_and_says_what_was(journal: Journal):
    first, better = LossRecord("jar", NOON, 20.0), LossRecord("jar", NOON, 25.0)
    journal.add_to_log(first)
    journal.add_to_log(replace(first, vessel="bag"))
    journal.add_to_log(TopUpRecord("jar", NOON, 20.0))
    assert journal.add_to_log(better) == first
    assert journal.log(vessel="jar", kind="loss") == (better,)
    assert len(journal.log()) == 3


def test_several_notes_of_one_moment_all_stay(journal: Journal):
    notes = tuple(NoteRecord("jar", NOON, text) for text in ("lamp moved", "air stone cleaned"))
    for note in notes:
        assert journal.add_to_log(note) is None
    assert journal.log() == notes


def test_an_unknown_vessel_and_an_impossible_volume_are_refused(journal: Journal):
    with pytest.raises(DensitycamError, match="no vessel named 'jr'"):
        journal.add_to_log(EndRecord("jr", NOON))
    with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
        journal.add_to_log(TopUpRecord("jar", NOON, -1.0))
    assert journal.log() == ()


@pytest.mark.parametrize("record", [
    NoteRecord("jar", NOON, "lamp\0moved"), EndRecord("jar", NOON, "\0"),
    InoculationRecord("jar", NOON, "jar 2\0"),
])  # fmt: skip
def test_words_with_nul_are_refused_and_nothing_kept(journal: Journal, record):
    with pytest.raises(DensitycamError, match=r"no table can hold.*Write it again without"):
        journal.add_to_log(record)
    assert journal.log() == ()


def test_a_vessel_named_with_nul_is_refused_and_not_kept(journal: Journal):
    known = journal.vessels()
    with pytest.raises(DensitycamError, match=r"The name 'j\\x00r' holds a sign"):
        journal.add_vessel(replace(known[0], name="j\0r"))
    assert journal.vessels() == known


def test_a_bottle_is_emptied_bit_by_bit(journal: Journal):
    kept = journal.add_bottle(BOTTLE)
    assert kept == replace(BOTTLE, number=kept.number)
    assert kept.number > 0
    after = journal.take_from_bottle(kept.number, done_at=NOON + timedelta(days=1), ml=120.0)
    assert (after.left_ml, after.as_bottle().volume_ml) == (380.0, 380.0)
    with pytest.raises(DensitycamError, match="holds 380 mL, not 400 mL"):
        journal.take_from_bottle(kept.number, done_at=NOON + timedelta(days=2), ml=400.0)
    gone = journal.take_from_bottle(kept.number, done_at=NOON + timedelta(days=3), kind="discarded")
    assert gone.left_ml == 0
    assert [(use.ml, use.kind) for use in gone.uses] == [(120.0, "used"), (380.0, "discarded")]
    with pytest.raises(DensitycamError, match="nothing more can be taken"):
        journal.take_from_bottle(kept.number, done_at=NOON + timedelta(days=3))
    assert journal.bottles() == ()
    assert journal.bottles(in_hand=False) == (gone,)


def test_tenths_of_a_millilitre_leave_nothing_behind(journal: Journal):
    number = journal.add_bottle(replace(BOTTLE, volume_ml=0.3)).number
    for _ in range(3):
        journal.take_from_bottle(number, done_at=NOON, ml=0.1)
    assert journal.bottle(number).left_ml == 0


def test_bottles_go_to_the_keeping_plan_as_they_are(journal: Journal):
    old = journal.add_bottle(replace(BOTTLE, filled_at=NOON - timedelta(days=2)))
    new = journal.add_bottle(BOTTLE)
    foreign = journal.add_bottle(replace(BOTTLE, vessel=None, suspect=True, cells_per_ml=None))
    facts = {"isochrysis": load_species("isochrysis")}
    first = bottle_states([b.as_bottle() for b in journal.bottles()], facts, NOON)[0]
    assert first.bottle.label == old.label
    assert old.label != new.label
    assert foreign.as_bottle().suspect


def test_nothing_is_taken_from_a_bottle_before_it_was_filled(journal: Journal):
    number = journal.add_bottle(BOTTLE).number
    with pytest.raises(DensitycamError, match="only filled at 2026-05-09 12:03"):
        journal.take_from_bottle(number, done_at=NOON - timedelta(hours=1))
    assert journal.bottle(number).uses == ()
    with pytest.raises(DensitycamError, match="There is no bottle 99"):
        journal.take_from_bottle(99, done_at=NOON)


def test_what_was_logged_last_is_taken_back_whatever_its_date(journal: Journal):
    split = SplitRecord("jar", NOON, 200.0, 800.0)
    note = NoteRecord("bag", NOON - timedelta(days=9), "leak")
    journal.add_split(split)
    journal.add_to_log(note)
    bottle = journal.add_bottle(BOTTLE)
    journal.take_from_bottle(bottle.number, done_at=NOON, ml=50.0)
    used, use = journal.undo()
    assert (used, use.ml) == (bottle, 50.0)
    assert journal.undo(vessel="bag") == note
    assert journal.undo(vessel="bag") is None
    assert journal.undo() == bottle
    assert journal.undo(vessel="jar") == split
    assert journal.undo() is None
    assert (journal.log(), journal.splits("jar"), journal.bottles(in_hand=False)) == ((), (), ())


def test_a_corrected_entry_counts_as_logged_when_it_was_corrected(journal: Journal):
    journal.add_split(SplitRecord("jar", NOON, 200.0, 800.0))
    journal.add_to_log(EndRecord("jar", NOON))
    journal.add_split(SplitRecord("jar", NOON, 250.0, 800.0))
    assert journal.undo() == SplitRecord("jar", NOON, 250.0, 800.0)
    assert journal.undo() == EndRecord("jar", NOON)
