"""What the journal hands to the decision: forecast, best round, the keeper's own thresholds."""

from __future__ import annotations

import math
from datetime import timedelta

import pytest
from seen_photos import BEGIN, photo

from densitycam.culture.settings import read_settings
from densitycam.journal.history import advise_at, vessel_history
from densitycam.journal.store import Journal, SplitRecord
from densitycam.vessel.record import VesselRecord

JAR = VesselRecord("jar", "tetraselmis", 900.0, 60.0)


def grown(day):
    return 1.2e6 / (1 + (1.2e6 / 1.5e5 - 1) * math.exp(-0.7 * day))


@pytest.fixture
def journal(tmp_path):
    with Journal(tmp_path / "journal.sqlite") as opened:
        opened.add_vessel(JAR)
        for day in range(9):
            opened.put_photo(photo(day, grown(day)))
        opened.add_split(SplitRecord("jar", BEGIN + timedelta(days=8.1), 225.0, 900.0))
        for day in (9, 10):
            opened.put_photo(photo(day, grown(day - 8 + 0.9)))
        yield opened


def test_a_batch_that_grows_is_told_its_day_with_an_interval(journal):
    history = vessel_history(journal, JAR)
    goal = history.readings[4].estimate.cells_per_ml  # what it read on the fourth day
    own = read_settings(f"[vessel jar]\nharvest_low = {goal}\nharvest_high = {9 * goal}")
    _, advice = advise_at(vessel_history(journal, JAR, own), 10)
    assert advice.action == "wait"
    assert advice.ready_earliest < advice.ready_on < advice.ready_latest
    # As the curve goes: from day 2.9 of it to day 4.
    assert advice.wait_days == pytest.approx(4.0 - 2.9, abs=0.35)
    assert advice.best_harvest is None  # nothing is harvested, nothing reckoned


def test_what_the_keeper_set_is_what_decides(journal):
    last = len(vessel_history(journal, JAR).readings) - 1
    thin = read_settings("[species tetraselmis]\nharvest_low = 1e3\nkept_share = 0.4")
    _, advice = advise_at(vessel_history(journal, JAR, thin), last)
    assert advice.action in ("harvest", "overdue")
    assert advice.plan.kept_share == 0.4
    assert 1 <= advice.best_harvest.advised.interval_days <= 8
