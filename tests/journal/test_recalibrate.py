"""Recalibrating after a drift: the past is scored from the journal, the far past keeps its own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from kept_journal import DRIFT, JAR, add_slide, at, density, fill

from densitycam.counting.tally import Filling, Tally, judge_tally
from densitycam.errors import DensitycamError
from densitycam.journal.history import calibrate_if_new, paired_slides, vessel_history
from densitycam.journal.recalibrate import recalibrate, slide_chart
from densitycam.journal.store import Journal


@pytest.fixture
def journal(tmp_path: Path):
    with Journal(tmp_path / "journal.sqlite") as opened:
        fill(opened)
        yield opened


def errors(journal: Journal) -> np.ndarray:
    return np.array(
        [r.estimate.cells_per_ml / density(n) for n, r in enumerate(
            vessel_history(journal, JAR).readings)]
    )  # fmt: skip


def test_one_slide_after_a_drift_mends_the_days_since_and_leaves_those_before(journal):
    before = errors(journal)
    assert np.abs(before[:DRIFT] - 1).max() < 0.06
    assert np.abs(before[DRIFT:] / 1.5 - 1).max() < 0.08
    add_slide(journal, 11)
    done = recalibrate(journal, JAR, since=at(DRIFT), made_at=at(12))
    assert (done.before.n_slides, done.after.n_slides) == (6, 1)
    after = errors(journal)
    np.testing.assert_array_equal(after[:DRIFT], before[:DRIFT])
    assert np.abs(after[DRIFT:] - 1).max() < 0.08
    # What was said to change is what changed, and each estimate names its calibration.
    assert [c.before == c.after for c in done.changes] == [True] * DRIFT + [False] * 4
    assert {c.after.calibration_id for c in done.changes[:DRIFT]} == {done.before.id}
    assert {c.after.calibration_id for c in done.changes[DRIFT:]} == {done.after.id}
    kept = [p.estimate.calibration_id for p in journal.photos("jar")]
    assert kept == [c.after.calibration_id for c in done.changes]
    assert [c.calibration_id for c in journal.calibrations("isochrysis")] == [
        done.before.id,
        done.after.id,
    ]


def test_later_slides_join_the_new_calibration_and_the_old_stay_out(journal):
    add_slide(journal, 11)
    first = recalibrate(journal, JAR, since=at(DRIFT), made_at=at(12))
    assert calibrate_if_new(journal, JAR, made_at=at(12)) is None
    add_slide(journal, 13)
    record = calibrate_if_new(journal, JAR, made_at=at(13))
    assert (record.slides, record.since) == (2, at(DRIFT))
    assert record.shape_of == first.record.shape_of
    assert np.abs(errors(journal)[:DRIFT] - 1).max() < 0.06
    assert np.abs(errors(journal)[DRIFT:] - 1).max() < 0.08


def test_without_a_day_all_slides_are_used_again(journal):
    add_slide(journal, 11)
    recalibrate(journal, JAR, since=at(DRIFT), made_at=at(12))
    done = recalibrate(journal, JAR, since=None, made_at=at(13))
    assert done.after.n_slides == 7
    assert {c.after.calibration_id for c in done.changes} == {done.after.id}


def test_a_line_drawn_elsewhere_takes_the_same_shape(journal):
    add_slide(journal, 11)
    add_slide(journal, 13)
    first = recalibrate(journal, JAR, since=at(DRIFT), made_at=at(14))
    again = recalibrate(journal, JAR, since=at(12), made_at=at(15))
    assert again.record.shape_of == first.record.shape_of
    assert again.after.n_slides == 1
    # Day 11 lies between the lines and keeps to the first of the two.
    assert [c.after.calibration_id for c in again.changes[9:14]] == [
        first.before.id,
        *[first.after.id] * 2,
        *[again.after.id] * 2,
    ]


def test_the_same_again_is_no_new_version_whatever_other_vessels_did_meanwhile(journal):
    own = journal.latest_calibration(JAR)
    other = replace(JAR, name="other jar")
    journal.add_vessel(other)
    journal.add_calibration(replace(own, id=0, vessel=other.name, calibration_id="isochrysis-1"))
    assert recalibrate(journal, JAR, since=None, made_at=at(12)).record == own
    assert len(journal.calibrations("isochrysis")) == 2


def test_no_slide_since_that_day_changes_nothing(journal):
    before = errors(journal)
    with pytest.raises(DensitycamError, match="counted since 2026-05-11 is paired"):
        recalibrate(journal, JAR, since=at(DRIFT), made_at=at(12))
    np.testing.assert_array_equal(errors(journal), before)
    assert len(journal.calibrations("isochrysis")) == 1


def test_the_chart_sees_the_drift_and_starts_anew_after_it(journal):
    assert slide_chart(journal, JAR).state == "holds"
    for day in (10, 11, 13):
        add_slide(journal, day)
    chart = slide_chart(journal, JAR)
    assert (chart.state, chart.since) == ("drifted", "2026-05-11 day 10.jpg")
    recalibrate(journal, JAR, since=at(DRIFT), made_at=at(14))
    assert slide_chart(journal, JAR).state == "holds"


def test_a_tally_is_kept_with_its_slide(journal):
    tally = Tally(
        (Filling((23, 31, 27), 3), Filling((88,), 3)),
        dilution_steps=(10.0, 2.5),
        fixative_fraction=0.02,
        dead=4,
        clumps=1,
        machine_assisted=True,
    )
    journal.add_slide("jar", judge_tally(tally).slide, counted_at=at(13), tally=tally)
    assert journal.slides(vessel="jar")[-1].tally == tally
    assert [s.tally for s in journal.slides(vessel="jar")[:-1]] == [None] * 6
    assert len(paired_slides(journal, vessel="jar").since(at(6)).used) == 2
