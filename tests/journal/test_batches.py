"""Batches, volumes and known dilutions as a keeper would reckon them with pencil and paper."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from densitycam.journal.batches import Batch, batch_begin, batches, waters
from densitycam.journal.logbook import (
    EndRecord,
    InoculationRecord,
    LossRecord,
    NoteRecord,
    TopUpRecord,
)
from densitycam.journal.store import SplitRecord
from densitycam.vessel.record import VesselRecord

JAR = VesselRecord("jar", "isochrysis", 900.0, 82.0, "cylinder")
DAY = datetime(2026, 5, 1)


def at(day: float) -> datetime:
    return DAY + timedelta(days=day, hours=8)


def test_batches_follow_inoculations_and_ends():
    log = (
        InoculationRecord("jar", at(0), "slant", 2e5),
        EndRecord("jar", at(9), "crashed"),
        InoculationRecord("jar", at(12), "left jar"),
        NoteRecord("jar", at(13), "x"),
        InoculationRecord("jar", at(20), "bag"),
    )
    assert batches(log) == (
        Batch("jar", at(0), at(9), "slant", 2e5, "crashed"),
        Batch("jar", at(12), at(20), "left jar"),
        Batch("jar", at(20), None, "bag"),
    )
    known = batches(tuple(reversed(log)))
    moments = {-1: None, 0: at(0), 8.9: at(0), 9.5: at(9), 12: at(12), 19: at(12), 30: at(20)}
    assert {day: batch_begin(known, at(day)) for day in moments} == moments


def test_an_end_without_an_inoculation_ends_what_ran():
    known = batches((EndRecord("jar", at(5), "bleached"),))
    assert known == (Batch("jar", None, at(5), reason="bleached"),)
    assert batch_begin(known, at(4)) is None
    assert batch_begin(known, at(6)) == at(5)
    assert batches(()) == ()


def test_days_without_a_time_stand_on_the_right_side_of_the_days_photos():
    photo = at(3)
    # Ended that day: its photo still shows the old culture.
    (ended,) = batches((EndRecord("jar", DAY + timedelta(days=3)),), [photo])
    assert ended.ends > photo
    # Begun that day: its photo shows the new one, also where the old one ended the same day.
    log = (
        EndRecord("jar", DAY + timedelta(days=3), "crashed"),
        InoculationRecord("jar", DAY + timedelta(days=3)),
    )
    for known in (batches(log, [photo]), batches(log[::-1], [photo]), batches(log[1:], [photo])):
        assert batch_begin(known, photo) == DAY + timedelta(days=3)
    assert [b.reason for b in batches(log, [photo])] == ["crashed", ""]


@pytest.mark.parametrize(
    ("log", "factors", "volume"),
    [
        # 100 mL drawn, 100 mL of new water: 800 of 900.
        ((LossRecord("jar", at(1), 100.0), TopUpRecord("jar", at(2), 100.0)), [800 / 900], 900.0),
        # 100 mL evaporated and made up again: nothing changed in the end.
        (
            (LossRecord("jar", at(1), 100.0, evaporated=True), TopUpRecord("jar", at(2), 100.0)),
            [900 / 800, 800 / 900],
            900.0,
        ),
        # Half of what was lost is made up.
        ((LossRecord("jar", at(1), 100.0), TopUpRecord("jar", at(2), 50.0)), [800 / 850], 850.0),
        # Nothing logged as lost: what was added must have been missing.
        ((TopUpRecord("jar", at(2), 90.0),), [810 / 900], 900.0),
        # Said how much it was afterwards.
        ((TopUpRecord("jar", at(2), 100.0, 500.0),), [400 / 500], 500.0),
        # Spilt only: the density is the same.
        ((LossRecord("jar", at(1), 100.0),), [], 800.0),
        # More lost than it holds.
        ((LossRecord("jar", at(1), 2000.0, evaporated=True),), [100.0], 9.0),
        ((LossRecord("jar", at(1), 400.0), InoculationRecord("jar", at(2))), [], 900.0),
    ],
)
def test_volume_and_dilution_are_followed(log, factors, volume):
    water = waters(JAR, splits=(), log=log)
    assert [d.factor for d in water.dilutions] == pytest.approx(factors, rel=1e-12)
    assert water.volume_ml == pytest.approx(volume, rel=1e-12)
    assert water.splits == ()


def test_after_a_split_its_own_volume_counts():
    splits = (SplitRecord("jar", at(1), 200.0, 700.0),)
    log = (TopUpRecord("jar", at(2), 200.0),)
    water = waters(JAR, splits=splits, log=log)
    # 700 mL were in it, and there was room for all of it.
    assert [d.factor for d in water.dilutions] == pytest.approx([700 / 900], rel=1e-12)
    assert [(s.when, s.kept_share) for s in water.splits] == [(at(1), 200 / 700)]
    assert waters(JAR, splits=splits, log=log, until=at(1.5)).volume_ml == 700.0


def test_a_large_top_up_is_a_split():
    water = waters(JAR, splits=(), log=(TopUpRecord("jar", at(2), 450.0),))
    assert [(s.when, s.kept_share, s.inferred) for s in water.splits] == [(at(2), 0.5, False)]
    assert water.dilutions == ()


def test_a_top_up_of_a_day_comes_after_its_photos():
    log = (TopUpRecord("jar", DAY, 90.0),)
    (dilution,) = waters(JAR, splits=(), log=log, photos=[DAY.replace(hour=19)]).dilutions
    assert dilution.when == DAY.replace(hour=19, second=1)
