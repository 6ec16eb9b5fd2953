"""Splits that were logged win over those concluded; the decision looks at nothing later."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from exactly import exactly
from seen_photos import BEGIN as FIRST_PHOTO
from seen_photos import photo
from test_store import PHOTO, RACK, READING

from densitycam.calibration.estimate import Estimate
from densitycam.calibration.model import start_calibration
from densitycam.calibration.pigment import pigment_of
from densitycam.calibration.species import load_species
from densitycam.culture.dilution import Dilution
from densitycam.culture.series import Split
from densitycam.culture.settings import Settings
from densitycam.flags import FLAGS
from densitycam.journal.batches import Batch, waters
from densitycam.journal.history import (
    LOOK_BACK,
    DatedReading,
    VesselHistory,
    advise_at,
    advise_refused,
    batch_series,
    density_points,
    splits_until,
)
from densitycam.journal.morning import morning
from densitycam.journal.store import Journal, SplitRecord
from densitycam.vessel.record import VesselRecord

BEGIN = datetime(2026, 5, 1, 8)


def reading(day: int, cells_per_ml: float, status: str = "measured") -> DatedReading:
    low, high = 0.9 * cells_per_ml, 1.1 * cells_per_ml
    estimate = Estimate(status, cells_per_ml, low, high, 0.05, "c", 3, True)
    photo = replace(
        PHOTO,
        taken_at=BEGIN + timedelta(days=day),
        sha256=f"{day:064d}",
        reading=replace(READING, flags=()),
    )
    return DatedReading(photo, estimate)


def history(densities: list[float], *splits: Split) -> VesselHistory:
    return VesselHistory(
        vessel=RACK,
        facts=load_species(RACK.species),
        calibration=start_calibration(RACK.species),
        readings=tuple(reading(day, d) for day, d in enumerate(densities)),
        logged_splits=splits,
    )


#: Doubling every day, a quarter kept between day 3 and day 4.
SERIES = [5e6, 1e7, 2e7, 4e7, 1.5e7, 3e7, 6e7]


def at(day: float) -> datetime:
    return BEGIN + timedelta(days=day)


def test_a_split_nobody_logged_is_concluded():
    known = history(SERIES)
    (split,) = splits_until(known, known.readings, at(6))
    assert split.inferred
    assert at(3) < split.when < at(4)


def test_a_logged_split_is_not_concluded_once_more():
    logged = Split(at(3.9), 0.25)
    known = history(SERIES, logged)
    assert splits_until(known, known.readings, at(6)) == (logged,)


def test_a_split_logged_for_another_gap_leaves_the_concluded_one():
    logged = Split(at(1.5), 0.9)
    known = history(SERIES, logged)
    found = splits_until(known, known.readings, at(6))
    assert found[0] == logged
    assert [s.inferred for s in found] == [False, True]


def test_a_settled_photo_does_not_report_a_logged_split_twice():
    # The split lies between a settled photo and the next; growth is read past the settled one.
    logged = Split(at(3.5), 0.25)
    known = history(SERIES, logged)
    settled = reading(3, 4e7)
    settled_photo = replace(
        settled.photo, reading=replace(settled.photo.reading, flags=("settled",))
    )
    readings = list(known.readings)
    for place in (3, 4):
        found = list(readings)
        shifted = replace(settled_photo, taken_at=at(3.2 if place == 3 else 3.8))
        found.insert(4, DatedReading(shifted, settled.estimate))
        assert splits_until(known, found, at(6)) == (logged,)


def test_a_split_without_a_time_comes_after_the_days_last_photo():
    day = BEGIN.replace(hour=0)
    record = SplitRecord("v", day, 250.0, 1000.0)
    assert not record.timed
    evening = BEGIN.replace(hour=19)
    photos = [BEGIN, evening, BEGIN + timedelta(days=1)]
    (split,) = waters(RACK, splits=[record], log=(), photos=photos).splits
    assert evening < split.when < evening + timedelta(minutes=1)
    (noon,) = waters(RACK, splits=[record], log=(), photos=[BEGIN]).splits
    assert noon.when == BEGIN.replace(hour=12)
    timed = replace(record, done_at=BEGIN.replace(hour=7))
    (split,) = waters(RACK, splits=[timed], log=(), photos=[BEGIN]).splits
    assert split.when == timed.done_at


def test_a_top_up_is_taken_off_growth_and_starts_no_batch():
    # Doubling every two days; a fifth of new water between day 3 and day 4.
    plain = history([1e6 * 2 ** (n / 2) for n in range(7)])
    mixed = [1e6 * 2 ** (n / 2) * (0.8 if n > 3 else 1.0) for n in range(7)]
    topped = replace(history(mixed), dilutions=(Dilution(at(3.5), 0.8),))
    grown = advise_at(topped, 6)[0]
    assert grown.rate_per_day == pytest.approx(math.log(2) / 2, rel=1e-9)
    assert grown.days_since_split == 6
    assert grown.low == pytest.approx(advise_at(plain, 6)[0].low, rel=1e-9)
    # Not logged, it costs rate and looks like noise.
    assert advise_at(history(mixed), 6)[0].rate_per_day < 0.9 * grown.rate_per_day
    # What was decided before it stays.
    assert exactly(advise_at(topped, 3)) == exactly(advise_at(history(mixed), 3))


def test_a_new_culture_has_nothing_of_the_one_before():
    # The old one stood at 4e7, the new one begins at 2e6 on day 3.5 and doubles every day.
    series = [4e7, 4e7, 4.1e7, 4e7, 2e6, 4e6, 8e6]
    new = (Batch("rack 3", at(3.5), None),)
    known = replace(history(series), batches=new)
    grown = advise_at(known, 6)[0]
    assert grown.rate_per_day == pytest.approx(math.log(2), rel=1e-9)
    assert grown.days_since_split == pytest.approx(2.5, abs=1e-4)
    assert not grown.split_inferred
    assert splits_until(known, known.readings, at(6)) == ()
    assert advise_at(known, 4)[0].phase == "unknown"
    assert math.isnan(advise_at(known, 4)[0].rate_per_day)
    # The day before, the old culture was the one that counted.
    assert advise_at(known, 3)[0].points == 4


def test_later_photos_and_splits_change_no_earlier_decision():
    short = history(SERIES[:3])
    long = history(SERIES, Split(at(3.9), 0.25))
    for place in range(3):
        assert exactly(advise_at(short, place)) == exactly(advise_at(long, place))
    assert advise_at(long, 6)[0].days_since_split < 3
    assert advise_at(short, 2)[0].days_since_split == 2


def test_the_series_warns_and_pigment_goes_with_the_densities():
    known = history(SERIES)
    readings = [
        replace(
            r,
            photo=replace(
                r.photo, reading=replace(r.photo.reading, flags=("settled",) * (n in (4, 5)))
            ),
        )
        for n, r in enumerate(known.readings)
    ]
    settling = replace(known, readings=tuple(readings))
    told = " ".join(advise_at(settling, 6)[1].reasons)
    assert "Early warning: It settles again and again." in told
    assert "Early warning" not in " ".join(advise_at(known, 6)[1].reasons)
    green = replace(
        READING, attenuation=(1.1, 0.9, 1.4), absorbance=(0.5, 0.4, 0.8), usable=(True,) * 3
    )
    first = known.readings[0]
    (point,) = density_points([replace(first, photo=replace(first.photo, reading=green))])
    assert point.pigment == pigment_of(green).pigment


def test_only_measured_densities_make_the_curve():
    dense = reading(3, math.nan, "more-than")
    assert [p.when for p in density_points([reading(2, 2e7), dense])] == [at(2)]


def test_more_than_is_the_sign_too_dense_wherever_a_photo_is_shown():
    dense = reading(3, math.nan, "more-than")
    lost = replace(dense.photo, reading=replace(READING, flags=("bars-lost",)))
    assert DatedReading(lost, dense.estimate).flags == ("too-dense",)
    assert DatedReading(lost, reading(3, 2e7).estimate).flags == ("bars-lost",)
    known = replace(history([5e6, 1e7]), readings=(DatedReading(lost, dense.estimate),))
    growth, advice = advise_at(known, 0)
    assert advice.would_settle == FLAGS["too-dense"].advice
    assert growth.points == 0


def test_a_refused_photo_is_decided_from_what_was_known_before():
    known = history([5e6, 1e7])
    advice = advise_refused(known, at(2), "no-card")
    assert advice.action == "cannot-tell"
    assert any("10 million" in reason for reason in advice.reasons)
    later = advise_refused(history([5e6, 1e7, 9e7]), at(1.5), "no-card")
    assert not any("90 million" in reason for reason in later.reasons)


def test_a_fall_is_judged_without_the_photos_that_followed():
    # On day 3 it looks like a split; that it fell on on day 4 says later that it was none.
    falling = [1e7, 2e7, 4e7, 1.5e7, 5e6]
    short, long = history(falling[:4]), history(falling)
    assert advise_at(short, 3)[0].split_inferred
    assert exactly(advise_at(long, 3)) == exactly(advise_at(short, 3))
    assert not advise_at(long, 4)[0].split_inferred


def test_a_split_logged_later_hides_no_earlier_density():
    plain = history([5e6, 1e7])
    split_later = history([5e6, 1e7], Split(at(5), 0.25))
    later, before = (advise_refused(h, at(2), "no-card") for h in (split_later, plain))
    assert exactly(later) == exactly(before)


def test_photos_of_long_ago_decide_nothing():
    # Without a bound ten thousand photos of a vessel would take time as the square of their number.
    days = LOOK_BACK.days
    long = history([2e7 + 1e5 * n for n in range(days + 30)])
    points, _ = batch_series(long, long.readings, long.readings[-1].when)
    assert [p.when for p in points] == [r.when for r in long.readings[-days - 1 :]]


def test_today_looks_back_some_months_and_says_the_same_as_from_all_photos(tmp_path):
    days = 400
    with Journal(tmp_path / "journal.sqlite") as journal:
        for name, last in (("jar", days), ("resting", days - 200)):
            journal.add_vessel(VesselRecord(name, "tetraselmis", 900.0, 60.0))
            for day in range(last):
                journal.put_photo(photo(day, 3e5 * 1.3 ** (day % 7), vessel=name))
        at = FIRST_PHOTO + timedelta(days=days)
        lately = morning(journal, Settings(), at)
        whole = morning(journal, Settings(), at, whole=True)
    for some, all_of_it in zip(lately, whole, strict=True):
        assert 100 < len(some.today.history.readings) < 160 < len(all_of_it.today.history.readings)
        assert exactly(some.today.advice) == exactly(all_of_it.today.advice)
        assert exactly(some.today.estimate) == exactly(all_of_it.today.estimate)
        assert some.today.age_days == all_of_it.today.age_days
