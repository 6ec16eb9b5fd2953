"""Photos of which the time cannot be are named; two photos a minute apart upset nothing."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from kept_journal import JAR
from test_history import at, history, reading

from densitycam.card.profile import PrintProfile
from densitycam.counting.slide import count_slide
from densitycam.culture.series import Split
from densitycam.errors import DensitycamError
from densitycam.journal.batches import Batch
from densitycam.journal.clocks import clock_doubt, doubts, misdated
from densitycam.journal.history import VesselHistory, advise_at
from densitycam.journal.logbook import NoteRecord
from densitycam.journal.prints import register
from densitycam.journal.store import Journal, SplitRecord

DOUBLING = [4e6 * 2**day for day in range(5)]


def dated(day: float, cells_per_ml: float):
    found = reading(0, cells_per_ml)
    return replace(found, photo=replace(found.photo, taken_at=at(day), sha256=f"{day}"))


def series(*days: float) -> VesselHistory:
    return replace(history([]), readings=tuple(dated(day, 1e7) for day in sorted(days)))


def test_nothing_is_odd_about_a_plain_series():
    known = series(0, 1, 2, 3)
    assert misdated(known, at(3)) == ()
    assert doubts(known, known.readings[-1], at(3), new=True) == ()


def test_a_photo_ahead_of_the_computers_clock_is_named():
    known = series(0, 1, 5)
    ((photo, why),) = misdated(known, at(2))
    assert photo is known.readings[-1]
    assert "3 days ahead of this computer's clock" in why
    # Phone and computer agree to some minutes at best.
    assert misdated(known, at(5) - timedelta(minutes=8)) == ()
    assert misdated(known, at(5) - timedelta(minutes=12)) != ()


@pytest.mark.parametrize(("off", "words"), [(-5 * 365.25, "about 5 years"), (-70, "10 weeks")])
def test_a_photo_far_from_all_others_is_named_and_a_pause_is_not(off, words):
    known = series(off, 0, 1, 2)
    ((photo, why),) = misdated(known, at(2))
    assert photo is known.readings[0]
    assert words in why
    # Two photos after a long pause vouch for each other; so do two before it.
    assert misdated(series(0, 1, 200, 201), at(201)) == ()
    assert misdated(series(0), at(0)) == ()


def test_a_photo_from_before_the_culture_or_just_before_a_split_says_so():
    known = series(0, 1, 2)
    begun = replace(known, batches=(Batch("rack 3", at(1.5), None),))
    (said,) = doubts(begun, begun.readings[1], at(2), new=True)
    assert "before the present culture began" in said
    assert doubts(begun, begun.readings[2], at(2), new=True) == ()
    split = replace(known, logged_splits=(Split(at(2) + timedelta(minutes=25), 0.25),))
    (said,) = doubts(split, split.readings[2], at(2.1), new=True)
    assert "25 minutes before the split" in said
    later = replace(known, logged_splits=(Split(at(2) + timedelta(hours=3), 0.25),))
    assert doubts(later, later.readings[2], at(2.2), new=True) == ()


def test_a_new_photo_of_an_earlier_time_than_kept_ones_may_be_of_a_slow_clock():
    known = series(0, 1, 2, 3)
    (said,) = doubts(known, known.readings[1], at(3), new=True)
    assert "2 photos of the vessel, kept before, are of a later time" in said
    assert doubts(known, known.readings[1], at(3), new=False) == ()


def test_a_second_photo_a_minute_later_hardly_moves_the_decision():
    plain = history(DOUBLING)
    minute = 1 / 1440
    for noise in (1.0, 1.03, 0.97):
        twice = replace(plain, readings=(*plain.readings, dated(4 + minute, noise * DOUBLING[-1])))
        once, again = (advise_at(h, len(h.readings) - 1) for h in (plain, twice))
        assert again[0].rate_per_day == pytest.approx(math.log(2), abs=0.03)
        assert again[1].action == once[1].action
        assert again[0].phase == once[0].phase


def test_two_photos_alone_a_minute_apart_show_no_growth():
    pair = replace(history([]), readings=(dated(0, 1e7), dated(1 / 1440, 1.1e7)))
    grown, advice = advise_at(pair, 1)
    assert math.isnan(grown.rate_per_day)
    assert grown.phase == "unknown"
    assert advice.headline
    # Nor of the very same second.
    same = replace(pair, readings=(dated(0, 1e7), dated(0, 1.1e7)))
    assert math.isnan(advise_at(same, 1)[0].rate_per_day)


def test_a_computers_clock_behind_the_journal_is_named(tmp_path: Path):
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_vessel(JAR)
        assert clock_doubt(journal, at(0)) == ""
        journal.add_to_log(NoteRecord("jar", at(3), "here"))
        journal.add_split(SplitRecord("jar", at(2), 100.0, 500.0))
        assert clock_doubt(journal, at(3)) == ""
        assert clock_doubt(journal, at(3) - timedelta(minutes=9)) == ""
        said = clock_doubt(journal, at(3) - timedelta(hours=1))
        assert "60 minutes ahead of this computer's clock" in said
        assert "log undo" in said
        assert "about a year ahead" in clock_doubt(journal, at(3) - timedelta(days=365))
        # Whatever is the newest: a photo, a count, a bottle.
        journal.add_slide("jar", count_slide(cells=400, squares=4), counted_at=at(9))
        assert f"{at(9):%Y-%m-%d %H:%M}" in clock_doubt(journal, at(3))


def test_the_print_measured_last_is_in_use_whatever_the_clock_said(tmp_path: Path):
    by_clock = {"old.jpg": at(300), "new.jpg": at(0)}  # set back in between
    whites = {"old.jpg": 0.9, "new.jpg": 0.8}
    with Journal(tmp_path / "journal.sqlite") as journal:
        for name, when in by_clock.items():
            (tmp_path / name).write_text(name)
            profile = PrintProfile("a4", 1, {"white": (whites[name],) * 3}, 1, 0.0)
            register(
                journal,
                [tmp_path / name],
                registered_at=when,
                measured=lambda _, profile=profile: profile,
            )
        assert [p.profile.reflectance["white"][0] for p in journal.prints_in_use()] == [0.8]


def test_a_bare_card_that_changes_while_it_is_measured_is_not_registered(tmp_path: Path):
    (tmp_path / "bare.jpg").write_text("one")

    def replaced(path: Path) -> PrintProfile:
        path.write_text("another")
        return PrintProfile("a4", 1, {"white": (0.9,) * 3}, 1, 0.0)

    with Journal(tmp_path / "journal.sqlite") as journal:
        with pytest.raises(DensitycamError, match="changed while it was read"):
            register(journal, [tmp_path / "bare.jpg"], registered_at=at(0), measured=replaced)
        assert journal.prints() == ()
